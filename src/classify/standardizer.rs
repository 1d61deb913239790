//! Features brought to mean 0 and standard deviation 1.

use ndarray::{Array2, ArrayView2, Axis};
use serde::{Deserialize, Serialize};

/// Weighted mean and standard deviation of each feature, learnt from training patches only.
///
/// The variance's divisor is the sum of the weights. A feature that never changes is centered and
/// left unscaled.
///
/// ```
/// use boneglow::classify::Standardizer;
/// use ndarray::array;
/// let s = Standardizer::fit(array![[1.0], [3.0]].view(), &[1.0, 1.0]);
/// assert_eq!(s.apply(array![[5.0]].view()), array![[3.0]]);
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Standardizer {
    /// Weighted mean of each feature, in its natural unit.
    pub mean: Vec<f64>,
    /// Weighted standard deviation of each feature, 1 where it never changes.
    pub sd: Vec<f64>,
}

/// Relative to a feature's magnitude, spread below this is rounding.
const CONSTANT: f64 = 1e-12;

impl Standardizer {
    /// Learns from `features` (patches x features) with one weight a patch.
    pub fn fit(features: ArrayView2<'_, f64>, weights: &[f64]) -> Self {
        let total: f64 = weights.iter().sum();
        let mut mean = Vec::with_capacity(features.ncols());
        let mut sd = Vec::with_capacity(features.ncols());
        for column in features.columns() {
            let m = column.iter().zip(weights).map(|(x, w)| w * x).sum::<f64>() / total;
            let deviations = column
                .iter()
                .zip(weights)
                .map(|(x, w)| w * (x - m) * (x - m));
            let s = (deviations.sum::<f64>() / total).sqrt();
            let largest = column.iter().fold(0.0_f64, |a, x| a.max(x.abs()));
            mean.push(m);
            sd.push(if s > CONSTANT * largest { s } else { 1.0 });
        }
        Standardizer { mean, sd }
    }

    /// Standardized copy of `features`.
    pub fn apply(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        let mut standardized = features.to_owned();
        for mut row in standardized.axis_iter_mut(Axis(0)) {
            for ((x, m), s) in row.iter_mut().zip(&self.mean).zip(&self.sd) {
                *x = (*x - m) / s;
            }
        }
        standardized
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn weights_count_as_repeated_rows() {
        let weighted = Standardizer::fit(array![[1.0], [4.0]].view(), &[2.0, 1.0]);
        let repeated = Standardizer::fit(array![[1.0], [1.0], [4.0]].view(), &[1.0; 3]);
        assert_eq!(weighted, repeated);
        assert_eq!(weighted.mean, [2.0]);
        assert!((weighted.sd[0] - 2.0_f64.sqrt()).abs() < 1e-15);
    }

    #[test]
    fn a_constant_feature_becomes_zero() {
        let features = array![[0.1 + 0.2, 1.0], [0.3, 2.0], [0.3, 3.0]];
        let s = Standardizer::fit(features.view(), &[1.0; 3]);
        assert_eq!(s.sd[0], 1.0);
        assert!(
            s.apply(features.view())
                .column(0)
                .iter()
                .all(|x| x.abs() < 1e-15)
        );
    }
}
