//! Checked input of a fit: what every classifier relies on, checked once.

use crate::features::Dataset;
use crate::{Error, Result};
use ndarray::ArrayView2;

/// Patches to learn from, checked: finite features, weights above 0, two classes or more.
pub(crate) struct Training<'a> {
    pub features: ArrayView2<'a, f64>,
    /// Class of each patch, an index into `present`.
    pub labels: Vec<usize>,
    pub weights: &'a [f64],
    /// The classes that occur, as indices into the dataset's classes, ascending.
    pub present: Vec<usize>,
    /// Weighted share of each present class.
    pub shares: Vec<f64>,
    /// Whether each present class is worth a walk.
    pub positive: Vec<bool>,
    pub feature_names: &'a [String],
}

impl<'a> Training<'a> {
    pub fn new(data: &'a Dataset, weights: &'a [f64]) -> Result<Self> {
        let n = data.len();
        if weights.len() != n || data.features.nrows() != n {
            return Err(Error::input(format!(
                "{n} labels, {} rows of features, {} weights: expected as many of each",
                data.features.nrows(),
                weights.len()
            ))
            .remedy("give one row of features and one weight a patch"));
        }
        let name = |patch: usize| data.ids.get(patch).map_or("?", String::as_str);
        for ((patch, column), value) in data.features.indexed_iter() {
            if !value.is_finite() {
                return Err(Error::input(format!(
                    "patch \"{}\": feature \"{}\" is {value}, expected a finite number",
                    name(patch),
                    data.feature_names.get(column).map_or("?", String::as_str)
                ))
                .remedy("measure the patch again or leave it out"));
            }
        }
        if let Some(patch) = weights.iter().position(|w| !(w.is_finite() && *w > 0.0)) {
            return Err(Error::input(format!(
                "patch \"{}\": its weight is {}, expected a number above 0",
                name(patch),
                weights[patch]
            ))
            .remedy("an inclusion probability must be above 0 and at most 1"));
        }
        let mut share_of_class = vec![0.0; data.classes.len()];
        let mut seen = vec![false; data.classes.len()];
        for (&label, weight) in data.labels.iter().zip(weights) {
            share_of_class[label] += weight;
            seen[label] = true;
        }
        let present: Vec<usize> = (0..seen.len()).filter(|&c| seen[c]).collect();
        match present[..] {
            [] => {
                return Err(Error::too_little("there is no patch to learn from")
                    .remedy("add ground checks"));
            }
            [only] => {
                return Err(Error::too_little(format!(
                    "all {n} patches to learn from are \"{}\", and telling classes apart needs two",
                    data.classes[only]
                ))
                .remedy("add ground checks of another class, or at another site"));
            }
            _ => {}
        }
        let total: f64 = weights.iter().sum();
        let mut place = vec![0; seen.len()];
        for (index, &class) in present.iter().enumerate() {
            place[class] = index;
        }
        Ok(Training {
            features: data.features.view(),
            labels: data.labels.iter().map(|&l| place[l]).collect(),
            weights,
            shares: present.iter().map(|&c| share_of_class[c] / total).collect(),
            positive: present.iter().map(|&c| data.positive[c]).collect(),
            present,
            feature_names: &data.feature_names,
        })
    }

    /// Number of classes that occur.
    pub fn classes(&self) -> usize {
        self.present.len()
    }

    /// Weighted shares of all `classes`, 0 for one that does not occur.
    pub fn all_shares(&self, classes: usize) -> Vec<f64> {
        let mut shares = vec![0.0; classes];
        for (&class, share) in self.present.iter().zip(&self.shares) {
            shares[class] = *share;
        }
        shares
    }

    /// Where a named feature stands; `who` needs it.
    pub fn column(&self, feature: &str, who: &str) -> Result<usize> {
        self.feature_names
            .iter()
            .position(|name| name == feature)
            .ok_or_else(|| {
                Error::input(format!(
                    "{who} learns from \"{feature}\", and the features are {}",
                    self.feature_names.join(", ")
                ))
                .key("classify.features")
                .remedy(format!(
                    "add \"{feature}\" to the features, or leave {who} out"
                ))
            })
    }
}
