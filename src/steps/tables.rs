//! Tables in, tables out: colors of patches, decisions on patches, colors of spectra.

use super::judging::Judging;
use super::marking::{NOT_CALIBRATED, marked};
use super::{Outcome, drift, inputs, learning};
use crate::Result;
use crate::calibration::Measurement;
use crate::colorimetry::{Observer, Xy, chromaticity_csv, describe};
use crate::files::{self, Table};
use crate::ledger::{Recordings, oddities, read_table};
use crate::numeric::{at_most_digits, decimal};
use crate::season::Season;
use crate::spectra::spectra_from_table;
use crate::threshold::Decision;
use serde_json::json;

/// The columns that `measure` adds.
const COLORS: [&str; 9] = [
    "u",
    "v",
    "log_luminance",
    "u_sd",
    "v_sd",
    "uv_covariance",
    "log_luminance_sd",
    "too_faint",
    "clipped",
];

/// The rows of a table with more columns; a column of the same name is replaced.
pub(super) fn with_columns(table: &Table, names: &[String], cells: &[Vec<String>]) -> Vec<u8> {
    let kept = table.header().iter().filter(|h| !names.contains(h));
    let kept: Vec<&str> = kept.map(String::as_str).collect();
    let header = kept.iter().copied().chain(names.iter().map(String::as_str));
    let rows = table.rows().zip(cells).map(|(row, added)| {
        let own = kept.iter().map(|h| row.get(h).unwrap_or("").to_string());
        own.chain(added.iter().cloned()).collect::<Vec<_>>()
    });
    files::to_csv(header, rows)
}

fn color_cells(measurement: &Measurement) -> Vec<String> {
    let mut cells = match &measurement.color {
        Some(color) => {
            let sd = color.sd();
            vec![
                decimal(color.u, 6),
                decimal(color.v, 6),
                decimal(color.log_luminance, 5),
                format!("{:.6}", sd[0]),
                format!("{:.6}", sd[1]),
                decimal(color.covariance[0][1], 10),
                format!("{:.5}", sd[2]),
            ]
        }
        None => vec![String::new(); 7],
    };
    cells.push(measurement.too_faint.to_string());
    cells.push(decimal(measurement.clipped, 4));
    cells
}

/// Colors of a table's patches, in order.
struct Measured {
    colors: Vec<Measurement>,
    calibrated: bool,
    warnings: Vec<String>,
}

fn measured(season: &Season, table: &Table) -> Result<Measured> {
    let rig = learning::rig(season)?;
    let mut recordings = Recordings::new(season, &rig.response)?;
    let patches = read_table(table, &season.plan.ledger.group, &mut recordings)?;
    let colors = learning::measure(&rig, &patches);
    let mut warnings = oddities(&patches, &colors, &rig);
    warnings.extend(drift::of_table(season, &patches));
    warnings.extend(rig.unscreened());
    if !rig.calibrated {
        warnings.insert(0, NOT_CALIBRATED.to_string());
    }
    Ok(Measured {
        colors,
        calibrated: rig.calibrated,
        warnings,
    })
}

/// The table with calibrated color, its standard uncertainty, `too_faint` and the share of `clipped` pixels added.
pub fn measure(season: &Season, table: &Table) -> Result<(Vec<u8>, Outcome)> {
    let measured = measured(season, table)?;
    let cells: Vec<Vec<String>> = measured.colors.iter().map(color_cells).collect();
    let csv = with_columns(table, &COLORS.map(String::from), &cells);
    let csv = marked(csv, measured.calibrated)?;
    let faint = measured.colors.iter().filter(|m| m.too_faint).count();
    let clipped = measured.colors.iter().filter(|m| m.is_clipped()).count();
    let outcome = Outcome::new("measure")
        .say(format!(
            "Measured {} patches, {faint} of them too faint.",
            cells.len()
        ))
        .warn(inputs::edited(season, &["rig.json"]))
        .warn(measured.warnings)
        .result(json!({"patches": cells.len(), "too_faint": faint, "clipped": clipped}));
    Ok((csv, outcome))
}

/// The table with colors, class probabilities at the field's prevalence and decisions added.
pub fn classify(season: &Season, table: &Table) -> Result<(Vec<u8>, Outcome)> {
    let measured = measured(season, table)?;
    let judging = Judging::read(season)?;
    let judged = judging.judge(&measured.colors);
    let classes = judging.model.classes();
    let mut names: Vec<String> = COLORS.map(String::from).to_vec();
    names.extend(classes.iter().map(|class| format!("p_{class}")));
    names.extend(["p_positive", "novel", "decision"].map(String::from));
    let cells: Vec<Vec<String>> = measured
        .colors
        .iter()
        .zip(&judged)
        .map(|(measurement, judged)| {
            let mut cells = color_cells(measurement);
            match &judged.probabilities {
                Some(all) => {
                    cells.extend(all.iter().map(|p| at_most_digits(*p, 6)));
                    cells.push(at_most_digits(judged.p_positive, 6));
                }
                None => cells.extend(vec![String::new(); classes.len() + 1]),
            }
            cells.push(judged.novel.to_string());
            cells.push(judged.decision.name().to_string());
            cells
        })
        .collect();
    let walks = judged.iter().filter(|j| j.decision == Decision::Walk);
    let walks = walks.count();
    let csv = marked(with_columns(table, &names, &cells), measured.calibrated)?;
    let outcome = Outcome::new("classify")
        .say(format!(
            "Classified {} patches: {walks} are worth a walk.",
            cells.len()
        ))
        .warn(inputs::judging_out_of_date(season))
        .warn(measured.warnings)
        .result(json!({"patches": cells.len(), "walks": walks}));
    Ok((csv, outcome))
}

/// X, Y, Z, x, y, u', v', dominant wavelength and purity of each column of a table of spectra.
pub fn chromaticity(table: &Table, ten_degree: bool) -> Result<(Vec<u8>, Outcome)> {
    let observer = if ten_degree {
        Observer::Cie1964
    } else {
        Observer::Cie1931
    };
    let spectra = spectra_from_table(table)?;
    let colors = describe(&spectra, observer, Xy::EQUAL_ENERGY, None)?;
    let outcome = Outcome::new("chromaticity")
        .say(format!(
            "{} spectra, hue against equal-energy white.",
            colors.len()
        ))
        .result(json!({"spectra": colors.len()}));
    Ok((chromaticity_csv(&colors), outcome))
}
