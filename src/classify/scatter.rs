//! Class means and weighted scatter, and Gaussians made of them.

use super::exponential::exp_of_nonpositive;
use super::training::Training;
use crate::{Error, Result};
use nalgebra::DMatrix;
use ndarray::{Array1, Array2, ArrayView2, Axis};
use serde::{Deserialize, Serialize};
use smartcore::linalg::basic::arrays::Array;
use smartcore::linalg::basic::matrix::DenseMatrix;
use smartcore::linalg::traits::evd::EVDDecomposable;

/// Weighted first and second moments of standardized features by class.
pub(crate) struct Scatter {
    /// Mean of each class, classes x features.
    pub means: Array2<f64>,
    /// Sum of weight x outer product of deviations, of each class.
    pub scatters: Vec<DMatrix<f64>>,
    /// Total weight of each class.
    pub totals: Vec<f64>,
}

impl Scatter {
    pub fn new(features: ArrayView2<'_, f64>, training: &Training<'_>) -> Self {
        let (classes, width) = (training.classes(), features.ncols());
        let mut means = Array2::<f64>::zeros((classes, width));
        let mut totals = vec![0.0; classes];
        for ((row, &label), &w) in features
            .rows()
            .into_iter()
            .zip(&training.labels)
            .zip(training.weights)
        {
            totals[label] += w;
            means.row_mut(label).scaled_add(w, &row);
        }
        for (mut mean, total) in means.axis_iter_mut(Axis(0)).zip(&totals) {
            mean /= *total;
        }
        let mut scatters = vec![DMatrix::zeros(width, width); classes];
        let mut deviation = vec![0.0; width];
        for ((row, &label), &w) in features
            .rows()
            .into_iter()
            .zip(&training.labels)
            .zip(training.weights)
        {
            for ((d, x), m) in deviation.iter_mut().zip(row).zip(means.row(label)) {
                *d = x - m;
            }
            let scatter = &mut scatters[label];
            for i in 0..width {
                for j in 0..=i {
                    scatter[(i, j)] += w * deviation[i] * deviation[j];
                }
            }
        }
        for scatter in &mut scatters {
            scatter.fill_upper_triangle_with_lower_triangle();
        }
        Scatter {
            means,
            scatters,
            totals,
        }
    }

    /// Sum of the classes' scatters.
    pub fn pooled(&self) -> DMatrix<f64> {
        let mut pooled = self.scatters[0].clone();
        for scatter in &self.scatters[1..] {
            pooled += scatter;
        }
        pooled
    }

    /// Divisor of the pooled scatter: total weight less the number of classes, or the total weight
    /// where that leaves nothing.
    pub fn pooled_divisor(&self) -> f64 {
        let total: f64 = self.totals.iter().sum();
        let free = total - self.totals.len() as f64;
        if free > 0.0 { free } else { total }
    }
}

/// Variances below this (in standardized units) are raised to it, so that a direction in which no
/// class varies gives large but finite distances.
pub(crate) const LEAST_VARIANCE: f64 = 1e-8;

/// Eigenvalues of a symmetric matrix, and its eigenvectors as columns.
pub(crate) fn symmetric_eigen(matrix: &DMatrix<f64>) -> Result<(Vec<f64>, DMatrix<f64>)> {
    let size = matrix.nrows();
    let refused = |e| Error::input(format!("a covariance of the features has no axes: {e}"));
    let dense =
        DenseMatrix::new(size, size, matrix.iter().copied().collect(), true).map_err(refused)?;
    let eigen = dense.evd(true).map_err(refused)?;
    let vectors = DMatrix::from_fn(size, size, |i, j| *eigen.V.get((i, j)));
    Ok((eigen.d, vectors))
}

/// `W` with |W d|^2 the squared Mahalanobis distance of `d`, and the log determinant of `covariance`.
pub(crate) fn whitening(covariance: &DMatrix<f64>) -> Result<(DMatrix<f64>, f64)> {
    let (values, vectors) = symmetric_eigen(covariance)?;
    let mut whitening = vectors.transpose();
    let mut log_determinant = 0.0;
    for (i, value) in values.iter().enumerate() {
        let variance = value.max(LEAST_VARIANCE);
        log_determinant += variance.ln();
        whitening.row_mut(i).scale_mut(1.0 / variance.sqrt());
    }
    Ok((whitening, log_determinant))
}

