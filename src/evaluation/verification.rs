//! Recall and false alarm rate where only some patches were checked.
//!
//! Three estimates side by side, each with what it takes for granted: those of the checked patches
//! as they are, weighted by 1 / inclusion probability (Horvitz & Thompson 1952), and corrected
//! for who was checked (Begg & Greenes 1983, Biometrics 39:207). Limits: standard errors
//! take patches as independent and, within a cell, as equally likely to be checked; for groups, resample
//! [`CheckCell`] counts by group.

use super::scores::ratio;
use super::{Interval, IntervalMethod};
use crate::numeric::normal_quantile;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// One patch: what was decided, how likely it was to be checked, what was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckedPatch {
    /// Whether it was decided positive.
    pub decided_positive: bool,
    /// Whether it is positive, if anybody went there.
    pub truth: Option<bool>,
    /// Stratum within which checked and unchecked are taken to be alike (a bin of the score).
    pub stratum: usize,
    /// Probability of having been checked, in (0, 1].
    pub inclusion_probability: f64,
}

/// Patches of one stratum and decision, counted (or summed by weight).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct CheckCell {
    /// Whether they were decided positive.
    pub decided_positive: bool,
    /// Checked and found positive.
    pub checked_positive: f64,
    /// Checked and found otherwise.
    pub checked_other: f64,
    /// Not checked.
    pub unchecked: f64,
}

impl CheckCell {
    fn checked(&self) -> f64 {
        self.checked_positive + self.checked_other
    }

    fn all(&self) -> f64 {
        self.checked() + self.unchecked
    }

    /// Divides the checked into positives and others in the ratio of these weights.
    pub(super) fn divide(&mut self, positives: f64, others: f64) {
        if let Some(share) = ratio(positives, positives + others) {
            let checked = self.checked();
            self.checked_positive = checked * share;
            self.checked_other = checked * (1.0 - share);
        }
    }

    /// Share of positives among the checked; 0 in an empty cell, `None` if none was checked.
    fn share(&self) -> Option<f64> {
        match self.all() > 0.0 {
            true => ratio(self.checked_positive, self.checked()),
            false => Some(0.0),
        }
    }
}

/// The cells of these patches: two a stratum, strata in order.
///
/// Errors: an inclusion probability outside (0, 1].
pub fn cells(patches: &[CheckedPatch]) -> Result<Vec<CheckCell>> {
    check(patches)?;
    let strata = patches.iter().map(|p| p.stratum + 1).max().unwrap_or(0);
    let mut cells: Vec<CheckCell> = (0..2 * strata)
        .map(|at| CheckCell {
            decided_positive: at % 2 == 1,
            ..CheckCell::default()
        })
        .collect();
    for patch in patches {
        let cell = &mut cells[2 * patch.stratum + usize::from(patch.decided_positive)];
        match patch.truth {
            Some(true) => cell.checked_positive += 1.0,
            Some(false) => cell.checked_other += 1.0,
            None => cell.unchecked += 1.0,
        }
    }
    Ok(cells)
}

/// The same cells, the checked ones of each divided into positives and others as their weights
/// (1 / inclusion probability) divide; their number stays.
///
/// Where checks of one cell were not equally likely (all of what an earlier cut flagged, a few of the
/// rest), the plain counts would take the flagged for the unchecked.
///
/// Errors: as [`cells`].
pub fn weighted_cells(patches: &[CheckedPatch]) -> Result<Vec<CheckCell>> {
    let mut cells = cells(patches)?;
    let mut sums = vec![[0.0; 2]; cells.len()];
    for patch in patches {
        if let Some(positive) = patch.truth {
            let at = 2 * patch.stratum + usize::from(patch.decided_positive);
            sums[at][usize::from(positive)] += 1.0 / patch.inclusion_probability;
        }
    }
    for (cell, [others, positives]) in cells.iter_mut().zip(sums) {
        cell.divide(positives, others);
    }
    Ok(cells)
}

fn check(patches: &[CheckedPatch]) -> Result<()> {
    let wrong =
        |p: &&CheckedPatch| !(p.inclusion_probability > 0.0 && p.inclusion_probability <= 1.0);
    match patches.iter().find(wrong) {
        None => Ok(()),
        Some(patch) => Err(Error::input(format!(
            "found inclusion probability {}, expected above 0 and up to 1",
            patch.inclusion_probability
        ))
        .column("inclusion_probability")
        .remedy("give the probability with which the patch was chosen for a check")),
    }
}

