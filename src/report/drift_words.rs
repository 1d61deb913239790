//! Whether a drift of color matters: how far the targets moved, beside what the rig promises.

use super::Sources;
use super::figures::Span;
use super::numbers::{fixed, stated};
use crate::calibration::{Drift, DriftNight, Rig};
use crate::season::Plan;
use std::collections::{BTreeMap, BTreeSet};

/// Mean and largest distance in u'v' that a night's targets moved; absent without targets.
pub(super) fn moved(night: &DriftNight) -> Option<[f64; 2]> {
    let largest = night.targets.iter().map(|t| t.shift_uv).fold(0.0, f64::max);
    Some([night.mean_shift_uv()?, largest])
}

/// Standard uncertainty of a target's color as a distance in u'v', root mean square over the targets.
pub(super) fn standard_uncertainty(rig: &Rig) -> Option<f64> {
    let variances = rig
        .targets
        .iter()
        .map(|t| t.covariance[0][0] + t.covariance[1][1]);
    let mean = variances.sum::<f64>() / rig.targets.len() as f64;
    (!rig.targets.is_empty()).then(|| mean.max(0.0).sqrt())
}

/// How far a night's targets moved; where that is a drift, beside the rig's own uncertainty and the
/// mean shift that the season allows. A sentence without its stop.
pub(super) fn size_of_shift(night: &DriftNight, rig: Option<&Rig>, allowed: f64) -> Option<String> {
    let [mean, largest] = moved(night)?;
    let told = format!(
        "the targets moved by {} in u'v' on average (largest {})",
        fixed(mean, 4),
        fixed(largest, 4)
    );
    if !night.drifted {
        return Some(told);
    }
    let own = rig.and_then(standard_uncertainty);
    let beside = own.map_or(String::new(), |u| {
        format!(
            "the standard uncertainty of a target's color is {} and ",
            fixed(u, 4)
        )
    });
    let verdict = match (night.beyond(allowed), own.is_some_and(|u| mean > u)) {
        (true, _) => {
            "that is too far to use what was recorded that night without a new calibration"
        }
        (false, true) => {
            "that is within the limit, but more than the uncertainty stated with a color"
        }
        (false, false) => "that is small, though more than chance",
    };
    Some(format!(
        "{told}, where {beside}the season allows a mean shift of {}; {verdict}",
        fixed(allowed, 4)
    ))
}

/// What to mind of a night on which the rig was not what was calibrated.
pub(super) fn warnings(night: &DriftNight, rig: Option<&Rig>, plan: &Plan) -> Vec<String> {
    if plan.ledger.leaves_out(&night.night) {
        let seen = night.is_seen_by(&plan.classify.features);
        let told = format!(
            "On {} the rig was not what was calibrated; the ledger leaves this night out, so that nothing was learnt from it",
            night.night
        );
        return seen.then_some(told).into_iter().collect();
    }
    let mut told = Vec::new();
    let size = size_of_shift(night, rig, plan.calibration.drift_limit_uv());
    if let (true, Some(size)) = (night.drifted, size) {
        told.push(format!("On {} color had drifted: {size}", night.night));
    }
    let features = &plan.classify.features;
    let is_feature = features.iter().any(|f| f == "log_luminance");
    if let (true, true, Some(bright)) = (is_feature, night.brightness_changed, night.brightness) {
        told.push(format!(
            "On {} brightness was {} times that at calibration, and classifiers learn from luminance",
            night.night,
            stated(Span::new(bright.value, bright.low, bright.high))
        ));
    }
    told
}

/// Nights of the ledger of which no captures of targets are on record, neither the calibration's nor
/// later ones.
pub(super) fn untested(sources: &Sources) -> Vec<&str> {
    let calibrated = sources.rig.as_ref().is_some_and(|rig| rig.calibrated);
    let awaited = sources.drift.is_none() && !sources.plan.calibration.nights.is_empty();
    if !calibrated || awaited {
        return Vec::new();
    }
    let judged = sources.drift.iter().flat_map(|d| &d.nights);
    let judged: Vec<&str> = judged.map(|n| n.night.as_str()).collect();
    let nights = sources.ledger.iter().flat_map(|l| l.nights.keys());
    nights
        .map(String::as_str)
        .filter(|night| !judged.contains(night) && !sources.calibration_nights.contains(*night))
        .collect()
}

