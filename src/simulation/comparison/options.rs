//! Lasers and filters to choose between, as a table.

use crate::files::{Row, Table, nearest_known};
use crate::spectra::{Filter, NamedSpectrum, VISIBLE_NM, spectra_from_table_within};
use crate::{Error, Result};
use std::path::Path;

/// A laser with its filter, and what glows under it.
#[derive(Debug, Clone, PartialEq)]
pub struct RigOption {
    /// Its name.
    pub name: String,
    /// Wavelength of the laser in nm.
    pub laser_nm: f64,
    /// The filter before the lens.
    pub filter: Filter,
    /// Irradiance times exposure, relative to the first option's.
    pub irradiance: f64,
    /// Laser light that a white target sends back, over the emission of the brightest glow, both
    /// summed over wavelength.
    pub laser_over_glow: f64,
    /// What the classes emit under this laser.
    pub spectra: Vec<NamedSpectrum>,
}

const COLUMNS: [&str; 7] = [
    "option",
    "laser_nm",
    "cut_on_nm",
    "filter",
    "irradiance",
    "laser_over_glow",
    "spectra",
];

/// Reads a table of options; paths in it start from `folder`.
///
/// | column | meaning |
/// | --- | --- |
/// | `option` | a name |
/// | `laser_nm` | wavelength of the laser; nothing glows at or below it |
/// | `cut_on_nm` | half transmission of an ideal long-pass filter, or |
/// | `filter` | path of a curve `wavelength_nm,transmission` |
/// | `irradiance` | optional: irradiance times exposure relative to 1 |
/// | `laser_over_glow` | optional: laser light off a white target over the brightest emission, both summed over wavelength; 0 leaves the leak out |
/// | `spectra` | optional: path of a wide table of emissions under this laser; otherwise `spectra` |
///
/// # Errors
/// A column that is missing or unknown, a name that stands twice, a filter given twice or not at
/// all, numbers out of range, curves as in [`Filter::read`] and
/// [`spectra_from_table`](crate::spectra::spectra_from_table); emission is needed from the laser's
/// wavelength up. A filter that lets half of the laser's own light pass, or more.
pub fn read_options(
    table: &Table,
    folder: &Path,
    spectra: Option<&Table>,
) -> Result<Vec<RigOption>> {
    table.require(&["option", "laser_nm"])?;
    if let Some(unknown) = table
        .header()
        .iter()
        .find(|c| !COLUMNS.contains(&c.as_str()))
    {
        let near = nearest_known(unknown, COLUMNS);
        return Err(Error::input("this column is not known")
            .at(table.path())
            .line(1)
            .column(unknown)
            .remedy(match near {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("the columns are {}", COLUMNS.join(", ")),
            }));
    }
    let mut options: Vec<RigOption> = Vec::new();
    for row in table.rows() {
        let option = option(&row, folder, spectra)?;
        if options.iter().any(|o| o.name == option.name) {
            return Err(row
                .error("option", format!("\"{}\" stands twice", option.name))
                .remedy("give each option a name of its own"));
        }
        options.push(option);
    }
    if options.is_empty() {
        return Err(Error::input("found no option below the header")
            .at(table.path())
            .remedy("add one line for each laser and filter"));
    }
    Ok(options)
}

fn option(row: &Row<'_>, folder: &Path, spectra: Option<&Table>) -> Result<RigOption> {
    let laser_nm = row
        .optional_number_in("laser_nm", 200.0..=780.0, "nm")?
        .ok_or_else(|| row.error("laser_nm", "the cell is empty, expected a wavelength in nm"))?;
    let cut_on = row.optional_number_in("cut_on_nm", 200.0..=780.0, "nm")?;
    let filter = match (row.get("filter"), cut_on) {
        (Some(path), None) => Filter::read(&folder.join(path)).map_err(|e| {
            e.during(format!(
                "reading option \"{}\"",
                row.get("option").unwrap_or("")
            ))
        })?,
        (None, Some(nm)) => Filter::long_pass(nm),
        (Some(_), Some(_)) => {
            return Err(row
                .error("filter", "found both a curve and a cut-on wavelength")
                .remedy("leave one of the cells empty"));
        }
        (None, None) => {
            return Err(row
                .error("cut_on_nm", "found neither a curve nor a cut-on wavelength")
                .remedy("fill in filter or cut_on_nm"));
        }
    };
    if filter.transmission(laser_nm) >= 0.5 {
        let (column, found) = match cut_on {
            Some(nm) => ("cut_on_nm", format!("found a cut-on of {nm} nm")),
            None => ("filter", "found a filter".to_string()),
        };
        return Err(row
            .error(
                column,
                format!("{found} that lets the laser's own {laser_nm} nm pass"),
            )
            .remedy("a long-pass filter must cut on above the laser's wavelength"));
    }
    let own = match row.get("spectra") {
        Some(path) => Some(Table::read(&folder.join(path))?),
        None => None,
    };
    let Some(emission) = own.as_ref().or(spectra) else {
        return Err(row
            .error("spectra", "found no emission spectra for this option")
            .remedy("name a table of spectra in the column \"spectra\""));
    };
    let needed = (laser_nm.max(VISIBLE_NM.0), VISIBLE_NM.1);
    Ok(RigOption {
        name: row.text("option")?.to_string(),
        laser_nm,
        filter,
        irradiance: row
            .optional_number_in("irradiance", 1e-6..=1e6, "times the first")?
            .unwrap_or(1.0),
        laser_over_glow: row
            .optional_number_in("laser_over_glow", 0.0..=1e9, "times")?
            .unwrap_or(0.0),
        spectra: spectra_from_table_within(emission, needed)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Vec<RigOption>> {
        let glow = "wavelength_nm,bone,chalk\n500,0,0\n510,1,2\n520,0,0\n";
        let glow = Table::from_bytes("glow.csv", glow.as_bytes()).unwrap();
        let table = Table::from_bytes("options.csv", text.as_bytes())?;
        read_options(&table, Path::new("."), Some(&glow))
    }

    #[test]
    fn an_option_is_a_laser_with_a_filter() {
        let options = read("option,laser_nm,cut_on_nm,irradiance\nviolet,405,,\n");
        let error = options.unwrap_err().to_string();
        assert!(error.contains("line 2") && error.contains("fill in filter or cut_on_nm"));
        let options = read("option,laser_nm,cut_on_nm,irradiance\nblue,450,480,\n").unwrap();
        assert_eq!(options[0].irradiance, 1.0);
        assert_eq!(options[0].filter.transmission(480.0), 0.5);
        assert_eq!(options[0].spectra.len(), 2);
    }

    #[test]
    fn wrong_tables_of_options_are_refused() {
        for (text, expected) in [
            (
                "option,laser_nm,cut_on\na,450,480\n",
                "did you mean \"cut_on_nm\"",
            ),
            ("option,laser_nm,cut_on_nm\na,45,480\n", "200 to 780 nm"),
            (
                "option,laser_nm,cut_on_nm\na,450,480\na,405,430\n",
                "stands twice",
            ),
            ("option,laser_nm,cut_on_nm\n", "no option"),
            (
                "option,laser_nm,cut_on_nm\na,450,480\nb,450,440\n",
                "line 3, column \"cut_on_nm\": found a cut-on of 440 nm that lets the laser's own 450 nm pass",
            ),
            (
                "option,laser_nm,filter,cut_on_nm\na,450,f.csv,480\n",
                "both",
            ),
            (
                "option,laser_nm,filter\na,450,nowhere.csv\n",
                "no such file",
            ),
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.contains(expected), "{error}");
        }
    }
}
