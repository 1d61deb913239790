//! Labelled patches as a matrix.

use crate::numeric::Covariance3;
use ndarray::Array2;

/// Labelled patches: one row a patch, checked to be finite and of equal lengths.
#[derive(Debug, Clone)]
pub struct Dataset {
    /// The patches' ids, in ledger order.
    pub ids: Vec<String>,
    /// Names of the features, one a column of `features`.
    pub feature_names: Vec<String>,
    /// Feature values, patches x features, all finite, in their natural units.
    pub features: Array2<f64>,
    /// Covariance of each patch's (u', v', log luminance).
    pub covariance: Vec<Covariance3>,
    /// Class of each patch, an index into `classes`.
    pub labels: Vec<usize>,
    /// Class names, sorted.
    pub classes: Vec<String>,
    /// Whether each class is worth a walk; at least one is and one is not.
    pub positive: Vec<bool>,
    /// Group of each patch, an index into `group_names`.
    pub groups: Vec<usize>,
    /// Group names, sorted.
    pub group_names: Vec<String>,
    /// Weight of each patch: 1 / inclusion probability, finite and above 0 (not normalized).
    pub weights: Vec<f64>,
}

impl Dataset {
    /// Number of patches.
    pub fn len(&self) -> usize {
        self.labels.len()
    }

    /// Whether there is no patch.
    pub fn is_empty(&self) -> bool {
        self.labels.is_empty()
    }

    /// Whether a patch is of a positive class.
    pub fn is_positive(&self, patch: usize) -> bool {
        self.positive[self.labels[patch]]
    }

    /// The patches at `rows`, with the same classes and groups (some may then be empty).
    pub fn select(&self, rows: &[usize]) -> Dataset {
        let pick = |of: &[usize]| rows.iter().map(|&r| of[r]).collect();
        Dataset {
            ids: rows.iter().map(|&r| self.ids[r].clone()).collect(),
            feature_names: self.feature_names.clone(),
            features: self.features.select(ndarray::Axis(0), rows),
            covariance: rows.iter().map(|&r| self.covariance[r]).collect(),
            labels: pick(&self.labels),
            classes: self.classes.clone(),
            positive: self.positive.clone(),
            groups: pick(&self.groups),
            group_names: self.group_names.clone(),
            weights: rows.iter().map(|&r| self.weights[r]).collect(),
        }
    }
}