/// How recall and false alarm rate were estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VerificationMethod {
    /// The checked patches as they are.
    Naive,
    /// Weighted by 1 / inclusion probability.
    Weighted,
    /// Corrected for who was checked.
    BeggGreenes,
}

impl VerificationMethod {
    /// The word in `evaluation.json`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Naive => "naive",
            Self::Weighted => "weighted",
            Self::BeggGreenes => "begg-greenes",
        }
    }

    /// What it takes for granted, a sentence.
    pub fn assumption(self) -> &'static str {
        match self {
            Self::Naive => {
                "The checked patches are a fair sample of all: true only if the decision had no \
                 part in who was checked."
            }
            Self::Weighted => {
                "Every patch could have been checked, with the probability that the ledger states."
            }
            Self::BeggGreenes => {
                "Among patches of the same score and decision, the unchecked hold as much bone as \
                 the checked (weighted by the inclusion probabilities that the ledger states): \
                 nothing else that tells of bone had a part in who was checked."
            }
        }
    }
}

/// A rate with its standard error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rate {
    /// The rate, 0 to 1.
    pub value: f64,
    /// Its standard error, patches independent.
    pub standard_error: f64,
}

impl Rate {
    /// Normal interval on the logit, which stays within 0 to 1; `None` at 0 and 1, where the
    /// standard error says nothing.
    pub fn interval(&self, confidence: f64) -> Option<Interval> {
        let spread = self.value * (1.0 - self.value);
        let half = normal_quantile(0.5 + confidence / 2.0) * self.standard_error / spread;
        let odds = self.value / (1.0 - self.value);
        let share = |odds: f64| odds / (1.0 + odds);
        (spread > 0.0 && half.is_finite()).then(|| Interval {
            value: self.value,
            low: share(odds * (-half).exp()),
            high: share(odds * half.exp()),
            method: IntervalMethod::Normal,
        })
    }
}

/// Recall and false alarm rate by one method; a rate that the data do not define is absent.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VerifiedRates {
    /// The method.
    pub method: VerificationMethod,
    /// Share of the positives decided positive.
    pub recall: Option<Rate>,
    /// Share of the others decided positive.
    pub false_alarm_rate: Option<Rate>,
    /// Share of positives among all patches.
    pub prevalence: Option<f64>,
}

/// The three estimates of these patches.
///
/// Errors: an inclusion probability outside (0, 1].
///
/// ```
/// use boneglow::evaluation::verification::{self, CheckedPatch};
/// // All 4 flagged were checked (3 bones); of 40 not flagged 1 in 10 was (1 bone).
/// let patch = |decided_positive, truth, inclusion_probability| CheckedPatch {
///     decided_positive, truth, stratum: 0, inclusion_probability };
/// let mut patches = vec![patch(true, Some(true), 1.0); 3];
/// patches.push(patch(true, Some(false), 1.0));
/// patches.push(patch(false, Some(true), 0.1));
/// patches.extend(vec![patch(false, Some(false), 0.1); 3]);
/// patches.extend(vec![patch(false, None, 0.1); 36]);
/// let [naive, weighted, corrected] = verification::estimates(&patches)?;
/// assert_eq!(naive.recall.unwrap().value, 0.75);
/// assert!((weighted.recall.unwrap().value - 3.0 / 13.0).abs() < 1e-12);
/// assert!((corrected.recall.unwrap().value - 3.0 / 13.0).abs() < 1e-12);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn estimates(patches: &[CheckedPatch]) -> Result<[VerifiedRates; 3]> {
    Ok([
        naive(&cells(patches)?),
        weighted(patches),
        begg_greenes(&weighted_cells(patches)?),
    ])
}

/// Rates of the checked patches alone.
pub fn naive(cells: &[CheckCell]) -> VerifiedRates {
    let sum = |of: fn(&CheckCell) -> f64, flagged: Option<bool>| -> f64 {
        cells
            .iter()
            .filter(|c| flagged.is_none_or(|f| c.decided_positive == f))
            .map(of)
            .sum()
    };
    let rate = |of: fn(&CheckCell) -> f64| {
        let n = sum(of, None);
        let value = ratio(sum(of, Some(true)), n)?;
        Some(Rate {
            value,
            standard_error: (value * (1.0 - value) / n).sqrt(),
        })
    };
    let positives = sum(|c| c.checked_positive, None);
    VerifiedRates {
        method: VerificationMethod::Naive,
        recall: rate(|c| c.checked_positive),
        false_alarm_rate: rate(|c| c.checked_other),
        prevalence: ratio(positives, sum(CheckCell::checked, None)),
    }
}

