//! Wide tables of spectra: `wavelength_nm` and one column a curve.

use super::Spectrum;
use crate::Result;
use crate::files::{Row, Table};
use std::path::Path;

/// The wavelengths in nm that decide a color: outside them the luminous efficiency is below 0.5 %
/// of its maximum.
pub const VISIBLE_NM: (f64, f64) = (400.0, 700.0);

/// A curve may stop inside the visible range where it has fallen to this share of its peak.
const FALLEN_TO: f64 = 0.02;
/// Values below zero by at most this share of the peak are taken for measurement noise and kept,
/// because cutting them off would shift the mean.
const NOISE_BELOW_ZERO: f64 = 0.02;
/// The widest gap between samples in nm (ASTM E308 knows no wider interval).
const WIDEST_GAP_NM: f64 = 20.0;
/// The wavelengths in nm that a table in nanometers can hold.
const PLAUSIBLE_NM: (f64, f64) = (100.0, 3000.0);

/// A spectrum with the name of its column.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedSpectrum {
    /// The column's name.
    pub name: String,
    /// The curve.
    pub spectrum: Spectrum,
}

/// Reads emission spectra from a wide table: `wavelength_nm,<name>,<name>...`.
///
/// Errors as [`spectra_from_table`].
pub fn read_spectra(path: &Path) -> Result<Vec<NamedSpectrum>> {
    spectra_from_table(&Table::read(path)?)
}

/// Emission spectra of a wide table, one a column beside `wavelength_nm`, in file order.
///
/// Values in any unit that is linear in power per wavelength. It is an error, with line and
/// column, if wavelengths are not ascending or further apart than 20 nm, if a value is missing or
/// below zero by more than 2 % of the column's peak, if nothing in a column is above zero, or if a
/// curve stops short of 400 to 700 nm before it has fallen below 2 % of its peak.
///
/// ```
/// use boneglow::{files::Table, spectra::spectra_from_table};
/// let table = Table::from_bytes("glow.csv", b"wavelength_nm,chalk\n500,0\n510,7\n520,0\n")?;
/// let spectra = spectra_from_table(&table)?;
/// assert_eq!(spectra[0].name, "chalk");
/// assert_eq!(spectra[0].spectrum.value_at(505.0), 3.5);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn spectra_from_table(table: &Table) -> Result<Vec<NamedSpectrum>> {
    spectra_from_table_within(table, VISIBLE_NM)
}

/// As [`spectra_from_table`], for use behind a filter: the curves need only reach from `needed.0`
/// to `needed.1` nm, since nothing outside passes.
pub fn spectra_from_table_within(table: &Table, needed: (f64, f64)) -> Result<Vec<NamedSpectrum>> {
    let wavelengths = wavelengths(table)?;
    let names = table.header().iter().filter(|name| *name != WAVELENGTH);
    let spectra: Vec<NamedSpectrum> = names
        .map(|name| {
            Ok(NamedSpectrum {
                name: name.clone(),
                spectrum: curve(table, &wavelengths, name, needed)?,
            })
        })
        .collect::<Result<_>>()?;
    if spectra.is_empty() {
        return Err(
            crate::Error::input("found no column beside \"wavelength_nm\"")
                .at(table.path())
                .line(1)
                .remedy("add one column a spectrum, with its name in the header"),
        );
    }
    Ok(spectra)
}

/// The column of wavelengths.
pub(super) const WAVELENGTH: &str = "wavelength_nm";

/// The wavelengths of a table in nm: plausible, ascending, without wide gaps.
pub(super) fn wavelengths(table: &Table) -> Result<Vec<f64>> {
    table.require(&[WAVELENGTH])?;
    let mut found: Vec<f64> = Vec::with_capacity(table.len());
    for row in table.rows() {
        let nm = row.number(WAVELENGTH)?;
        if nm < PLAUSIBLE_NM.0 || nm > PLAUSIBLE_NM.1 {
            return Err(row
                .error(
                    WAVELENGTH,
                    format!("found {nm}, expected a wavelength in nm"),
                )
                .remedy("convert the column to nanometers"));
        }
        if let Some(&before) = found.last() {
            if nm <= before {
                return Err(row
                    .error(
                        WAVELENGTH,
                        format!("found {nm} after {before}, expected ascending wavelengths"),
                    )
                    .remedy("sort the rows by wavelength and remove duplicates"));
            }
            if nm - before > WIDEST_GAP_NM {
                return Err(row
                    .error(
                        WAVELENGTH,
                        format!(
                            "found a gap of {} nm after {before}, expected at most {WIDEST_GAP_NM} nm",
                            nm - before
                        ),
                    )
                    .remedy("add the missing rows"));
            }
        }
        found.push(nm);
    }
    if found.len() < 2 {
        return Err(crate::Error::input(format!(
            "found {} wavelengths, expected at least 2",
            found.len()
        ))
        .at(table.path()));
    }
    Ok(found)
}