/// As [`untested`], in a sentence without its stop.
pub(super) fn untested_nights(sources: &Sources) -> Option<String> {
    let nights = untested(sources);
    (!nights.is_empty()).then(|| {
        format!(
            "Nights without captures of targets, so not tested for drift: {}",
            nights.join(", ")
        )
    })
}

/// What is known of the rig on the night of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RigThen {
    /// It was what was calibrated.
    Same,
    /// It was not.
    Changed,
    /// No captures of targets of that night were judged.
    Untested,
    /// Nobody wrote down which night it was.
    NightUnknown,
}

/// What is known of the rig on a night; `calibrated_on` are the nights of the calibration's captures.
pub(super) fn rig_then(
    night: Option<&str>,
    drift: Option<&Drift>,
    plan: &Plan,
    calibrated_on: &BTreeSet<String>,
) -> RigThen {
    let Some(night) = night else {
        return RigThen::NightUnknown;
    };
    let judged = drift.and_then(|d| d.nights.iter().find(|n| n.night == night));
    match judged {
        Some(judged) if judged.is_seen_by(&plan.classify.features) => RigThen::Changed,
        None if !calibrated_on.contains(night) => RigThen::Untested,
        _ => RigThen::Same,
    }
}

/// What to know of strips, each with the night of its recording, that were not certainly recorded by the
/// rig that was calibrated: a sentence for each night, and one for all whose night is not known.
pub fn strips_of_nights(
    strips: &[(&str, Option<&str>)],
    drift: Option<&Drift>,
    plan: &Plan,
    calibrated_on: &BTreeSet<String>,
) -> Vec<String> {
    let mut nights: BTreeMap<Option<&str>, Vec<&str>> = BTreeMap::new();
    for (strip, night) in strips {
        nights.entry(*night).or_default().push(strip);
    }
    let told = nights.into_iter().filter_map(|(night, strips)| {
        let (which, were) = match &strips[..] {
            [one] => (format!("strip {one}"), "was"),
            many => (format!("strips {}", many.join(", ")), "were"),
        };
        let date = night.unwrap_or_default();
        match rig_then(night, drift, plan, calibrated_on) {
            RigThen::Same => None,
            RigThen::Changed => Some(format!(
                "The {which} {were} recorded on {date}, when the rig was not what was calibrated: what is found there is measured \
                 wrongly by as much as it had changed. Calibrate anew for that night and score again."
            )),
            RigThen::Untested => Some(format!(
                "The {which} {were} recorded on {date}, a night of which no captures of targets were judged for drift: whether the \
                 rig was then what was calibrated is not known. Record some of the targets on every night of flight, and call \
                 `boneglow drift CAPTURES.csv`."
            )),
            RigThen::NightUnknown => Some(format!(
                "On which night the {which} {were} recorded is not stated, so whether the rig was then what was calibrated is not \
                 known: give the row table a column night."
            )),
        }
    });
    told.collect()
}

/// Of patches counted by night, those recorded when the rig was not what was calibrated: how many, and
/// how many of which night; absent where there are none.
fn of_changed_nights(
    drift: &Drift,
    plan: &Plan,
    patches: &BTreeMap<String, usize>,
) -> Option<(usize, String)> {
    let seen = drift
        .nights
        .iter()
        .filter(|n| n.is_seen_by(&plan.classify.features));
    let counts: Vec<(usize, &str)> = seen
        .filter_map(|n| Some((*patches.get(&n.night)?, n.night.as_str())))
        .collect();
    let all: usize = counts.iter().map(|(count, _)| count).sum();
    let each: Vec<String> = counts
        .iter()
        .map(|(n, night)| format!("{n} of {night}"))
        .collect();
    (all > 0).then(|| (all, each.join(", ")))
}

