//! How good probabilities are: log loss, Brier score and its parts, reliability.
//!
//! Out of 1 are not only shares but claims: a patch said to be bone with 0.8 should be bone in 8
//! of 10 such cases.

use super::scores::{check_weights, ratio, same_length};
use super::{Interval, Scores, Truth, clusters, proportion};
use crate::{Error, Result};
use ndarray::ArrayView2;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ChiSquared, ContinuousCDF};

/// A probability below this counts as this in [`log_loss`] of given probabilities, so that one certain mistake costs
/// 34.5 and not everything. An evaluation floors at the larger [`LEAST_PROBABILITY`](super::LEAST_PROBABILITY).
pub const PROBABILITY_FLOOR: f64 = 1e-15;

/// Scores that are probabilities of being positive, checked to lie in 0 to 1.
///
/// ```
/// use boneglow::evaluation::{Probabilities, Scores};
/// assert!(Probabilities::new(Scores::new(&[1.2], &[true])?).is_err());
/// # Ok::<(), boneglow::Error>(())
/// ```
#[derive(Debug, Clone, Copy)]
pub struct Probabilities<'a>(Scores<'a>);

impl<'a> Probabilities<'a> {
    /// The scores as probabilities.
    ///
    /// Errors: one is below 0 or above 1.
    pub fn new(scores: Scores<'a>) -> Result<Self> {
        match scores.score().iter().find(|p| !(0.0..=1.0).contains(*p)) {
            Some(found) => Err(Error::input(format!(
                "found probability {found}, expected 0 to 1"
            ))),
            None => Ok(Self(scores)),
        }
    }

    /// The same as scores.
    pub fn scores(&self) -> Scores<'a> {
        self.0
    }

    /// (probability, 1 if positive else 0, weight) of each patch.
    pub(super) fn rows(&self) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
        (0..self.0.len()).map(|patch| {
            let outcome = if self.0.positive()[patch] { 1.0 } else { 0.0 };
            (self.0.score()[patch], outcome, self.0.weight(patch))
        })
    }

    fn mean(&self, of: impl Fn(f64, f64) -> f64) -> Option<f64> {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (p, outcome, w) in self.rows() {
            sum += w * of(p, outcome);
            weight += w;
        }
        ratio(sum, weight)
    }
}

/// Mean negative natural logarithm of the probability given to what was found.
///
/// Probabilities are floored at [`PROBABILITY_FLOOR`]. `None` without weight.
///
/// ```
/// use boneglow::evaluation::{Probabilities, Scores, probability};
/// let p = Probabilities::new(Scores::new(&[0.5, 0.25], &[true, false])?)?;
/// let expected = (2.0_f64.ln() + (4.0_f64 / 3.0).ln()) / 2.0;
/// assert!((probability::log_loss(&p).unwrap() - expected).abs() < 1e-12);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn log_loss(probabilities: &Probabilities) -> Option<f64> {
    probabilities.mean(|p, outcome| {
        let found = if outcome > 0.5 { p } else { 1.0 - p };
        -found.max(PROBABILITY_FLOOR).ln()
    })
}

/// Log loss over all classes; `probabilities` is patches x classes.
///
/// Errors: shapes that do not fit, a class without a column, a value outside 0 to 1.
pub fn log_loss_classes(
    probabilities: ArrayView2<f64>,
    truth: &[Truth],
    weights: Option<&[f64]>,
) -> Result<Option<f64>> {
    mean_over_classes(probabilities, truth, weights, |row, truth| {
        -row[truth].max(PROBABILITY_FLOOR).ln()
    })
}

/// Sum over classes of the squared difference between probability and outcome, 0 to 2
/// (Brier 1950); for two classes twice [`brier`].
///
/// Errors: as [`log_loss_classes`].
pub fn brier_classes(
    probabilities: ArrayView2<f64>,
    truth: &[Truth],
    weights: Option<&[f64]>,
) -> Result<Option<f64>> {
    mean_over_classes(probabilities, truth, weights, |row, truth| {
        let squares: f64 = row.iter().map(|p| p * p).sum();
        squares - 2.0 * row[truth] + 1.0
    })
}

