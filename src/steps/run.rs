//! All the steps that are out of date, in order.

use super::inputs::{self, is_up_to_date};
use super::learning::MeasuredLedger;
use super::{Outcome, Progress, calibrate, drift, learn, report, score};
use crate::Result;
use crate::season::Season;
use serde_json::json;
use std::cell::OnceCell;

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RunEnd {
    /// All is done, and no answer is no.
    Done,
    /// The calibration is over its limit, and nothing after it was done.
    CalibrationFailed,
    /// All is done, and on a night that the ledger does not leave out the rig was not what was calibrated.
    Drifted,
}

/// The results that a run makes anew where they are out of date or edited.
const MADE_BY_RUN: [&str; 5] = [
    "rig.json",
    "drift.json",
    "evaluation.json",
    "model.json",
    "thresholds.json",
];

/// Does what is out of date and tells of each step.
///
/// A calibration that fails its limit ends the run unless `despite_calibration`. A drift does not
/// end it: it is told of in its place and again at the end.
pub fn run(
    season: &Season,
    despite_calibration: bool,
    progress: &dyn Progress,
    told: &mut dyn FnMut(&Outcome),
) -> Result<RunEnd> {
    let mut tell = |outcome: Outcome| told(&outcome);
    let up_to_date = |step: &'static str| {
        Outcome::new(step).say(format!(
            "{}{}: up to date.",
            step[..1].to_uppercase(),
            &step[1..]
        ))
    };

    let edited = inputs::edited(season, &MADE_BY_RUN);
    if !edited.is_empty() {
        tell(Outcome::new("run").warn(edited));
    }
    let rig_inputs = inputs::of_calibration(season)?;
    let calibrated = match is_up_to_date(&season.result("rig.json"), &rig_inputs) {
        true => {
            let known = calibrate::describe(season, &super::learning::rig(season)?);
            known.say("Calibrate: up to date.")
        }
        false => calibrate::calibrate(season, progress)?,
    };
    let passed = calibrated.favorable;
    tell(calibrated);
    if !passed && !despite_calibration {
        return Ok(RunEnd::CalibrationFailed);
    }
    let mut changed_nights = Vec::new();
    if !season.plan.calibration.nights.is_empty() {
        let known = drift::of_season(season)?;
        tell(known.outcome);
        changed_nights = known.changed;
    }

    let learning = inputs::of_learning(season)?;
    let fresh = |name: &str| -> Result<bool> {
        Ok(inputs::is_current(season, &learning, name)? == Some(true))
    };
    let ledger = OnceCell::new();
    let mut predictions = None;
    match fresh("evaluation.json")? && season.result("predictions.csv").is_file() {
        true => tell(up_to_date("evaluate")),
        false => {
            let (outcome, evaluated) = learn::evaluated(season, once(&ledger, season)?, progress)?;
            predictions = Some(evaluated);
            tell(outcome);
        }
    };
    match fresh("model.json")? {
        true => tell(up_to_date("train")),
        false => tell(learn::trained(season, once(&ledger, season)?, progress)?),
    };
    match fresh("thresholds.json")? {
        true => tell(up_to_date("threshold")),
        false => tell(learn::recommended(
            season,
            once(&ledger, season)?,
            predictions.as_ref(),
            progress,
        )?),
    };
    if !season.plan.strips.files.is_empty() {
        match score::is_up_to_date(season)? {
            true => {
                let strips = score::scored_earlier(season)?;
                tell(up_to_date("score").warn(drift::of_strips(season, &strips)));
            }
            false => tell(score::scored(season, &[], progress)?),
        };
    }
    tell(report::report(season, progress)?);
    let (left_out, used): (Vec<String>, Vec<String>) = changed_nights
        .into_iter()
        .partition(|night| season.plan.ledger.leaves_out(night));
    if !left_out.is_empty() {
        tell(drifted_and_left_out(&left_out));
    }
    if used.is_empty() {
        return Ok(RunEnd::Done);
    }
    tell(drifted(&used));
    Ok(RunEnd::Drifted)
}

/// The ledger, read and measured when it is first needed.
fn once<'a>(ledger: &'a OnceCell<MeasuredLedger>, season: &Season) -> Result<&'a MeasuredLedger> {
    if let Some(known) = ledger.get() {
        return Ok(known);
    }
    let read = MeasuredLedger::read(season)?;
    Ok(ledger.get_or_init(|| read))
}

/// The last word on nights whose drift does no harm to what was learnt.
fn drifted_and_left_out(nights: &[String]) -> Outcome {
    Outcome::new("run")
        .say(format!(
            "The rig was not what was calibrated on {}; ledger.leave_out_nights leaves out what was recorded then, and \
             nothing was learnt from it.",
            nights.join(", ")
        ))
        .result(json!({"left_out_nights": nights}))
}

/// The last word on nights whose drift was told of in its place.
fn drifted(nights: &[String]) -> Outcome {
    Outcome::new("run")
        .favorable(false)
        .say(format!(
            "DRIFT: the rig was not what was calibrated on {} of the nights in results/drift.json ({}). What was \
             recorded on such a night is measured wrongly by as much: calibrate anew for it, or name it in \
             ledger.leave_out_nights.",
            nights.len(),
            nights.join(", ")
        ))
        .result(json!({"drifted_nights": nights}))
}
