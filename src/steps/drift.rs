//! Later nights' captures of targets to `drift.json`.

use super::learning::MeasuredLedger;
use super::{Outcome, inputs, learning};
use crate::calibration::{self, DRIFT_FORMAT, Drift, DriftNight};
use crate::files::{self, Document, Provenance};
use crate::ledger::Patch;
use crate::report::{
    calibration_nights, learnt_from_drifted, measured_when_drifted, strips_of_nights,
};
use crate::season::Season;
use crate::strip::StripResult;
use crate::{Error, Result};
use serde_json::json;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Judges later nights' captures against `rig.json` and writes `drift.json`; without tables, those
/// that the season lists. Other nights that were judged against the same calibration stay in the
/// file. The answer is no where on one of these nights the color drifted, or the brightness changed
/// and is a feature.
pub fn drift(season: &Season, captures: &[PathBuf]) -> Result<Outcome> {
    let edited = inputs::edited(season, &["rig.json", "drift.json"]);
    let (found, _) = judge(season, captures)?;
    Ok(describe(season, &found).warn(edited))
}

/// What `run` has to tell of drift.
pub(super) struct Known {
    pub outcome: Outcome,
    /// Nights on record on which the rig was not what was calibrated.
    pub changed: Vec<String>,
}

/// As [`drift`] of the nights that the season lists, judged anew only where they are out of date;
/// the answer is on all nights in `drift.json`.
pub(super) fn of_season(season: &Season) -> Result<Known> {
    let (all, outcome) = match up_to_date(season)? {
        Some(all) => {
            let outcome = describe(season, &all).say("Drift: up to date.");
            (all, outcome)
        }
        None => {
            let (found, all) = judge(season, &[])?;
            (all, describe(season, &found))
        }
    };
    let changed = all.nights.iter().filter(|night| matters(season, night));
    Ok(Known {
        outcome,
        changed: changed.map(|night| night.night.clone()).collect(),
    })
}

/// The nights that were asked for, and all that `drift.json` holds now.
fn judge(season: &Season, captures: &[PathBuf]) -> Result<(Drift, Drift)> {
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
    let mut all = found.clone();
    if let Some(earlier) = earlier_nights(season) {
        all = all.beside(earlier.content);
        let mut before = earlier.made_from;
        before.merge(&made_from);
        made_from = before;
    }
    Document::new(DRIFT_FORMAT, made_from, all.clone()).write(&season.result("drift.json"))?;
    Ok((found, all))
}

/// Whether what changed on a night changes what the classifiers see.
fn matters(season: &Season, night: &DriftNight) -> bool {
    night.is_seen_by(&season.plan.classify.features)
}

/// What to know of patches that were learnt from although the rig had drifted on their night.
pub(super) fn of_patches(season: &Season, ledger: &MeasuredLedger) -> Option<String> {
    let known = earlier_nights(season)?.content;
    learnt_from_drifted(&known, &season.plan, &ledger.nights(season))
}

/// What to know of patches of a table that were recorded when the rig had drifted.
pub(super) fn of_table(season: &Season, patches: &[Patch]) -> Option<String> {
    let known = earlier_nights(season)?.content;
    let mut nights: BTreeMap<String, usize> = BTreeMap::new();
    for night in patches.iter().filter_map(|patch| patch.night.clone()) {
        *nights.entry(night).or_default() += 1;
    }
    measured_when_drifted(&known, &season.plan, &nights, patches.len())
}

/// What to know of strips by the nights on which they were recorded; nothing where no rig was calibrated
/// to change.
pub(super) fn of_strips(season: &Season, strips: &[StripResult]) -> Vec<String> {
    if strips.iter().any(|strip| !strip.calibrated) {
        return Vec::new();
    }
    let nights: Vec<_> = strips
        .iter()
        .map(|s| (s.strip.as_str(), s.night.as_deref()))
        .collect();
    let known = earlier_nights(season).map(|found| found.content);
    strips_of_nights(
        &nights,
        known.as_ref(),
        &season.plan,
        &calibration_nights(season),
    )
}

fn describe(season: &Season, found: &Drift) -> Outcome {
    let limit = season.plan.calibration.drift_limit_uv();
    let mut outcome = Outcome::new("drift")
        .warn(found.warnings.iter().cloned())
        .favorable(!found.nights.iter().any(|night| matters(season, night)))
        .result(json!({
            "drifted": found.drifted(),
            "brightness_changed": found.brightness_changed(),
            "beyond_limit": found.nights.iter().any(|night| night.beyond(limit)),
        }));
    for night in &found.nights {
        let p_value = match night.p_value < 0.0001 {
            true => "p below 0.0001".to_string(),
            false => format!("p = {:.4}", night.p_value),
        };
        outcome = outcome.say(format!(
            "Night {}: {} (color: {p_value}{}).",
            night.night,
            night.cause.trim_end_matches('.'),
            moved(season, night)
        ));
    }
    outcome
}

/// How far the targets moved, beside what the season allows where that is a drift.
fn moved(season: &Season, night: &DriftNight) -> String {
    let Some(mean) = night.mean_shift_uv() else {
        return String::new();
    };
    let limit = season.plan.calibration.drift_limit_uv();
    let left_out = season.plan.ledger.leaves_out(&night.night);
    let verdict = match (night.drifted, night.beyond(limit)) {
        (false, _) => String::new(),
        (true, false) => format!(", within the season's limit of {limit}"),
        (true, true) if left_out => {
            format!(", beyond the season's limit of {limit}; the ledger leaves this night out")
        }
        (true, true) => format!(", beyond the season's limit of {limit}: calibrate anew"),
    };
    format!("; mean shift in u'v' {mean:.4}{verdict}")
}

/// `drift.json` if it holds all nights that the season lists, as they and the calibration are now.
fn up_to_date(season: &Season) -> Result<Option<Drift>> {
    let Some(earlier) = earlier_nights(season) else {
        return Ok(None);
    };
    let wanted = of_drift(season, &listed_nights(season)?)?;
    let made_from: Vec<(&str, &str)> = earlier.made_from.entries().collect();
    let same = wanted.entries().all(|entry| made_from.contains(&entry));
    Ok(same.then_some(earlier.content))
}

fn of_drift(season: &Season, tables: &[PathBuf]) -> Result<Provenance> {
    let mut made_from = inputs::Inputs::of(season).file(&season.result("rig.json"))?;
    let reference = season.plan.calibration.reference.as_ref();
    let reference = reference.map(|path| ("calibration.reference", path));
    // What tells a changed filter from other causes.
    for (key, curve) in reference.into_iter().chain(inputs::curves(season)) {
        let found = made_from.file(&season.resolve(curve));
        made_from = found.map_err(|e| e.named_by(key))?;
    }
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

/// `drift.json` if it is of this version, of the calibration as it is now, and not edited.
fn earlier_nights(season: &Season) -> Option<Document<Drift>> {
    let path = season.result("drift.json");
    if files::is_edited(&path) {
        return None;
    }
    let found: Document<Drift> = Document::read(&path, DRIFT_FORMAT).ok()?;
    let rig = inputs::Inputs::of(season)
        .file(&season.result("rig.json"))
        .ok()?
        .done();
    let made_from: Vec<(&str, &str)> = found.made_from.entries().collect();
    let same = rig.entries().all(|entry| made_from.contains(&entry));
    let now = Document::new(DRIFT_FORMAT, Provenance::default(), ());
    (same && found.made_by == now.made_by).then_some(found)
}
