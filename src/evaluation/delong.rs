//! Standard errors of the area under the curve for independent patches.
//!
//! Patches of one site are not independent: for them use
//! [`ClusterBootstrap`](super::ClusterBootstrap).

use super::scores::ratio;
use super::{Interval, IntervalMethod, Scores, roc};
use crate::numeric::normal_quantile;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

/// Area under the curve with its standard error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AucEstimate {
    /// The area with its interval, cut at 0 and 1.
    pub auc: Interval,
    /// Standard error of the area.
    pub standard_error: f64,
}

/// Two areas on the same patches.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PairedAuc {
    /// First area minus second, with its interval.
    pub difference: Interval,
    /// Covariance of the two areas.
    pub covariance: f64,
    /// Standard error of the difference.
    pub standard_error: f64,
    /// Difference over its standard error; absent if that is 0.
    pub z: Option<f64>,
    /// Two-sided normal tail of `z`.
    pub p_value: Option<f64>,
}

/// Area under the curve with the interval of DeLong, DeLong & Clarke-Pearson (1988).
///
/// Normal on the area itself. With weights, the placements' variance is that of a weighted mean
/// of independent patches drawn with replacement. `None` with fewer than 2 positives or others.
pub fn auc(scores: &Scores, confidence: f64) -> Option<AucEstimate> {
    let placements = Placements::of(scores)?;
    let standard_error = placements.covariance(&placements)?.max(0.0).sqrt();
    let half = normal_quantile(0.5 + confidence / 2.0) * standard_error;
    Some(AucEstimate {
        auc: Interval {
            value: placements.auc,
            low: (placements.auc - half).max(0.0),
            high: (placements.auc + half).min(1.0),
            method: IntervalMethod::DeLong,
        },
        standard_error,
    })
}

/// Whether two scores of the same patches differ in area (DeLong et al. 1988, eq. 5 and 6).
///
/// Errors: other patches or other weights behind the two scores.
pub fn paired(first: &Scores, second: &Scores, confidence: f64) -> Result<Option<PairedAuc>> {
    let same = first.positive() == second.positive()
        && (0..first.len()).all(|patch| first.weight(patch) == second.weight(patch));
    if !same {
        return Err(Error::input(
            "the two scores are of different patches, expected the same labels and weights",
        ));
    }
    Ok(paired_of_same(first, second, confidence))
}

fn paired_of_same(first: &Scores, second: &Scores, confidence: f64) -> Option<PairedAuc> {
    let (one, two) = (Placements::of(first)?, Placements::of(second)?);
    let covariance = one.covariance(&two)?;
    let variance = one.covariance(&one)? + two.covariance(&two)? - 2.0 * covariance;
    let standard_error = variance.max(0.0).sqrt();
    let value = one.auc - two.auc;
    let half = normal_quantile(0.5 + confidence / 2.0) * standard_error;
    let z = (standard_error > 1e-12).then(|| value / standard_error);
    Some(PairedAuc {
        difference: Interval {
            value,
            low: (value - half).max(-1.0),
            high: (value + half).min(1.0),
            method: IntervalMethod::DeLong,
        },
        covariance,
        standard_error,
        z,
        p_value: z.map(|z| 2.0 * Normal::standard().cdf(-z.abs())),
    })
}

/// For each positive the weighted share of others below it (ties half), and the reverse.
struct Placements {
    auc: f64,
    positives: Vec<(f64, f64)>,
    negatives: Vec<(f64, f64)>,
}

