//! Whether a cut decided who was checked: then no patch like the unchecked was.
//!
//! The ledger tells it where it records how patches were chosen. Where it does not, the colors may: a rule that
//! looks at the color parts checked from unchecked, and a discriminant finds the border again at groups that it has not
//! seen (a two-sample test by a classifier: Lopez-Paz and Oquab 2017, Revisiting classifier two-sample tests). Limits: a
//! rule that looks at something else than the features, and records nothing, goes unseen.

use super::cross_validation::{Inside, Recipe, cross_validate};
use super::folds::Folds;
use super::survey::{Survey, Unchecked};
use super::{Scores, roc};
use crate::Result;
use crate::classify::{CovarianceShape, Settings};
use crate::features::Dataset;
use crate::ledger::ChosenBy;
use ndarray::{Axis, concatenate};

/// Below this share of unchecked patches beside checked ones of the same score, a cut has decided
/// who was checked.
pub(super) const LEAST_OVERLAP: f64 = 0.5;
/// Area under ROC of checked against unchecked from which on a rule has parted them. On simulated seasons it is
/// 0.98 to 1 where a band or a cut of color decided, 0.89 to 0.93 where one in twenty of the rest was drawn as well
/// and nothing recorded, and 0.47 to 0.52 where all were drawn.
const MOST_APART: f64 = 0.95;
/// Groups with both that a test at groups not seen takes.
const LEAST_GROUPS: usize = 3;

/// A quadratic rule: a band of one color parts patches as well as a cut does.
const QUADRATIC: CovarianceShape = CovarianceShape {
    own: 1.0,
    round: 0.0,
};

/// How well checked patches are told from unchecked ones of the same groups by their features, out of group:
/// area under ROC, 0.5 where checks were drawn at random. Absent where fewer than three groups have both.
pub(super) fn told_apart(data: &Dataset, unchecked: &Unchecked, seed: u64) -> Result<Option<f64>> {
    let has_both = |group: usize| data.groups.contains(&group) && unchecked.groups.contains(&group);
    let both: Vec<bool> = (0..data.group_names.len()).map(has_both).collect();
    if both.iter().filter(|b| **b).count() < LEAST_GROUPS {
        return Ok(None);
    }
    let within = |groups: &[usize]| -> Vec<usize> {
        let kept = |i: &usize| both.get(groups[*i]).copied().unwrap_or(false);
        (0..groups.len()).filter(kept).collect()
    };
    let (checked, rest) = (within(&data.groups), within(&unchecked.groups));
    let patches = checked.len() + rest.len();
    let features = [
        data.features.select(Axis(0), &checked),
        unchecked.features.select(Axis(0), &rest),
    ];
    let groups = checked.iter().map(|&i| data.groups[i]);
    let groups: Vec<usize> = groups
        .chain(rest.iter().map(|&i| unchecked.groups[i]))
        .collect();
    let parted = Dataset {
        ids: (0..patches).map(|i| i.to_string()).collect(),
        feature_names: data.feature_names.clone(),
        features: concatenate![Axis(0), features[0], features[1]],
        covariance: vec![[[0.0; 3]; 3]; patches],
        labels: (0..patches)
            .map(|i| usize::from(i >= checked.len()))
            .collect(),
        classes: vec!["checked".to_string(), "unchecked".to_string()],
        positive: vec![true, false],
        group_names: data.group_names.clone(),
        weights: vec![1.0; patches],
        groups,
    };
    let folds = Folds::by_group(&parted.groups)?;
    let inside = Inside {
        balance_classes: false,
        nested: false,
        seed,
    };
    let recipe = Recipe::fixed(Settings::Discriminant(QUADRATIC));
    let told = cross_validate(&parted, &[recipe], &folds, inside, None, &|_| ())?.remove(0);
    let (p, is_checked) = (told.p_positive_at(0.5), told.is_positive());
    Ok(roc::auc(&Scores::new(&p, &is_checked)?))
}

/// What tells that a cut decided who was checked, a sentence without its end; absent where nothing does.
///
/// Where patches were `drawn` with a chance that the ledger states, only a lack of `overlap` (the share of the
/// unchecked with a checked patch of the same score and decision) can.
pub(super) fn sign_of_a_cut(
    data: &Dataset,
    survey: Survey<'_>,
    drawn: bool,
    overlap: Option<f64>,
    told_apart: Option<f64>,
) -> Option<String> {
    if let (false, Some(recorded)) = (drawn, recorded(data, survey)) {
        return Some(recorded);
    }
    if overlap.is_some_and(|o| o < LEAST_OVERLAP) {
        return Some(
            "most unchecked patches have no checked one of the same score and decision beside them"
                .to_string(),
        );
    }
    told_apart.filter(|auc| *auc >= MOST_APART).map(|auc| {
        format!(
            "by their colors alone checked patches are told from unchecked ones at groups left out (area under ROC {auc:.2}), \
             and the ledger does not say how they were chosen (selection, inclusion_probability)"
        )
    })
}

/// Where the ledger itself says that all were checked for certain, and others of their groups were not.
fn recorded(data: &Dataset, survey: Survey<'_>) -> Option<String> {
    let by = |way: ChosenBy| survey.chosen_by.iter().filter(|c| **c == way).count();
    let unchecked = &survey.unchecked?.groups;
    let rest = unchecked.iter().filter(|g| data.groups.contains(g)).count();
    let (pointed_to, passing) = (by(ChosenBy::Rule), by(ChosenBy::Passing));
    (rest > 0 && pointed_to > 0 && pointed_to + passing == data.len()).then(|| {
        let passing = match passing {
            0 => String::new(),
            n => format!(" ({n} others were found by the way)"),
        };
        format!(
            "{pointed_to} checks{passing} were certain from the beginning (selection flagged, or inclusion probability 1), none was drawn at random, \
             and {rest} patches of the same groups were not checked"
        )
    })
}