/// One class as a Gaussian in standardized features.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Gaussian {
    pub mean: Vec<f64>,
    /// Row by row; |whitening x (x - mean)|^2 is the squared Mahalanobis distance.
    pub whitening: Vec<Vec<f64>>,
    /// Log of the class share less half the log determinant of the covariance.
    pub offset: f64,
}

impl Gaussian {
    pub fn new(mean: &[f64], covariance: &DMatrix<f64>, share: f64) -> Result<Self> {
        let (w, log_determinant) = whitening(covariance)?;
        Ok(Gaussian {
            mean: mean.to_vec(),
            whitening: w.row_iter().map(|r| r.iter().copied().collect()).collect(),
            offset: share.ln() - 0.5 * log_determinant,
        })
    }

    /// Squared Mahalanobis distance of each row of standardized `features`.
    pub fn squared_distances(&self, features: ArrayView2<'_, f64>) -> Array1<f64> {
        let mut distances = Array1::zeros(features.nrows());
        for axis in &self.whitening {
            let axis = Array1::from(axis.clone());
            let at_mean: f64 = axis.iter().zip(&self.mean).map(|(a, m)| a * m).sum();
            let mut projected = features.dot(&axis);
            projected.mapv_inplace(|z| (z - at_mean) * (z - at_mean));
            distances += &projected;
        }
        distances
    }
}

/// Posterior probabilities (rows x classes) of Gaussian classes.
pub(crate) fn posteriors(classes: &[Gaussian], features: ArrayView2<'_, f64>) -> Array2<f64> {
    let mut logits = Array2::zeros((features.nrows(), classes.len()));
    for (mut column, class) in logits.columns_mut().into_iter().zip(classes) {
        column.assign(&class.squared_distances(features));
        column.mapv_inplace(|d| class.offset - 0.5 * d);
    }
    softmax(logits)
}

/// Turns logits (rows x classes) into probabilities.
pub(crate) fn softmax(mut logits: Array2<f64>) -> Array2<f64> {
    for mut row in logits.axis_iter_mut(Axis(0)) {
        let largest = row.iter().fold(f64::NEG_INFINITY, |a, z| a.max(*z));
        row.mapv_inplace(|z| z - largest);
    }
    match logits.as_slice_mut() {
        Some(values) => exp_of_nonpositive(values),
        None => logits.mapv_inplace(f64::exp),
    }
    for mut row in logits.axis_iter_mut(Axis(0)) {
        let sum = row.sum();
        row /= sum;
    }
    logits
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fisher 1936, Ann. Eugenics 7:179-188, sums of squares and products within two species (from
    /// memory, recomputed), printed to four decimals.
    #[test]
    fn scatter_within_two_species_is_fishers() {
        let text = include_str!("../../tests/published/data/iris.csv");
        let rows: Vec<Vec<&str>> = text
            .lines()
            .skip(1)
            .map(|l| l.split(',').collect())
            .collect();
        let features = Array2::from_shape_fn((100, 4), |(i, j)| rows[i][j].parse::<f64>().unwrap());
        let training = Training {
            features: features.view(),
            labels: (0..100).map(|i| i / 50).collect(),
            weights: &[1.0; 100],
            present: vec![0, 1],
            shares: vec![0.5; 2],
            positive: vec![true, false],
            feature_names: &[],
        };
        let within = Scatter::new(features.view(), &training).pooled();
        let printed = [
            [19.1434, 9.0356, 9.7634, 3.2394],
            [9.0356, 11.8658, 4.6232, 2.4746],
            [9.7634, 4.6232, 12.2978, 3.8794],
            [3.2394, 2.4746, 3.8794, 2.4604],
        ];
        for (i, row) in printed.iter().enumerate() {
            for (j, printed) in row.iter().enumerate() {
                assert!((within[(i, j)] - printed).abs() < 5e-5);
            }
        }
    }

    #[test]
    fn whitening_gives_the_squared_distance_and_the_determinant() {
        let covariance = DMatrix::from_row_slice(2, 2, &[4.0, 1.0, 1.0, 9.0]);
        let (white, log_determinant) = whitening(&covariance).unwrap();
        assert!((log_determinant - 35.0_f64.ln()).abs() < 1e-12);
        // (2, 3) against the inverse [9 -1; -1 4] / 35: (36 - 12 + 36) / 35.
        let d = white * nalgebra::DVector::from_vec(vec![2.0, 3.0]);
        assert!((d.norm_squared() - 60.0 / 35.0).abs() < 1e-12);
    }
}
