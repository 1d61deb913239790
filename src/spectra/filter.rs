//! Transmission of a filter.

use super::{Spectrum, read};
use crate::files::Table;
use crate::{Error, Result};
use std::path::Path;

/// Transmission above this is a mistake in scale and not of measurement.
const LARGEST: f64 = 1.02;
/// A curve that begins or stops in the visible range must have settled to this at its end.
const SETTLED: f64 = 0.02;

/// The share of light that a filter passes, 0 to 1, by wavelength; its end values continue.
#[derive(Debug, Clone, PartialEq)]
pub struct Filter(Spectrum);

impl Filter {
    /// Reads `wavelength_nm,transmission`; errors as [`Filter::from_table`].
    pub fn read(path: &Path) -> Result<Self> {
        Self::from_table(&Table::read(path)?)
    }

    /// The filter of a table `wavelength_nm,transmission`, transmission as a share of 1.
    ///
    /// It is an error, with line and column, if wavelengths are not ascending or further apart
    /// than 20 nm, if a transmission is outside 0 to 1 by more than 0.02 (a curve in per cent, for
    /// one), or if the curve stops inside 400 to 700 nm where it neither blocks nor is level.
    ///
    /// ```
    /// use boneglow::{files::Table, spectra::Filter};
    /// let text = b"wavelength_nm,transmission\n470,0\n480,0.5\n490,0.9\n500,0.9\n";
    /// let filter = Filter::from_table(&Table::from_bytes("filter.csv", text)?)?;
    /// assert_eq!(filter.transmission(475.0), 0.25);
    /// assert_eq!(filter.transmission(650.0), 0.9);
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn from_table(table: &Table) -> Result<Self> {
        let wavelengths = read::wavelengths(table)?;
        table.require(&["transmission"])?;
        let mut values = Vec::with_capacity(table.len());
        for row in table.rows() {
            let value = row.number("transmission")?;
            if !(1.0 - LARGEST..=LARGEST).contains(&value) {
                let error = row.error(
                    "transmission",
                    format!("found {value}, expected a share from 0 to 1"),
                );
                return Err(if value > 1.0 {
                    error.remedy("divide the column by 100 if it is in per cent")
                } else {
                    error.remedy("subtract the dark measurement anew")
                });
            }
            values.push(value.clamp(0.0, 1.0));
        }
        let ends = [
            (wavelengths[0] > read::VISIBLE_NM.0, 0, 1, "begins"),
            (
                wavelengths[values.len() - 1] < read::VISIBLE_NM.1,
                values.len() - 1,
                values.len() - 2,
                "stops",
            ),
        ];
        for (inside, end, next, verb) in ends {
            let level = (values[end] - values[next]).abs() <= SETTLED;
            if inside && values[end] > SETTLED && !level {
                return Err(Error::input(format!(
                    "the curve {verb} at {} nm on a slope, expected 400 to 700 nm or an end that is level",
                    wavelengths[end]
                ))
                .at(table.path())
                .column("transmission")
                .remedy("add rows until the curve is level"));
            }
        }
        let curve = Spectrum::new(wavelengths, values).map_err(|e| e.at(table.path()))?;
        Ok(Filter(curve))
    }

    /// A filter from transmissions, kept as they are; errors as [`Spectrum::new`], and where a
    /// transmission is outside 0 to 1.
    pub fn new(curve: Spectrum) -> Result<Self> {
        match curve.values().iter().find(|v| !(0.0..=1.0).contains(*v)) {
            Some(bad) => Err(Error::input(format!(
                "found a transmission of {bad}, expected a share from 0 to 1"
            ))),
            None => Ok(Filter(curve)),
        }
    }

    /// An ideal long-pass filter: nothing below, everything above, half at `cut_on_nm`, with an
    /// edge 1 nm wide (the step of the color-matching tables).
    ///
    /// ```
    /// let filter = boneglow::spectra::Filter::long_pass(480.0);
    /// assert_eq!([479.0, 480.0, 481.0].map(|nm| filter.transmission(nm)), [0.0, 0.5, 1.0]);
    /// ```
    pub fn long_pass(cut_on_nm: f64) -> Self {
        Filter(Spectrum::sampled(cut_on_nm - 0.5, 1.0, 2, |nm| {
            if nm < cut_on_nm { 0.0 } else { 1.0 }
        }))
    }

    /// The largest share that it passes at any wavelength.
    ///
    /// ```
    /// assert_eq!(boneglow::spectra::Filter::long_pass(480.0).peak(), 1.0);
    /// ```
    pub fn peak(&self) -> f64 {
        self.0.values().iter().copied().fold(0.0, f64::max)
    }

    /// The same filter with its curve moved to longer wavelengths by `nm`.
    ///
    /// ```
    /// let filter = boneglow::spectra::Filter::long_pass(480.0).shifted(5.0);
    /// assert_eq!([484.0, 485.0, 486.0].map(|nm| filter.transmission(nm)), [0.0, 0.5, 1.0]);
    /// ```
    pub fn shifted(&self, nm: f64) -> Self {
        Filter(self.0.shifted(nm))
    }

    /// No filter: everything passes.
    pub fn none() -> Self {
        Filter(Spectrum::sampled(100.0, 2900.0, 2, |_| 1.0))
    }

    /// The share that passes at a wavelength in nm, 0 to 1.
    pub fn transmission(&self, nm: f64) -> f64 {
        let (first, last) = self.0.range_nm();
        self.0.value_at(nm.clamp(first, last))
    }

    /// The curve itself.
    pub fn curve(&self) -> &Spectrum {
        &self.0
    }

    /// The wavelengths in nm where the curve bends.
    pub fn wavelengths(&self) -> &[f64] {
        self.0.wavelengths()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Filter> {
        Filter::from_table(&Table::from_bytes("filter.csv", text.as_bytes())?)
    }

    #[test]
    fn per_cent_is_recognized() {
        let text = "wavelength_nm,transmission\n470,0\n480,50\n490,95\n";
        let error = read(text).unwrap_err().to_string();
        assert!(
            error.starts_with("filter.csv, line 3, column \"transmission\": found 50"),
            "{error}"
        );
        assert!(error.contains("per cent"), "{error}");
    }

    #[test]
    fn a_curve_that_stops_on_its_edge_is_refused() {
        let text = "wavelength_nm,transmission\n470,0\n480,0.5\n490,0.7\n";
        let error = read(text).unwrap_err().to_string();
        assert!(error.contains("stops at 490 nm on a slope"), "{error}");
        let negative = "wavelength_nm,transmission\n470,-0.1\n480,0.5\n";
        assert!(read(negative).unwrap_err().to_string().contains("dark"));
    }
}