fn mean_over_classes(
    probabilities: ArrayView2<f64>,
    truth: &[Truth],
    weights: Option<&[f64]>,
    loss: impl Fn(ndarray::ArrayView1<f64>, usize) -> f64,
) -> Result<Option<f64>> {
    same_length("rows", probabilities.nrows(), "labels", truth.len())?;
    if let Some(weights) = weights {
        check_weights(weights, truth.len())?;
    }
    if let Some(found) = probabilities.iter().find(|p| !(0.0..=1.0).contains(*p)) {
        return Err(Error::input(format!(
            "found probability {found}, expected 0 to 1"
        )));
    }
    let (mut sum, mut weight) = (0.0, 0.0);
    for (patch, (row, truth)) in probabilities.outer_iter().zip(truth).enumerate() {
        if truth.0 >= row.len() {
            return Err(Error::input(format!(
                "found class number {}, expected one below {}",
                truth.0,
                row.len()
            )));
        }
        let w = weights.map_or(1.0, |w| w[patch]);
        sum += w * loss(row, truth.0);
        weight += w;
    }
    Ok(ratio(sum, weight))
}

/// Mean squared difference between probability and outcome (0 or 1), 0 to 1 (Brier 1950).
pub fn brier(probabilities: &Probabilities) -> Option<f64> {
    probabilities.mean(|p, outcome| (p - outcome).powi(2))
}

/// How probabilities are put into bins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bins {
    /// One bin for each distinct probability.
    Distinct,
    /// This many of equal width; a probability on an edge belongs to the bin above it.
    EqualWidth(usize),
    /// This many of about equal numbers of patches; equal probabilities stay together.
    EqualCount(usize),
}

/// One bin of a reliability diagram.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReliabilityBin {
    /// Weighted mean of the probabilities.
    pub mean_probability: f64,
    /// Weighted share of positives, with Wilson's interval at the effective number of patches
    /// (Kish 1965); patches of a group count as independent.
    pub observed: Interval,
    /// Number of patches.
    pub patches: usize,
    /// Their summed weight.
    pub weight: f64,
}

/// The bins by rising probability; empty bins are left out.
pub fn reliability(
    probabilities: &Probabilities,
    bins: Bins,
    confidence: f64,
) -> Vec<ReliabilityBin> {
    let mut rows: Vec<_> = probabilities.rows().collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let chunks: Vec<&[_]> = match bins {
        Bins::Distinct => rows.chunk_by(|a, b| a.0 == b.0).collect(),
        Bins::EqualWidth(n) => {
            let bin = |p: f64| ((p * n as f64).floor() as usize).min(n.saturating_sub(1));
            rows.chunk_by(|a, b| bin(a.0) == bin(b.0)).collect()
        }
        Bins::EqualCount(n) => equal_chunks(&rows, n),
    };
    chunks
        .into_iter()
        .filter_map(|chunk| bin_of(chunk, confidence))
        .collect()
}

fn equal_chunks<T>(rows: &[(f64, f64, T)], n: usize) -> Vec<&[(f64, f64, T)]> {
    let mut chunks = Vec::new();
    let mut start = 0;
    for chunk in 1..=n {
        let mut end = (rows.len() * chunk / n).max(start);
        while end > start && end < rows.len() && rows[end].0 == rows[end - 1].0 {
            end += 1;
        }
        if end > start {
            chunks.push(&rows[start..end]);
        }
        start = end;
    }
    chunks
}

fn bin_of(rows: &[(f64, f64, f64)], confidence: f64) -> Option<ReliabilityBin> {
    let weight: f64 = rows.iter().map(|r| r.2).sum();
    let mean_probability = ratio(rows.iter().map(|r| r.0 * r.2).sum(), weight)?;
    let observed = ratio(rows.iter().map(|r| r.1 * r.2).sum(), weight)?.clamp(0.0, 1.0);
    let effective = clusters::kish_effective_size(rows.iter().map(|r| r.2))?;
    Some(ReliabilityBin {
        mean_probability,
        observed: proportion::wilson(observed * effective, effective, confidence)?,
        patches: rows.len(),
        weight,
    })
}

/// Gaps between stated and observed in the bins, each weighing as its bin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CalibrationError {
    /// Mean of the gaps (expected calibration error).
    pub expected: f64,
    /// Root of the mean squared gap.
    pub root_mean_square: f64,
    /// Largest gap.
    pub maximum: f64,
}

