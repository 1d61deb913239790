//! Predictions by models that never saw the patch's group.

use super::folds::Split;
use super::{ClusterBootstrap, FoldChoice, Units, prior};
use crate::{Error, Result};
use ndarray::Array2;
use std::ops::Deref;

/// The least probability that a logarithm is taken of.
pub const LEAST_PROBABILITY: f64 = 1e-6;

/// Predictions of one classifier for all checked patches, each by a model fitted without its fold.
///
/// Probabilities are at the class shares of the training part of the patch's fold; nothing of the
/// fold itself, not even its class shares, has gone into them.
#[derive(Debug, Clone, PartialEq)]
pub struct Predictions {
    pub(super) classifier: String,
    pub(super) classes: Vec<String>,
    pub(super) positive: Vec<bool>,
    pub(super) ids: Vec<String>,
    pub(super) labels: Vec<usize>,
    pub(super) groups: Vec<usize>,
    pub(super) group_names: Vec<String>,
    pub(super) weights: Vec<f64>,
    pub(super) probabilities: Array2<f64>,
    pub(super) fold_of: Vec<usize>,
    pub(super) split: Split,
    pub(super) split_sentence: String,
    /// Weighted class shares of the training part of each fold.
    pub(super) train_shares: Vec<Vec<f64>>,
    pub(super) inner: Vec<Inner>,
    pub(super) choices: Vec<FoldChoice>,
    pub(super) unchecked: Vec<f64>,
    /// Squared distances to the nearest class; empty where not computed.
    pub(super) distances: Vec<f64>,
    /// Novel or too faint, so never walked to; empty where none is.
    pub(super) never: Vec<bool>,
}

/// What the training part of one fold predicts of itself, group by group (for what is chosen inside).
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Inner {
    pub rows: Vec<usize>,
    /// At the positive share of the training part, calibrated without the patch's own fold.
    pub p_positive: Vec<f64>,
}

impl Predictions {
    /// Name of the classifier.
    pub fn classifier(&self) -> &str {
        &self.classifier
    }

    /// Class names.
    pub fn classes(&self) -> &[String] {
        &self.classes
    }

    /// Whether each class is worth a walk.
    pub fn positive_classes(&self) -> &[bool] {
        &self.positive
    }

    /// Number of patches.
    pub fn len(&self) -> usize {
        self.labels.len()
    }

    /// Whether there is no patch.
    pub fn is_empty(&self) -> bool {
        self.labels.is_empty()
    }

    /// Ids of the patches, in ledger order.
    pub fn ids(&self) -> &[String] {
        &self.ids
    }

    /// Class of each patch, an index into [`Predictions::classes`].
    pub fn labels(&self) -> &[usize] {
        &self.labels
    }

    /// Whether each patch is of a positive class.
    pub fn is_positive(&self) -> Vec<bool> {
        self.labels.iter().map(|&l| self.positive[l]).collect()
    }

    /// Group of each patch, an index into [`Predictions::group_names`].
    pub fn groups(&self) -> &[usize] {
        &self.groups
    }

    /// Names of the groups.
    pub fn group_names(&self) -> &[String] {
        &self.group_names
    }

    /// What a bootstrap over the groups draws.
    pub fn units(&self, bootstrap: &ClusterBootstrap) -> Units {
        bootstrap.units(&self.groups, self.group_names.len())
    }

    /// Weight of each patch, 1 / inclusion probability.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// Fold in which each patch was tested.
    pub fn fold_of(&self) -> &[usize] {
        &self.fold_of
    }

    /// Class probabilities, patches x classes, at the class shares of [`Predictions::train_shares`].
    pub fn probabilities(&self) -> &Array2<f64> {
        &self.probabilities
    }

    /// Weighted class shares that the patch's model was trained at.
    pub fn train_shares(&self, patch: usize) -> &[f64] {
        &self.train_shares[self.fold_of[patch]]
    }

    /// What was learnt inside each fold.
    pub fn choices(&self) -> &[FoldChoice] {
        &self.choices
    }

    /// How patches were split, a sentence.
    pub fn split_sentence(&self) -> &str {
        &self.split_sentence
    }

    /// Probability of a positive class, at the share of positives that the patch's model was trained at.
    pub fn p_positive(&self) -> Vec<f64> {
        self.probabilities
            .rows()
            .into_iter()
            .map(|row| positive_sum(row.iter().copied(), &self.positive))
            .collect()
    }

    /// Probability of a positive class where the share of positives is `prevalence`, in (0, 1).
    ///
    /// Patches of different folds are comparable only so: each fold's model was trained at
    /// another share. (Saerens, Latinne and Decaestecker 2002, equation 2.4.)
    pub fn p_positive_at(&self, prevalence: f64) -> Vec<f64> {
        self.p_positive()
            .iter()
            .zip(&self.fold_of)
            .map(|(&p, &fold)| prior::shift_probability(p, self.positive_share(fold), prevalence))
            .collect()
    }

    /// Which patches are walked to at `cut` on their probabilities `in_field`: never one that is novel or
    /// too faint.
    pub fn walked_to(&self, in_field: &[f64], cut: f64) -> Vec<bool> {
        let never = |patch: usize| self.never.get(patch).copied().unwrap_or(false);
        let walks = in_field.iter().enumerate();
        walks.map(|(i, p)| *p >= cut && !never(i)).collect()
    }