/// Rates of the checked patches, each weighing 1 / its inclusion probability.
///
/// A ratio of two Horvitz-Thompson sums; its standard error is linearized, for patches chosen
/// independently with their probabilities plus the spread of the patches themselves.
pub fn weighted(patches: &[CheckedPatch]) -> VerifiedRates {
    let rate = |positive: bool| {
        let rows = || {
            patches
                .iter()
                .filter(move |p| p.truth == Some(positive))
                .map(|p| (1.0 / p.inclusion_probability, p.decided_positive))
        };
        let all: f64 = rows().map(|(w, _)| w).sum();
        let value = ratio(rows().filter(|r| r.1).map(|(w, _)| w).sum(), all)?;
        let spread: f64 = rows()
            .map(|(w, flagged)| (w * (f64::from(flagged) - value)).powi(2))
            .sum();
        Some(Rate {
            value,
            standard_error: spread.sqrt() / all,
        })
    };
    let checked = || patches.iter().filter(|p| p.truth.is_some());
    let weight = |p: &CheckedPatch| 1.0 / p.inclusion_probability;
    let all: f64 = checked().map(weight).sum();
    let positives = checked()
        .filter(|p| p.truth == Some(true))
        .map(weight)
        .sum();
    VerifiedRates {
        method: VerificationMethod::Weighted,
        recall: rate(true),
        false_alarm_rate: rate(false),
        prevalence: ratio(positives, all),
    }
}

/// Rates of all patches, the unchecked of each cell holding bone as the checked do.
///
/// Standard errors by the delta method on multinomial cells and binomial shares, which for one
/// stratum is the variance of Begg & Greenes (1983). Rates are absent where a cell has unchecked
/// patches and no checked ones: nothing tells of them, and no method mends it.
pub fn begg_greenes(cells: &[CheckCell]) -> VerifiedRates {
    let shares: Option<Vec<f64>> = cells.iter().map(CheckCell::share).collect();
    let rates = |shares: &[f64]| {
        let total: f64 = cells.iter().map(CheckCell::all).sum();
        let positives = cells.iter().zip(shares).map(|(c, s)| c.all() * s).sum();
        (
            corrected(cells, shares),
            corrected(cells, &shares.iter().map(|s| 1.0 - s).collect::<Vec<_>>()),
            ratio(positives, total),
        )
    };
    let (recall, false_alarm_rate, prevalence) =
        shares.map_or((None, None, None), |shares| rates(&shares));
    VerifiedRates {
        method: VerificationMethod::BeggGreenes,
        recall,
        false_alarm_rate,
        prevalence,
    }
}

/// Share decided positive of the patches that each cell holds `share` of.
fn corrected(cells: &[CheckCell], shares: &[f64]) -> Option<Rate> {
    let mass = |c: &CheckCell, share: f64| c.all() * share;
    let all: f64 = cells.iter().zip(shares).map(|(c, &s)| mass(c, s)).sum();
    let flagged: f64 = cells
        .iter()
        .zip(shares)
        .filter(|(c, _)| c.decided_positive)
        .map(|(c, &s)| mass(c, s))
        .sum();
    let value = ratio(flagged, all)?;
    // With d = (decided positive) - value: the rate moves by d * share / all for a patch more in the
    // cell and by d * size / all for a share more. The mean of the first over cells is 0.
    let variance: f64 = cells
        .iter()
        .zip(shares)
        .map(|(c, &s)| {
            let d = (f64::from(c.decided_positive) - value) / all;
            let of_size = c.all() * (d * s).powi(2);
            let of_share = match c.checked() > 0.0 {
                true => (d * c.all()).powi(2) * s * (1.0 - s) / c.checked(),
                false => 0.0,
            };
            of_size + of_share
        })
        .sum();
    Some(Rate {
        value,
        standard_error: variance.sqrt(),
    })
}

/// Rates if the unchecked held `factor` times as much bone as the checked of their cell, where none was
/// found as if half a patch had been.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct UncheckedCase {
    /// The factor; 1 is the assumption of Begg and Greenes, save for cells without a find.
    pub factor: f64,
    /// Recall then.
    pub recall: f64,
    /// False alarm rate then.
    pub false_alarm_rate: f64,
}

