//! Recall and false alarm rate under each assumption about the patches that nobody checked.

use super::Figure;
use super::assessment::Terms;
use super::cut_decided::{LEAST_OVERLAP, sign_of_a_cut, told_apart};
use super::evaluation::{Merit, UncheckedAssumption, Verification, VerificationEstimate};
use super::out_of_group::OutOfGroup;
use super::prior::shift_probability;
use super::proportion::{self, WeightedCounts};
use super::survey::Survey;
use super::verification::{self, CheckCell, CheckedPatch, VerificationMethod, VerifiedRates};
use crate::Result;
use crate::classify::Novelty;
use crate::features::Dataset;
use crate::ledger::ChosenBy;

/// Strata of about equally many patches by score.
const STRATA: usize = 5;
/// How many times as much bone the unchecked hold as the checked, for the sensitivity analysis.
const FACTORS: [f64; 5] = [0.25, 0.5, 1.0, 2.0, 4.0];

/// Why an estimate is not given.
const NOT_GIVEN: &str =
    "Not given: a cut decided who was checked, and nothing tells of patches that it passed over.";

/// Absent where every patch is checked and all count the same: the three estimates are then one.
pub(super) fn verification_report(
    data: &Dataset,
    predictions: &OutOfGroup,
    survey: Survey<'_>,
    novelty: &Novelty,
    terms: Terms,
    warnings: &mut Vec<String>,
) -> Result<Option<Verification>> {
    let weights = predictions.weights();
    let weighted = weights.iter().any(|w| *w != weights[0]);
    let unchecked_p: Vec<f64> = predictions
        .unchecked()
        .iter()
        .map(|&p| shift_probability(p, predictions.ledger_share(), terms.prevalence))
        .collect();
    if !weighted && unchecked_p.is_empty() {
        return Ok(None);
    }
    let checked_p = predictions.p_positive_at(terms.prevalence);
    let walked = predictions.walked_to(&checked_p, terms.cut);
    let edges = edges(&checked_p, &unchecked_p);
    let positive = predictions.is_positive();
    // A weight below 1 (a ledger weighted in another unit) counts as certain inclusion.
    let mut patches: Vec<CheckedPatch> = (0..predictions.len())
        .map(|i| CheckedPatch {
            decided_positive: walked[i],
            truth: Some(positive[i]),
            stratum: edges.partition_point(|e| *e <= checked_p[i]),
            inclusion_probability: (1.0 / weights[i]).min(1.0),
        })
        .collect();
    let mut groups = predictions.groups().to_vec();
    // Groups without any check come after those with checks.
    let known = predictions.group_names().len();
    let unchecked = survey.unchecked;
    let unchecked_groups: Vec<usize> = unchecked.map_or(Vec::new(), |u| u.groups.clone());
    let distances = unchecked.map_or(Vec::new(), |u| {
        novelty.squared_distances_of(u.features.view()).to_vec()
    });
    for ((p, group), distance) in unchecked_p.iter().zip(unchecked_groups).zip(distances) {
        patches.push(CheckedPatch {
            decided_positive: *p >= terms.cut && !novelty.is_novel(distance),
            truth: None,
            stratum: edges.partition_point(|e| e <= p),
            inclusion_probability: 1.0,
        });
        groups.push(group);
    }
    let count = groups.iter().max().map_or(known, |g| (g + 1).max(known));
    let cells = verification::cells(&patches)?;
    let overlap = overlap(&cells);
    if overlap.is_some_and(|o| o >= LEAST_OVERLAP) {
        join_unseen(&mut patches, &cells);
    }
    let drawn = weights.iter().any(|w| *w > 1.0) || survey.chosen_by.contains(&ChosenBy::Chance);
    let told_apart = match unchecked {
        Some(unchecked) if !drawn => told_apart(data, unchecked, terms.bootstrap.seed)?,
        _ => None,
    };
    let sign = sign_of_a_cut(data, survey, drawn, overlap, told_apart);
    if let Some(sign) = &sign {
        warnings.push(format!(
            "A cut decided who was checked: {sign}. Recall is of the checked patches only and too good, and nothing mends it but \
             an audit: check some of the passed-over patches, drawn at random (`plan` draws them), and state their inclusion \
             probability."
        ));
    } else if !unchecked_p.is_empty() && !weighted {
        warnings.push(format!(
            "{} patches were not checked and inclusion probabilities are not stated, or all alike: recall is of the checked patches; the correction for who was \
             checked rests on its stated assumption.",
            unchecked_p.len()
        ));
    }
    let withheld = |method: VerificationMethod| match method {
        VerificationMethod::Naive => false,
        VerificationMethod::Weighted => sign.is_some() && !drawn,
        VerificationMethod::BeggGreenes => sign.is_some(),
    };
    let estimates = verification::estimates(&patches)?.map(|rates| match withheld(rates.method) {
        true => VerificationEstimate::not_given(rates.method),
        false => resampled(&rates, &patches, &groups, count, predictions, terms),
    });
    let sensitivity = match sign {
        Some(_) => Vec::new(),
        None => verification::sensitivity(&verification::weighted_cells(&patches)?, &FACTORS),
    };
    Ok(Some(Verification {
        checked: predictions.len(),
        unchecked: unchecked_p.len(),
        overlap,
        told_apart,
        estimates: estimates.to_vec(),
        sensitivity: sensitivity
            .into_iter()
            .map(|case| UncheckedAssumption {
                factor: case.factor,
                recall: case.recall,
                false_alarm_rate: case.false_alarm_rate,
            })
            .collect(),
    }))
}