/// The gaps of these bins. Depends on the bins: state them beside it. `None` without bins.
pub fn calibration_error(bins: &[ReliabilityBin]) -> Option<CalibrationError> {
    let weight: f64 = bins.iter().map(|b| b.weight).sum();
    let gaps = || {
        bins.iter()
            .map(|b| (b.weight, (b.mean_probability - b.observed.value).abs()))
    };
    Some(CalibrationError {
        expected: ratio(gaps().map(|(w, gap)| w * gap).sum(), weight)?,
        root_mean_square: ratio(gaps().map(|(w, gap)| w * gap * gap).sum(), weight)?.sqrt(),
        maximum: gaps().map(|(_, gap)| gap).fold(0.0, f64::max),
    })
}

/// Murphy's (1973) parts of the Brier score: brier = reliability - resolution + uncertainty +
/// within_bins.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MurphyParts {
    /// The Brier score.
    pub brier: f64,
    /// Mean squared gap between stated and observed; 0 is best.
    pub reliability: f64,
    /// Mean squared difference between the bins' share of positives and the overall share.
    pub resolution: f64,
    /// Variance of the outcome.
    pub uncertainty: f64,
    /// What bins of more than one probability leave over (Stephenson et al. 2008); 0 for
    /// [`Bins::Distinct`].
    pub within_bins: f64,
}

impl MurphyParts {
    /// 1 - brier / uncertainty: 1 perfect, 0 no better than always stating the overall share.
    pub fn skill(&self) -> Option<f64> {
        Some(1.0 - ratio(self.brier, self.uncertainty)?)
    }
}

/// The parts of the Brier score over these bins.
pub fn murphy(probabilities: &Probabilities, bins: Bins) -> Option<MurphyParts> {
    let brier = brier(probabilities)?;
    let scores = probabilities.scores();
    let all = scores.positive_weight() + scores.negative_weight();
    let share = ratio(scores.positive_weight(), all)?;
    let (mut reliable, mut resolved) = (0.0, 0.0);
    for bin in reliability(probabilities, bins, 0.95) {
        reliable += bin.weight * (bin.mean_probability - bin.observed.value).powi(2);
        resolved += bin.weight * (bin.observed.value - share).powi(2);
    }
    let (reliability, resolution) = (reliable / all, resolved / all);
    let uncertainty = share * (1.0 - share);
    Some(MurphyParts {
        brier,
        reliability,
        resolution,
        uncertainty,
        within_bins: brier - (reliability - resolution + uncertainty),
    })
}

/// One group of the test of Hosmer and Lemeshow.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RiskGroup {
    /// Number of patches.
    pub patches: usize,
    /// Positives among them.
    pub observed: f64,
    /// Sum of their probabilities.
    pub expected: f64,
}

/// The test of Hosmer & Lemeshow (1980) of stated against observed counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HosmerLemeshow {
    /// The groups by rising probability.
    pub groups: Vec<RiskGroup>,
    /// Sum of (observed - expected)^2 / (expected (1 - expected / patches)).
    pub chi_square: f64,
    /// Degrees of freedom.
    pub degrees: usize,
    /// Upper tail of chi-square.
    pub p_value: f64,
}

/// Where the probabilities of a [`hosmer_lemeshow`] test come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProbabilitySource {
    /// Fitted to the same patches: two degrees of freedom are lost.
    SamePatches,
    /// From elsewhere (out of group): none is lost.
    OtherPatches,
}