/// One case for each factor (0 or more); a share of bone stops at 1.
///
/// Cases that are undefined (no overlap, no positive) are left out.
pub fn sensitivity(cells: &[CheckCell], factors: &[f64]) -> Vec<UncheckedCase> {
    let case = |factor: f64| {
        let (mut found, mut positives, mut alarms, mut others) = (0.0, 0.0, 0.0, 0.0);
        for cell in cells {
            // Nothing times anything is nothing: a cell without a find could not be varied.
            let share = match cell.checked_positive > 0.0 || cell.unchecked == 0.0 {
                true => cell.share()?,
                false => cell.share().map(|_| 0.5 / (cell.checked() + 1.0))?,
            };
            let unchecked_share = (share * factor).clamp(0.0, 1.0);
            let positive = cell.checked_positive + cell.unchecked * unchecked_share;
            let other = cell.all() - positive;
            positives += positive;
            others += other;
            if cell.decided_positive {
                found += positive;
                alarms += other;
            }
        }
        Some(UncheckedCase {
            factor,
            recall: ratio(found, positives)?,
            false_alarm_rate: ratio(alarms, others)?,
        })
    };
    factors.iter().filter_map(|&factor| case(factor)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::stream;
    use rand::RngExt;

    /// One season: a tenth bone; bones are flagged with 0.8, others with 0.05; what was flagged was
    /// checked, of the rest a twentieth.
    fn season(number: u64) -> Vec<CheckedPatch> {
        let mut rng = stream(2, "verification test", number);
        (0..8000)
            .map(|_| {
                let positive = rng.random::<f64>() < 0.1;
                let flag = if positive { 0.8 } else { 0.05 };
                let decided_positive = rng.random::<f64>() < flag;
                let inclusion_probability = if decided_positive { 1.0 } else { 0.05 };
                CheckedPatch {
                    decided_positive,
                    truth: (rng.random::<f64>() < inclusion_probability).then_some(positive),
                    stratum: 0,
                    inclusion_probability,
                }
            })
            .collect()
    }

    #[test]
    fn an_audit_of_a_twentieth_mends_recall_where_the_naive_one_is_far_off() {
        let seasons = 200;
        let mut sums = [[0.0; 2]; 3];
        let mut held = [0.0; 2];
        for number in 0..seasons {
            for (at, rates) in estimates(&season(number)).unwrap().iter().enumerate() {
                let recall = rates.recall.unwrap();
                sums[at][0] += recall.value / seasons as f64;
                sums[at][1] += rates.false_alarm_rate.unwrap().value / seasons as f64;
                let holds = recall
                    .interval(0.95)
                    .is_some_and(|limits| limits.holds(0.8));
                if at > 0 && holds {
                    held[at - 1] += 1.0 / seasons as f64;
                }
            }
        }
        assert!(sums[0][0] > 0.95 && sums[0][1] > 0.3, "naive {sums:?}");
        for corrected in &sums[1..] {
            assert!((corrected[0] - 0.8).abs() < 0.03, "{sums:?}");
            assert!((corrected[1] - 0.05).abs() < 0.005, "{sums:?}");
        }
        assert!(held.iter().all(|h| *h > 0.88), "{held:?}");
    }

    #[test]
    fn where_a_cut_decided_who_was_checked_nothing_mends_it() {
        let cells = [
            CheckCell {
                decided_positive: true,
                checked_positive: 9.0,
                checked_other: 3.0,
                unchecked: 0.0,
            },
            CheckCell {
                unchecked: 100.0,
                ..CheckCell::default()
            },
        ];
        assert_eq!(naive(&cells).recall.unwrap().value, 1.0);
        let corrected = begg_greenes(&cells);
        assert!(corrected.recall.is_none() && corrected.prevalence.is_none());
        assert!(sensitivity(&cells, &[0.5, 1.0, 2.0]).is_empty());
    }

    #[test]
    fn a_probability_above_one_is_refused_with_its_column() {
        let patch = CheckedPatch {
            decided_positive: true,
            truth: Some(true),
            stratum: 0,
            inclusion_probability: 1.5,
        };
        let error = estimates(&[patch]).unwrap_err().to_string();
        assert!(
            error.contains("inclusion_probability") && error.contains("1.5"),
            "{error}"
        );
    }

    #[test]
    fn nothing_checked_is_no_rate() {
        for rates in estimates(&[]).unwrap() {
            assert!(rates.recall.is_none() && rates.false_alarm_rate.is_none());
        }
    }
}
