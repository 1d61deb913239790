//! The locked groups, opened for the final test of the saved model and thresholds.

use super::judging::Judging;
use super::learning::{Groups, MeasuredLedger};
use super::{Outcome, inputs, learn};
use crate::calibration::Measurement;
use crate::evaluation::{self, ClusterBootstrap, LOCKED_FORMAT, Openings};
use crate::files::{self, Document};
use crate::season::Season;
use crate::threshold::Decision;
use crate::{Error, Result};
use serde_json::json;
use std::collections::BTreeMap;

/// Tests the saved model and thresholds on the locked groups; records the opening in `locked.json`.
///
/// # Errors
/// No locked group, a model or thresholds of another ledger than the present one.
pub fn open_locked(season: &Season) -> Result<Outcome> {
    let plan = &season.plan;
    if plan.ledger.locked.is_empty() {
        return Err(Error::input("no group is locked")
            .at(season.file())
            .key("ledger.locked")
            .remedy("name the groups to be kept for the final test, before anything is learnt from them"));
    }
    for result in ["rig.json", "model.json", "thresholds.json", "locked.json"] {
        let path = season.result(result);
        if files::is_edited(&path) {
            return Err(
                Error::input("this file was edited by hand since boneglow wrote it, and a locked group is opened once")
                    .at(path)
                    .remedy("put back the file as it was written, or where `boneglow run` makes it, call that first"),
            );
        }
    }
    let judging = Judging::read(season)?;
    let learnt_from = inputs::of_learning(season)?;
    for result in ["model.json", "thresholds.json"] {
        if inputs::is_current(season, &learnt_from, result)? != Some(true) {
            return Err(Error::input(
                "this result is out of date, and a locked group is opened once",
            )
            .at(season.result(result))
            .remedy("call `boneglow run` first"));
        }
    }
    let seen = plan
        .ledger
        .locked
        .iter()
        .find(|group| judging.model.groups().contains(group));
    if let Some(group) = seen {
        return Err(
            Error::input(format!("the model was learnt from group \"{group}\""))
                .at(season.result("model.json"))
                .remedy("call `boneglow run` first"),
        );
    }
    let ledger = MeasuredLedger::read(season)?;
    let learning = ledger.learning(season, Groups::All)?;
    let (_, locked) = evaluation::split_locked(&learning.data, &plan.ledger.locked)
        .map_err(|e| e.at(season.file()))?;
    let of_id: BTreeMap<&String, &Measurement> = learning
        .data
        .ids
        .iter()
        .zip(&learning.measurements)
        .collect();
    let measured: Vec<Measurement> = locked.ids.iter().map(|id| *of_id[id]).collect();
    let walks: Vec<bool> = judging
        .judge(&measured)
        .iter()
        .map(|judged| judged.decision == Decision::Walk)
        .collect();
    let path = season.result("locked.json");
    let earlier: Openings = match path.is_file() {
        true => Document::read(&path, LOCKED_FORMAT)?.content,
        false => Openings::default(),
    };
    let mut inputs = learnt_from;
    for result in ["model.json", "thresholds.json"] {
        let path = season.result(result);
        inputs.add(season.name_of(&path), &files::read(&path)?);
    }
    let known = earlier.openings.iter().any(|o| o.inputs == inputs);
    let bootstrap = ClusterBootstrap::of_season(&plan.classify, &plan.threshold);
    let openings = evaluation::open_locked(earlier, &walks, &locked, inputs.clone(), &bootstrap)?;
    Document::new(LOCKED_FORMAT, inputs.clone(), openings.clone())
        .of_rig(ledger.rig.calibrated)
        .write(&path)?;
    let mut outcome = Outcome::new("evaluate")
        .warn(learn::not_calibrated(&ledger.rig))
        .result(json!(openings));
    if let Some(opening) = openings.openings.iter().find(|o| o.inputs == inputs) {
        outcome = outcome.say(format!(
            "Locked: {} patches of {}, {} of them positive.",
            opening.patches,
            opening.groups.join(", "),
            opening.positives
        ));
        for (name, merit) in [
            ("recall", &opening.recall),
            ("precision", &opening.precision),
            ("false alarm rate", &opening.false_alarm_rate),
        ] {
            if let Some(merit) = merit {
                outcome = outcome.say(format!("  {name} {}", learn::with_interval(merit)));
            }
        }
        outcome = outcome
            .say(opening.sentence.clone())
            .warn(opening.warnings());
        if known {
            outcome = outcome
                .say("They had been opened on these very inputs already: this is that record.");
        }
    }
    Ok(outcome)
}