/// One curve of a table, checked as an emission or a sensitivity is.
pub(super) fn curve(
    table: &Table,
    wavelengths: &[f64],
    column: &str,
    needed: (f64, f64),
) -> Result<Spectrum> {
    let rows: Vec<Row> = table.rows().collect();
    let values: Vec<f64> = rows
        .iter()
        .map(|row| row.number(column))
        .collect::<Result<_>>()?;
    let peak = values.iter().copied().fold(0.0, f64::max);
    if peak <= 0.0 {
        return Err(
            crate::Error::input("found no value above zero, expected a curve")
                .at(table.path())
                .column(column)
                .remedy("remove the column or fill it in"),
        );
    }
    for (row, &value) in rows.iter().zip(&values) {
        if value < -NOISE_BELOW_ZERO * peak {
            return Err(row
                .error(
                    column,
                    format!("found {value}, expected values of at least zero"),
                )
                .remedy(
                    "subtract the dark spectrum anew; noise down to -2 % of the peak is accepted",
                ));
        }
    }
    let first = (&rows[0], wavelengths[0], values[0]);
    let last = rows.len() - 1;
    let last = (&rows[last], wavelengths[last], values[last]);
    let short_below = first.1 > needed.0 && first.2 > FALLEN_TO * peak;
    let short_above = last.1 < needed.1 && last.2 > FALLEN_TO * peak;
    for (short, (row, nm, value), verb) in
        [(short_below, first, "begins"), (short_above, last, "stops")]
    {
        if short {
            return Err(row
                .error(
                    column,
                    format!(
                        "the curve {verb} at {nm} nm with {:.0} % of its peak, expected {} to {} nm or a value that has fallen below 2 %",
                        100.0 * value / peak,
                        needed.0,
                        needed.1
                    ),
                )
                .remedy("measure it over the whole range, or add rows of zeros where it is known to be dark"));
        }
    }
    Spectrum::new(wavelengths.to_vec(), values).map_err(|e| e.at(table.path()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Vec<NamedSpectrum>> {
        spectra_from_table(&Table::from_bytes("glow.csv", text.as_bytes())?)
    }

    fn complaint(text: &str) -> String {
        read(text).unwrap_err().to_string()
    }

    fn flat(range: std::ops::RangeInclusive<u32>) -> String {
        let rows: String = range.step_by(10).map(|nm| format!("{nm},1\n")).collect();
        format!("wavelength_nm,a\n{rows}")
    }

    #[test]
    fn descending_wavelengths_name_their_line() {
        let text = complaint("wavelength_nm,a\n500,0\n510,1\n505,0\n");
        assert!(
            text.starts_with("glow.csv, line 4, column \"wavelength_nm\": found 505 after 510"),
            "{text}"
        );
    }

    #[test]
    fn a_gap_and_a_unit_that_is_not_nm_are_refused() {
        assert!(complaint("wavelength_nm,a\n500,0\n530,1\n").contains("gap of 30 nm"));
        assert!(complaint("wavelength_nm,a\n0.5,0\n0.6,1\n").contains("convert the column"));
    }

    #[test]
    fn a_curve_that_stops_in_the_visible_is_refused() {
        assert!(read(&flat(400..=700)).is_ok());
        assert!(complaint(&flat(400..=650)).contains("stops at 650 nm with 100 % of its peak"));
        assert!(complaint(&flat(450..=700)).contains("begins at 450 nm"));
    }

    #[test]
    fn negative_values_beyond_noise_are_refused() {
        let text = complaint("wavelength_nm,a\n500,0\n510,1\n520,-0.2\n530,0\n");
        assert!(text.contains("line 4, column \"a\": found -0.2"), "{text}");
        assert!(read("wavelength_nm,a\n500,0\n510,1\n520,-0.005\n530,0\n").is_ok());
    }

    #[test]
    fn missing_cells_columns_and_light_are_refused() {
        assert!(complaint("wavelength_nm,a\n500,0\n510,\n").contains("line 3, column \"a\""));
        assert!(complaint("wavelength,a\n500,0\n").contains("rename \"wavelength\""));
        assert!(complaint("wavelength_nm,a\n500,0\n510,0\n").contains("no value above zero"));
        assert!(complaint("wavelength_nm\n500\n510\n").contains("no column beside"));
        assert!(complaint("wavelength_nm,a\n500,0\n").contains("found 1 wavelengths"));
    }
}
