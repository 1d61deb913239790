//! Captures of targets to `rig.json`.

use super::{Outcome, Progress, inputs};
use crate::Result;
use crate::calibration::{self, FORMAT, Rig};
use crate::files::Document;
use crate::season::Season;
use serde_json::json;

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