impl Placements {
    fn of(scores: &Scores) -> Option<Self> {
        let (all_positive, all_negative) = (scores.positive_weight(), scores.negative_weight());
        let auc = roc::auc(scores)?;
        let mut placement = vec![0.0; scores.len()];
        let (mut positives, mut negatives) = (0.0, 0.0);
        let order = scores.falling();
        let mut start = 0;
        for step in scores.steps(&order) {
            let (before_p, before_n) = (positives, negatives);
            (positives, negatives) = (step.positives, step.negatives);
            for &patch in &order[start..step.end] {
                placement[patch] = match scores.positive()[patch] {
                    true => 1.0 - (before_n + negatives) / 2.0 / all_negative,
                    false => (before_p + positives) / 2.0 / all_positive,
                };
            }
            start = step.end;
        }
        let of_class = |positive: bool| {
            (0..scores.len())
                .filter(|&patch| scores.positive()[patch] == positive)
                .map(|patch| (scores.weight(patch), placement[patch]))
                .collect()
        };
        Some(Self {
            auc,
            positives: of_class(true),
            negatives: of_class(false),
        })
    }

    fn covariance(&self, other: &Self) -> Option<f64> {
        let part = |one: &[(f64, f64)], two: &[(f64, f64)]| {
            let n = one.len() as f64;
            let weight: f64 = one.iter().map(|(w, _)| w).sum();
            let sum: f64 = one
                .iter()
                .zip(two)
                .map(|((w, a), (_, b))| w * w * (a - self.auc) * (b - other.auc))
                .sum();
            Some(sum / (weight * weight) * ratio(n, n - 1.0)?)
        };
        Some(part(&self.positives, &other.positives)? + part(&self.negatives, &other.negatives)?)
    }
}

/// Hanley & McNeil's (1982) standard error with what it is made of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HanleyMcNeil {
    /// Chance that two positives both score above another.
    pub q1: f64,
    /// Chance that a positive scores above two others.
    pub q2: f64,
    /// Standard error of the area.
    pub standard_error: f64,
}

impl HanleyMcNeil {
    fn new(auc: f64, q1: f64, q2: f64, positives: f64, negatives: f64) -> Option<Self> {
        let square = auc * auc;
        let variance = auc * (1.0 - auc)
            + (positives - 1.0) * (q1 - square)
            + (negatives - 1.0) * (q2 - square);
        Some(Self {
            q1,
            q2,
            standard_error: ratio(variance.max(0.0), positives * negatives)?.sqrt(),
        })
    }

    /// From the area and the counts alone, as if the scores were exponential: for planning.
    ///
    /// ```
    /// use boneglow::evaluation::delong::HanleyMcNeil;
    /// let plan = HanleyMcNeil::from_auc(0.893, 51, 58).unwrap();
    /// assert!((plan.standard_error - 0.032).abs() < 1e-3);
    /// ```
    pub fn from_auc(auc: f64, positives: usize, negatives: usize) -> Option<Self> {
        if !(0.0..=1.0).contains(&auc) {
            return None;
        }
        let (q1, q2) = (auc / (2.0 - auc), 2.0 * auc * auc / (1.0 + auc));
        Self::new(auc, q1, q2, positives as f64, negatives as f64)
    }

    /// From the scores themselves, ties as in the paper's table of ratings; patches count, not
    /// their weights.
    pub fn from_scores(scores: &Scores) -> Option<Self> {
        let unweighted = Scores::new(scores.score(), scores.positive()).ok()?;
        let (m, n) = (unweighted.positive_weight(), unweighted.negative_weight());
        let auc = roc::auc(&unweighted)?;
        let (mut q1, mut q2) = (0.0, 0.0);
        let (mut above_p, mut above_n) = (0.0, 0.0);
        for step in unweighted.steps(&unweighted.falling()) {
            let (tied_p, tied_n) = (step.positives - above_p, step.negatives - above_n);
            let below_n = n - step.negatives;
            q1 += tied_n * (above_p * above_p + above_p * tied_p + tied_p * tied_p / 3.0);
            q2 += tied_p * (below_n * below_n + below_n * tied_n + tied_n * tied_n / 3.0);
            (above_p, above_n) = (step.positives, step.negatives);
        }
        Self::new(auc, q1 / (n * m * m), q2 / (m * n * n), m, n)
    }
}
