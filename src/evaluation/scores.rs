//! Scores of patches with what the patches really are.

use crate::{Error, Result};

/// Scores of patches (higher: rather positive), their truth and weights, checked.
///
/// ```
/// use boneglow::evaluation::Scores;
/// let scores = Scores::new(&[0.1, 0.8], &[false, true])?.weighted(&[1.0, 20.0])?;
/// assert_eq!((scores.positive_weight(), scores.negative_weight()), (20.0, 1.0));
/// assert!(Scores::new(&[f64::NAN], &[true]).is_err());
/// # Ok::<(), boneglow::Error>(())
/// ```
#[derive(Debug, Clone, Copy)]
pub struct Scores<'a> {
    score: &'a [f64],
    positive: &'a [bool],
    weight: Option<&'a [f64]>,
}

impl<'a> Scores<'a> {
    /// Scores with their truth, every patch of weight 1.
    ///
    /// Errors: slices of different lengths, a score that is not finite.
    pub fn new(score: &'a [f64], positive: &'a [bool]) -> Result<Self> {
        same_length("scores", score.len(), "labels", positive.len())?;
        if let Some(at) = score.iter().position(|s| !s.is_finite()) {
            return Err(Error::input(format!(
                "score {at} is {}, expected a finite number",
                score[at]
            )));
        }
        Ok(Self {
            score,
            positive,
            weight: None,
        })
    }

    /// The same patches with weights (1 / inclusion probability).
    ///
    /// Errors: a different length, a weight that is negative or not finite.
    pub fn weighted(self, weight: &'a [f64]) -> Result<Self> {
        check_weights(weight, self.len())?;
        Ok(Self {
            weight: Some(weight),
            ..self
        })
    }

    /// Number of patches.
    pub fn len(&self) -> usize {
        self.score.len()
    }

    /// Whether there is no patch.
    pub fn is_empty(&self) -> bool {
        self.score.is_empty()
    }

    /// The scores.
    pub fn score(&self) -> &'a [f64] {
        self.score
    }

    /// Whether each patch is positive.
    pub fn positive(&self) -> &'a [bool] {
        self.positive
    }

    /// Weight of one patch.
    pub fn weight(&self, patch: usize) -> f64 {
        self.weight.map_or(1.0, |w| w[patch])
    }

    /// Summed weight of the positives.
    pub fn positive_weight(&self) -> f64 {
        self.weight_where(|patch| self.positive[patch])
    }

    /// Summed weight of the others.
    pub fn negative_weight(&self) -> f64 {
        self.weight_where(|patch| !self.positive[patch])
    }

    fn weight_where(&self, holds: impl Fn(usize) -> bool) -> f64 {
        (0..self.len())
            .filter(|&patch| holds(patch))
            .map(|patch| self.weight(patch))
            .sum()
    }

    /// Patch numbers by falling score, ties in their first order.
    pub(super) fn falling(&self) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.len()).collect();
        order.sort_by(|&a, &b| self.score[b].total_cmp(&self.score[a]));
        order
    }

    /// Running sums by falling score, one step for each distinct score, over this order.
    pub(super) fn steps(&self, order: &[usize]) -> Vec<Step> {
        let mut steps: Vec<Step> = Vec::new();
        let (mut positives, mut negatives) = (0.0, 0.0);
        for (at, &patch) in order.iter().enumerate() {
            match self.positive[patch] {
                true => positives += self.weight(patch),
                false => negatives += self.weight(patch),
            }
            let cut = self.score[patch];
            match steps.last_mut() {
                Some(step) if step.cut == cut => {
                    (step.positives, step.negatives, step.end) = (positives, negatives, at + 1);
                }
                _ => steps.push(Step {
                    cut,
                    positives,
                    negatives,
                    end: at + 1,
                }),
            }
        }
        steps
    }
}

/// One distinct score with the sums of weights at and above it.
#[derive(Clone, Copy)]
pub(super) struct Step {
    pub(super) cut: f64,
    pub(super) positives: f64,
    pub(super) negatives: f64,
    /// Where its patches end in the falling order.
    pub(super) end: usize,
}

pub(super) fn same_length(one: &str, n: usize, other: &str, m: usize) -> Result<()> {
    if n == m {
        return Ok(());
    }
    Err(Error::input(format!(
        "found {n} {one} and {m} {other}, expected as many of each"
    )))
}

pub(super) fn check_weights(weight: &[f64], patches: usize) -> Result<()> {
    same_length("weights", weight.len(), "patches", patches)?;
    match weight.iter().position(|w| !(w.is_finite() && *w >= 0.0)) {
        None => Ok(()),
        Some(at) => Err(Error::input(format!(
            "weight {at} is {}, expected a finite number of 0 or more",
            weight[at]
        ))
        .remedy("weights are 1 / inclusion probability, and that lies above 0 and up to 1")),
    }
}

/// `of / whole`, unless there is no whole.
pub(super) fn ratio(of: f64, whole: f64) -> Option<f64> {
    (whole > 0.0).then(|| of / whole)
}