impl VerificationEstimate {
    /// Of a method that takes for granted what a cut that decided who was checked has ruled out.
    fn not_given(method: VerificationMethod) -> Self {
        VerificationEstimate {
            method: method.name().to_string(),
            assumption: method.assumption().to_string(),
            not_given: Some(NOT_GIVEN.to_string()),
            recall: None,
            false_alarm_rate: None,
        }
    }
}

/// Moves patches of a cell in which nobody was checked to the nearest stratum of the same decision in which
/// somebody was, the lower score first: with overlap elsewhere a handful of patches is no reason to give up.
fn join_unseen(patches: &mut [CheckedPatch], cells: &[CheckCell]) {
    let seen = |stratum: usize, decided: bool| {
        let cell = &cells[2 * stratum + usize::from(decided)];
        cell.checked_positive + cell.checked_other > 0.0
    };
    let strata = cells.len() / 2;
    for patch in patches {
        let at = patch.stratum;
        if !seen(at, patch.decided_positive) {
            patch.stratum = (0..strata)
                .filter(|&stratum| seen(stratum, patch.decided_positive))
                .min_by_key(|stratum| stratum.abs_diff(at))
                .unwrap_or(at);
        }
    }
}

fn edges(checked: &[f64], unchecked: &[f64]) -> Vec<f64> {
    let mut all = [checked, unchecked].concat();
    all.sort_by(f64::total_cmp);
    (1..STRATA).map(|k| all[k * all.len() / STRATA]).collect()
}

/// Share of the unchecked in cells that hold a checked patch too; absent without unchecked.
fn overlap(cells: &[CheckCell]) -> Option<f64> {
    let all: f64 = cells.iter().map(|c| c.unchecked).sum();
    let beside: f64 = cells
        .iter()
        .filter(|c| c.checked_positive + c.checked_other > 0.0)
        .map(|c| c.unchecked)
        .sum();
    (all > 0.0).then(|| beside / all)
}

/// How many patches each stands for in an estimate, 0 for one that nobody checked.
fn stands_for(method: VerificationMethod, patches: &[CheckedPatch], strata: usize) -> Vec<f64> {
    let cell = |patch: &CheckedPatch| 2 * patch.stratum + usize::from(patch.decided_positive);
    let weight = |patch: &CheckedPatch| match (patch.truth, method) {
        (None, _) => 0.0,
        (_, VerificationMethod::Naive) => 1.0,
        _ => 1.0 / patch.inclusion_probability,
    };
    // By cell: all patches, and the weight of the checked ones.
    let mut cells = vec![[0.0; 2]; 2 * strata];
    for patch in patches {
        cells[cell(patch)][0] += 1.0;
        cells[cell(patch)][1] += weight(patch);
    }
    let spread_over_cell = |patch: &CheckedPatch| match (method, cells[cell(patch)]) {
        (VerificationMethod::BeggGreenes, [all, checked]) if checked > 0.0 => all / checked,
        _ => 1.0,
    };
    patches
        .iter()
        .map(|patch| weight(patch) * spread_over_cell(patch))
        .collect()
}

