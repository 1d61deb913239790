//! The other plain rule: the nearest mean color.

use super::scatter::softmax;
use super::training::Training;
use crate::Result;
use ndarray::{Array2, ArrayView2};
use serde::{Deserialize, Serialize};

/// Distance in u'v' to each class's mean, turned into probabilities by one circular spread that all
/// classes share.
///
/// The spread's variance is the weighted mean square of u' and v' about the class means, its divisor
/// twice the total weight less the number of classes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NearestMean {
    columns: [usize; 2],
    /// (u', v') of each class.
    means: Vec<[f64; 2]>,
    variance: f64,
    log_shares: Vec<f64>,
}

/// A u'v' distance far below what any camera tells apart: keeps a spread of 0 finite.
const LEAST_SPREAD: f64 = 1e-6;

impl NearestMean {
    pub(crate) fn fit(training: &Training<'_>) -> Result<Self> {
        let columns = [
            training.column("u", "nearest-mean")?,
            training.column("v", "nearest-mean")?,
        ];
        let color = |i: usize| columns.map(|c| training.features[(i, c)]);
        let mut means = vec![[0.0; 2]; training.classes()];
        let total: f64 = training.weights.iter().sum();
        for (i, (&label, w)) in training.labels.iter().zip(training.weights).enumerate() {
            for (m, x) in means[label].iter_mut().zip(color(i)) {
                *m += w * x / (total * training.shares[label]);
            }
        }
        let mut squares = 0.0;
        for (i, (&label, w)) in training.labels.iter().zip(training.weights).enumerate() {
            let [u, v] = color(i);
            let [mu, mv] = means[label];
            squares += w * ((u - mu).powi(2) + (v - mv).powi(2));
        }
        let free = total - training.classes() as f64;
        let divisor = 2.0 * if free > 0.0 { free } else { total };
        Ok(NearestMean {
            columns,
            means,
            variance: (squares / divisor).max(LEAST_SPREAD * LEAST_SPREAD),
            log_shares: training.shares.iter().map(|s| s.ln()).collect(),
        })
    }

    pub(crate) fn least_width(&self) -> usize {
        self.columns[0].max(self.columns[1]) + 1
    }

    pub(crate) fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        let [u, v] = self.columns.map(|c| features.column(c));
        softmax(Array2::from_shape_fn(
            (features.nrows(), self.means.len()),
            |(i, k)| {
                let [mu, mv] = self.means[k];
                let squared = (u[i] - mu).powi(2) + (v[i] - mv).powi(2);
                self.log_shares[k] - 0.5 * squared / self.variance
            },
        ))
    }
}
