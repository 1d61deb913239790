//! Captures of targets to `rig.json`; later nights to `drift.json`.

use super::{Outcome, Progress, inputs, learning};
use crate::calibration::{self, DRIFT_FORMAT, Drift, FORMAT, Rig};
use crate::files::{Document, Provenance};
use crate::season::Season;
use crate::{Error, Result};
use serde_json::json;
use std::path::PathBuf;

/// Calibrates the rig and writes `rig.json`. The answer is no where the cross-validated mean error
/// is above the season's limit.
pub fn calibrate(season: &Season, progress: &dyn Progress) -> Result<Outcome> {
    let made_from = inputs::of_calibration(season)?;
    progress.start("calibrating", 1);
    let rig = calibration::calibrate(season);
    progress.finish();
    let rig = rig?;
    Document::new(FORMAT, made_from, rig.clone()).write(&season.result("rig.json"))?;
    Ok(describe(season, &rig))
}

pub(super) fn describe(season: &Season, rig: &Rig) -> Outcome {
    let outcome = Outcome::new("calibrate")
        .warn(rig.warnings.iter().cloned())
        .result(json!({"passed": rig.passed, "calibrated": rig.calibrated, "errors": rig.errors}));
    let Some(errors) = &rig.errors else {
        return outcome.say(format!(
            "Rig \"{}\": NOT CALIBRATED, the primaries of sRGB are assumed.",
            rig.rig
        ));
    };
    let limit = season.plan.calibration.max_error_uv;
    let outcome = outcome
        .say(format!(
            "Rig \"{}\": {} targets, {} mapping; mean error in u'v' {:.4} as fitted, {:.4} at \
             targets left out (limit {limit}).",
            rig.rig,
            rig.targets.len(),
            rig.mapping.kind.name(),
            errors.mean_uv,
            errors.cross_validated_mean_uv,
        ))
        .favorable(rig.passed);
    match rig.passed {
        true => outcome,
        false => outcome.say(
            "The calibration fails its limit. Look at the targets in results/rig.json, measure \
             them again or mend the reference; `boneglow run --despite-calibration` goes on all \
             the same and says so in the report."
                .to_string(),
        ),
    }
}

/// Judges later nights' captures against `rig.json` and writes `drift.json`; without tables, those
/// that the season lists. Other nights that were judged against the same calibration stay in the
/// file. The answer is no where on one of these nights the color drifted, or the brightness changed
/// and is a feature.
pub fn drift(season: &Season, captures: &[PathBuf]) -> Result<Outcome> {
    let rig = learning::rig(season)?;
    if !rig.calibrated {
        return Err(Error::too_little(
            "the rig is not calibrated, so there is nothing to drift from",
        )
        .at(season.result("rig.json"))
        .remedy("calibrate against targets first"));
    }
    let listed = match captures.is_empty() {
        true => listed_nights(season)?,
        false => captures.to_vec(),
    };
    let mut made_from = of_drift(season, &listed)?;
    let found = calibration::drift(season, &rig, &listed)?;
    let mut kept = found.clone();
    if let Some(earlier) = earlier_nights(season) {
        kept = found.clone().beside(earlier.content);
        let mut all = earlier.made_from;
        all.merge(&made_from);
        made_from = all;
    }
    Document::new(DRIFT_FORMAT, made_from, kept).write(&season.result("drift.json"))?;
    let brightness_matters = season
        .plan
        .classify
        .features
        .iter()
        .any(|feature| feature == "log_luminance");
    let changed = found.drifted() || (brightness_matters && found.brightness_changed());
    let mut outcome = Outcome::new("drift")
        .warn(found.warnings.iter().cloned())
        .favorable(!changed)
        .result(
            json!({"drifted": found.drifted(), "brightness_changed": found.brightness_changed()}),
        );
    for night in &found.nights {
        outcome = outcome.say(format!(
            "Night {}: {} (p = {:.4}).",
            night.night,
            night.cause.trim_end_matches('.'),
            night.p_value
        ));
    }
    Ok(outcome)
}

/// Whether `drift.json` holds all nights that the season lists, as they and the calibration are now.
pub(super) fn drift_is_up_to_date(season: &Season) -> Result<bool> {
    let Some(earlier) = earlier_nights(season) else {
        return Ok(false);
    };
    let wanted = of_drift(season, &listed_nights(season)?)?;
    let made_from: Vec<(&str, &str)> = earlier.made_from.entries().collect();
    Ok(wanted.entries().all(|entry| made_from.contains(&entry)))
}

fn of_drift(season: &Season, tables: &[PathBuf]) -> Result<Provenance> {
    let mut made_from = inputs::Inputs::of(season).file(&season.result("rig.json"))?;
    for path in tables {
        made_from = made_from.table(path)?;
    }
    Ok(made_from.done())
}

fn listed_nights(season: &Season) -> Result<Vec<PathBuf>> {
    let nights = &season.plan.calibration.nights;
    if nights.is_empty() {
        return Err(Error::input("no night's captures are named")
            .at(season.file())
            .key("calibration.nights")
            .remedy("name a table: `boneglow drift CAPTURES.csv`, or list them under this key"));
    }
    season.matching(nights, "calibration.nights")
}

/// `drift.json` if it is of this version and of the calibration as it is now.
fn earlier_nights(season: &Season) -> Option<Document<Drift>> {
    let found: Document<Drift> = Document::read(&season.result("drift.json"), DRIFT_FORMAT).ok()?;
    let rig = inputs::Inputs::of(season)
        .file(&season.result("rig.json"))
        .ok()?
        .done();
    let made_from: Vec<(&str, &str)> = found.made_from.entries().collect();
    let same = rig.entries().all(|entry| made_from.contains(&entry));
    let now = Document::new(DRIFT_FORMAT, Provenance::default(), ());
    (same && found.made_by == now.made_by).then_some(found)
}