/// The estimate with intervals from resampled groups.
fn resampled(
    rates: &VerifiedRates,
    patches: &[CheckedPatch],
    groups: &[usize],
    count: usize,
    predictions: &OutOfGroup,
    terms: Terms,
) -> VerificationEstimate {
    let strata = patches.iter().map(|p| p.stratum + 1).max().unwrap_or(0);
    // Positives, others, their number, unchecked.
    let units = terms.bootstrap.units(groups, count);
    let mut by_unit = vec![vec![[0.0; 4]; 2 * strata]; units.len()];
    for (i, patch) in patches.iter().enumerate() {
        let weight = match rates.method {
            VerificationMethod::Naive => 1.0,
            _ => 1.0 / patch.inclusion_probability,
        };
        let cell =
            &mut by_unit[units.of(i)][2 * patch.stratum + usize::from(patch.decided_positive)];
        match patch.truth {
            Some(true) => cell[0] += weight,
            Some(false) => cell[1] += weight,
            None => cell[3] += 1.0,
        }
        cell[2] += f64::from(patch.truth.is_some());
    }
    let rates_of = |times: &[f64]| {
        let cells: Vec<CheckCell> = (0..2 * strata)
            .map(|at| {
                let sum = |k: usize| -> f64 {
                    by_unit
                        .iter()
                        .zip(times)
                        .map(|(cells, t)| t * cells[at][k])
                        .sum()
                };
                let mut cell = CheckCell {
                    decided_positive: at % 2 == 1,
                    checked_positive: sum(0),
                    checked_other: sum(1),
                    unchecked: sum(3),
                };
                if rates.method == VerificationMethod::BeggGreenes {
                    cell.checked_positive = sum(2);
                    cell.checked_other = 0.0;
                    cell.divide(sum(0), sum(1));
                }
                cell
            })
            .collect();
        // Weighted sums are a naive estimate of the weighted cells.
        let rates = match rates.method {
            VerificationMethod::BeggGreenes => verification::begg_greenes(&cells),
            _ => verification::naive(&cells),
        };
        vec![
            rates.recall.map(|r| r.value),
            rates.false_alarm_rate.map(|r| r.value),
        ]
    };
    let positive = predictions.is_positive();
    let trials = |keep: &dyn Fn(usize) -> bool| {
        units.trials(|i| match i < predictions.len() && keep(i) {
            true => predictions.weights()[i],
            false => 0.0,
        })
    };
    let (positives, others) = (trials(&|i| positive[i]), trials(&|i| !positive[i]));
    let stands_for = stands_for(rates.method, patches, strata);
    let heaviest = proportion::heaviest(&stands_for);
    let counts = |side: bool| {
        let of = patches.iter().zip(&stands_for);
        let of = of.filter(|(patch, _)| patch.truth == Some(side));
        WeightedCounts::of(of.map(|(patch, w)| (*w, patch.decided_positive)), heaviest)
    };
    let figures = [
        Figure::share(&positives, counts(true)),
        Figure::share(&others, counts(false)),
    ];
    let mut intervals = terms.bootstrap.intervals(&units, &figures, rates_of);
    let alarms = intervals.pop().flatten();
    let recall = intervals.pop().flatten();
    VerificationEstimate {
        method: rates.method.name().to_string(),
        assumption: rates.method.assumption().to_string(),
        not_given: None,
        recall: Merit::of(rates.recall.map(|r| r.value), recall),
        false_alarm_rate: Merit::of(rates.false_alarm_rate.map(|r| r.value), alarms),
    }
}