/// Stated against observed counts in about `groups` groups of rising probability.
///
/// Patches of equal probability are never split: a block of b joins the running group of s if s is
/// short of n / `groups` (rounded) and s + b/2 is not over it; a last group of at most n / 20
/// joins the one before. Patches count, not their weights. Power depends on the number of
/// groups and of patches, and a large sample rejects any model: read it beside the diagram.
/// `None` with too few groups or where a group is stated to be certain.
pub fn hosmer_lemeshow(
    probabilities: &Probabilities,
    groups: usize,
    source: ProbabilitySource,
) -> Option<HosmerLemeshow> {
    let mut rows: Vec<_> = probabilities.rows().collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    if rows.is_empty() || groups == 0 {
        return None;
    }
    let wanted = (rows.len() as f64 / groups as f64 + 0.5).floor() as usize;
    let mut formed: Vec<RiskGroup> = Vec::new();
    for block in rows.chunk_by(|a, b| (a.0 - b.0).abs() < 1e-12) {
        let joins = formed
            .last()
            .is_some_and(|g| g.patches < wanted && g.patches + block.len() / 2 <= wanted);
        if !joins {
            formed.push(RiskGroup {
                patches: 0,
                observed: 0.0,
                expected: 0.0,
            });
        }
        let group = formed.last_mut()?;
        group.patches += block.len();
        group.observed += block.iter().map(|r| r.1).sum::<f64>();
        group.expected += block.iter().map(|r| r.0).sum::<f64>();
    }
    if formed.len() > 1 && formed.last()?.patches <= rows.len() / 20 {
        let last = formed.pop()?;
        let before = formed.last_mut()?;
        before.patches += last.patches;
        before.observed += last.observed;
        before.expected += last.expected;
    }
    let mut chi_square = 0.0;
    for group in &formed {
        let variance = group.expected * (1.0 - group.expected / group.patches as f64);
        chi_square += ratio((group.observed - group.expected).powi(2), variance)?;
    }
    let lost = match source {
        ProbabilitySource::SamePatches => 2,
        ProbabilitySource::OtherPatches => 0,
    };
    let degrees = formed.len().checked_sub(lost).filter(|&d| d > 0)?;
    let p_value = ChiSquared::new(degrees as f64).ok()?.sf(chi_square);
    Some(HosmerLemeshow {
        groups: formed,
        chi_square,
        degrees,
        p_value,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn a_certain_mistake_costs_much_and_not_everything() {
        let scores = Scores::new(&[0.0, 1.0], &[true, false]).unwrap();
        let loss = log_loss(&Probabilities::new(scores).unwrap()).unwrap();
        assert!(
            (loss + PROBABILITY_FLOOR.ln()).abs() < 0.1 && loss.is_finite(),
            "{loss}"
        );
    }

    #[test]
    fn two_classes_cost_what_positive_against_rest_does() {
        let p = array![[0.3, 0.7], [0.8, 0.2], [0.5, 0.5]];
        let truth = [Truth(1), Truth(0), Truth(0)];
        let weights = [1.0, 2.0, 5.0];
        let scores = Scores::new(&[0.7, 0.2, 0.5], &[true, false, false]).unwrap();
        let binary = Probabilities::new(scores.weighted(&weights).unwrap()).unwrap();
        let near = |a: Option<f64>, b: f64| (a.unwrap() - b).abs() < 1e-12;
        let loss = log_loss_classes(p.view(), &truth, Some(&weights)).unwrap();
        assert!(near(loss, log_loss(&binary).unwrap()));
        let squares = brier_classes(p.view(), &truth, Some(&weights)).unwrap();
        assert!(near(squares, 2.0 * brier(&binary).unwrap()));
    }

    #[test]
    fn a_class_without_a_column_is_refused() {
        let p = array![[0.3, 0.7]];
        assert!(
            log_loss_classes(p.view(), &[Truth(2)], None)
                .unwrap_err()
                .is_input()
        );
        assert!(log_loss_classes(p.view(), &[], None).is_err());
        assert!(log_loss_classes(array![[0.3, f64::NAN]].view(), &[Truth(0)], None).is_err());
    }

    #[test]
    fn without_patches_there_are_no_figures() {
        let none = Probabilities::new(Scores::new(&[], &[]).unwrap()).unwrap();
        assert_eq!(log_loss(&none), None);
        assert_eq!(brier(&none), None);
        assert!(murphy(&none, Bins::EqualCount(5)).is_none());
        assert!(reliability(&none, Bins::EqualWidth(5), 0.95).is_empty());
        assert!(calibration_error(&[]).is_none());
        assert!(hosmer_lemeshow(&none, 10, ProbabilitySource::OtherPatches).is_none());
    }

    #[test]
    fn bins_of_equal_count_hold_every_patch_once_and_split_no_tie() {
        let p = [0.1, 0.1, 0.1, 0.1, 0.4, 0.6, 0.8, 0.8];
        let scores = Scores::new(&p, &[false; 8]).unwrap();
        let probabilities = Probabilities::new(scores).unwrap();
        let bins = reliability(&probabilities, Bins::EqualCount(3), 0.95);
        let sizes: Vec<usize> = bins.iter().map(|b| b.patches).collect();
        assert_eq!(sizes, [4, 1, 3]);
        let parts = murphy(&probabilities, Bins::EqualCount(3)).unwrap();
        let sum = parts.reliability - parts.resolution + parts.uncertainty + parts.within_bins;
        assert!((sum - parts.brier).abs() < 1e-12);
    }
}