/// How many of `all` patches, counted by night where it is known, were recorded when the rig was not what
/// was calibrated; absent where there are none.
pub fn measured_when_drifted(
    drift: &Drift,
    plan: &Plan,
    patches: &BTreeMap<String, usize>,
    all: usize,
) -> Option<String> {
    let (count, each) = of_changed_nights(drift, plan, patches)?;
    Some(format!(
        "{count} of {all} patches were recorded on nights on which the rig was not what was calibrated ({each}): they are \
         measured wrongly by as much as it had changed."
    ))
}

/// How many of the checked patches, counted by night, were recorded when the rig was not what was
/// calibrated, and what to do; absent where there are none.
pub fn learnt_from_drifted(
    drift: &Drift,
    plan: &Plan,
    patches: &BTreeMap<String, usize>,
) -> Option<String> {
    let (count, each) = of_changed_nights(drift, plan, patches)?;
    Some(format!(
        "{count} of {} checked patches that are learnt from were recorded on nights on which the rig was not what was calibrated \
         ({each}): they are measured wrongly by as much as it had changed. To learn without them, name these nights in \
         ledger.leave_out_nights.",
        patches.values().sum::<usize>()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::DriftTarget;

    fn night(shifts: &[f64], drifted: bool) -> DriftNight {
        DriftNight {
            night: "2031-10-17".to_string(),
            drifted,
            brightness_changed: false,
            p_value: 0.0004,
            cause: String::new(),
            brightness: None,
            channel_factors: [1.0; 3],
            explanations: Vec::new(),
            chi_squared: 40.0,
            degrees: 2 * shifts.len(),
            targets: shifts
                .iter()
                .map(|&shift_uv| DriftTarget {
                    target: "pea".to_string(),
                    shift: [shift_uv, 0.0],
                    shift_uv,
                    sd_uv: 0.0003,
                    p_value: 0.01,
                })
                .collect(),
        }
    }

    #[test]
    fn a_shift_found_by_the_test_is_called_small_where_it_is() {
        let told = |shifts: &[f64]| size_of_shift(&night(shifts, true), None, 0.01).unwrap();
        let small = told(&[0.001, 0.003]);
        assert!(
            small.starts_with("the targets moved by 0.0020 in u'v' on average (largest 0.0030)")
        );
        assert!(small.ends_with("that is small, though more than chance"));
        assert!(told(&[0.009, 0.012]).ends_with("without a new calibration"));
        let unmoved = size_of_shift(&night(&[0.001], false), None, 0.01).unwrap();
        assert!(unmoved.ends_with("(largest 0.0010)"), "{unmoved}");
        assert_eq!(size_of_shift(&night(&[], true), None, 0.01), None);
    }

    #[test]
    fn patches_of_drifted_nights_are_counted() {
        let plan = Plan::parse(
            "name = \"a\"\n[rig]\nname = \"b\"\nfilter_cut_on_nm = 480\n[calibration]\nassume = \"srgb\"\n\
             [ledger]\nfiles = [\"c.csv\"]\npositive = [\"bone\"]\n",
        )
        .unwrap();
        let told = |drifted: bool, patches: &[(&str, usize)]| {
            let drift = Drift {
                rig: "b".to_string(),
                confidence: 0.95,
                nights: vec![night(&[0.009], drifted)],
                warnings: Vec::new(),
            };
            let patches = patches.iter().map(|(night, n)| (night.to_string(), *n));
            learnt_from_drifted(&drift, &plan, &patches.collect())
        };
        let patches = [("2031-05-09", 20), ("2031-10-17", 7)];
        let said = told(true, &patches).unwrap();
        assert!(said.starts_with("7 of 27 checked patches"), "{said}");
        assert!(said.contains("(7 of 2031-10-17)") && said.contains("ledger.leave_out_nights"));
        assert_eq!(told(false, &patches), None);
        assert_eq!(told(true, &patches[..1]), None);
    }
}
