//! All the steps that are out of date, in order.

use super::inputs::{self, is_up_to_date};
use super::{Outcome, Progress, calibrate, learn, report, score};
use crate::Result;
use crate::season::Season;

/// Does what is out of date and tells of each step; gives the last outcome.
///
/// A calibration that fails its limit ends the run unless `despite_calibration`.
pub fn run(
    season: &Season,
    despite_calibration: bool,
    progress: &dyn Progress,
    told: &mut dyn FnMut(&Outcome),
) -> Result<Outcome> {
    let mut tell = |outcome: Outcome| {
        told(&outcome);
        outcome
    };
    let up_to_date = |step: &'static str| {
        Outcome::new(step).say(format!(
            "{}{}: up to date.",
            step[..1].to_uppercase(),
            &step[1..]
        ))
    };

    let rig_inputs = inputs::of_calibration(season)?;
    let calibrated = match is_up_to_date(&season.result("rig.json"), &rig_inputs) {
        true => {
            let known = calibrate::describe(season, &super::learning::rig(season)?);
            known.say("Calibrate: up to date.")
        }
        false => calibrate::calibrate(season, progress)?,
    };
    let calibrated = tell(calibrated);
    if !calibrated.favorable && !despite_calibration {
        return Ok(calibrated);
    }
    if !season.plan.calibration.nights.is_empty() {
        match calibrate::drift_is_up_to_date(season)? {
            true => tell(up_to_date("drift")),
            false => tell(calibrate::drift(season, &[])?),
        };
    }

    let learning = inputs::of_learning(season)?;
    let fresh = |name: &str, after: Option<&str>| -> Result<bool> {
        let path = season.result(name);
        let wanted = match after {
            Some(earlier) if !season.result(earlier).is_file() => return Ok(false),
            Some(earlier) => inputs::with_result(season, learning.clone(), earlier)?,
            None => learning.clone(),
        };
        Ok(is_up_to_date(&path, &wanted))
    };
    let mut predictions = None;
    match fresh("evaluation.json", None)? && season.result("predictions.csv").is_file() {
        true => tell(up_to_date("evaluate")),
        false => {
            let (outcome, evaluated) = learn::evaluated(season, progress)?;
            predictions = Some(evaluated);
            tell(outcome)
        }
    };
    match fresh("model.json", Some("evaluation.json"))? {
        true => tell(up_to_date("train")),
        false => tell(learn::train(season, progress)?),
    };
    match fresh("thresholds.json", Some("model.json"))? {
        true => tell(up_to_date("threshold")),
        false => tell(match &predictions {
            Some(evaluated) => learn::threshold_from(season, evaluated)?,
            None => learn::threshold(season, progress)?,
        }),
    };
    if !season.plan.strips.files.is_empty() {
        match score::is_up_to_date(season)? {
            true => tell(up_to_date("score")),
            false => tell(score::score(season, &[], progress)?),
        };
    }
    Ok(tell(report::report(season, progress)?))
}