    /// Which patches are never walked to: `too_faint` (one a patch, or empty), or farther from all known
    /// classes than the squared distance `novelty`.
    ///
    /// # Errors
    /// `too_faint` of another length.
    pub fn never_walked(&self, too_faint: &[bool], novelty: Option<f64>) -> Result<Vec<bool>> {
        if !too_faint.is_empty() && too_faint.len() != self.len() {
            return Err(Error::input(format!(
                "found {} marks of faint patches, expected {}",
                too_faint.len(),
                self.len()
            )));
        }
        let novel =
            |i: usize| matches!((novelty, self.distances.get(i)), (Some(cut), Some(d)) if *d > cut);
        let faint = |i: usize| too_faint.get(i).copied().unwrap_or(false);
        Ok((0..self.len()).map(|i| faint(i) || novel(i)).collect())
    }

    /// The class with the highest probability of each patch, all classes taken as equally frequent
    /// if `equal_shares`, else at the shares of the ledger; the first where equal.
    pub fn decided_class(&self, equal_shares: bool) -> Vec<usize> {
        (0..self.len())
            .map(|patch| {
                let shares = self.train_shares(patch);
                let score = |class: usize| {
                    let p = self.probabilities[(patch, class)];
                    match equal_shares && shares[class] > 0.0 {
                        true => p / shares[class],
                        false => p,
                    }
                };
                (0..self.classes.len()).fold(0, |best, class| {
                    if score(class) > score(best) {
                        class
                    } else {
                        best
                    }
                })
            })
            .collect()
    }

    /// Weighted share of positives among the checked patches.
    pub fn ledger_share(&self) -> f64 {
        let total: f64 = self.weights.iter().sum();
        let positives: f64 = (0..self.len())
            .filter(|&i| self.positive[self.labels[i]])
            .map(|i| self.weights[i])
            .sum();
        positives / total
    }

    /// Probability of a positive class of each unchecked patch, at the ledger's share: by the model that never saw
    /// its group, or the mean over the folds' models where its group has no checks. Empty if none were given.
    pub fn unchecked(&self) -> &[f64] {
        &self.unchecked
    }

    /// Squared distance of each patch to the nearest class learnt without its group; empty where
    /// nothing was nested or a fold left one class only.
    pub fn novelty_distances(&self) -> &[f64] {
        &self.distances
    }

    pub(super) fn positive_share(&self, fold: usize) -> f64 {
        positive_sum(self.train_shares[fold].iter().copied(), &self.positive)
    }

    /// The predictions of one fold's training part for itself, at `prevalence`: rows and probabilities.
    pub(super) fn inner_at(&self, fold: usize, prevalence: f64) -> Option<(&[usize], Vec<f64>)> {
        let inner = self.inner.get(fold).filter(|i| !i.rows.is_empty())?;
        let share = self.positive_share(fold);
        let moved = inner
            .p_positive
            .iter()
            .map(|&p| prior::shift_probability(p, share, prevalence))
            .collect();
        Some((&inner.rows, moved))
    }
}

/// Predictions out of group: no model has seen any patch of the group that it predicts.
///
/// Only [`cross_validate`](super::cross_validate) makes them, and a threshold can be recommended
/// from nothing else; one tuned on training scores does not compile:
///
/// ```compile_fail
/// use boneglow::evaluation::{OutOfGroup, Predictions};
/// fn on_training_scores(scores: Predictions) -> OutOfGroup {
///     OutOfGroup(scores)
/// }
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct OutOfGroup(Predictions);

impl OutOfGroup {
    pub(super) fn new(predictions: Predictions) -> Self {
        OutOfGroup(predictions)
    }

    /// For each fold: the patches of its training part with their probability of a positive class
    /// at `prevalence`, predicted without their own fold either. Absent where nothing was nested.
    ///
    /// What is chosen on these and applied to the fold has never seen it.
    pub fn inside(&self, fold: usize, prevalence: f64) -> Option<(&[usize], Vec<f64>)> {
        self.0.inner_at(fold, prevalence)
    }

    /// The predictions of some patches only, in the order of `rows`; thresholds chosen inside are left out.
    pub fn select(&self, rows: &[usize]) -> OutOfGroup {
        fn of<T: Clone>(all: &[T], rows: &[usize]) -> Vec<T> {
            match all.is_empty() {
                true => Vec::new(),
                false => rows.iter().map(|&row| all[row].clone()).collect(),
            }
        }
        let all = &self.0;
        let mut kept: Vec<usize> = of(&all.groups, rows);
        kept.sort_unstable();
        kept.dedup();
        let renumbered = |group: &usize| kept.partition_point(|k| k < group);
        OutOfGroup(Predictions {
            ids: of(&all.ids, rows),
            labels: of(&all.labels, rows),
            groups: of(&all.groups, rows).iter().map(renumbered).collect(),
            group_names: of(&all.group_names, &kept),
            weights: of(&all.weights, rows),
            fold_of: of(&all.fold_of, rows),
            distances: of(&all.distances, rows),
            never: of(&all.never, rows),
            probabilities: all.probabilities.select(ndarray::Axis(0), rows),
            inner: Vec::new(),
            unchecked: Vec::new(),
            ..all.clone()
        })
    }

    /// The same predictions, these patches (see [`Predictions::never_walked`]) not walked to.
    pub fn without_walks_to(mut self, never: Vec<bool>) -> Self {
        self.0.never = never;
        self
    }

    /// Number of folds.
    pub fn folds(&self) -> usize {
        self.0.train_shares.len()
    }
}

impl Deref for OutOfGroup {
    type Target = Predictions;

    fn deref(&self) -> &Predictions {
        &self.0
    }
}

/// Negative logarithm of the probability of what was found.
pub(super) fn log_loss_of(p_positive: f64, positive: bool) -> f64 {
    let of_found = if positive {
        p_positive
    } else {
        1.0 - p_positive
    };
    -of_found.max(LEAST_PROBABILITY).ln()
}

pub(super) fn positive_sum(of: impl Iterator<Item = f64>, positive: &[bool]) -> f64 {
    of.zip(positive).filter(|(_, p)| **p).map(|(x, _)| x).sum()
}
