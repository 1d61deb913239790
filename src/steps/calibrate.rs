//! Captures of targets to `rig.json`; later nights to `drift.json`.

use super::{Outcome, Progress, inputs, learning};
use crate::calibration::{self, DRIFT_FORMAT, FORMAT, Rig};
use crate::files::Document;
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

/// Judges later nights' captures against `rig.json` and writes `drift.json`. The answer is no where
/// the color drifted, or the brightness changed and is a feature.
pub fn drift(season: &Season, captures: &[PathBuf]) -> Result<Outcome> {
    let rig = learning::rig(season)?;
    if !rig.calibrated {
        return Err(Error::too_little(
            "the rig is not calibrated, so there is nothing to drift from",
        )
        .at(season.result("rig.json"))
        .remedy("calibrate against targets first"));
    }
    let mut made_from = inputs::Inputs::of(season).file(&season.result("rig.json"))?;
    for path in captures {
        made_from = made_from.table(path)?;
    }
    let found = calibration::drift(season, &rig, captures)?;
    Document::new(DRIFT_FORMAT, made_from.done(), found.clone())
        .write(&season.result("drift.json"))?;
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
