//! Gaussian discriminant analysis: linear, quadratic, and what lies between.

use super::scatter::{Gaussian, Scatter, posteriors};
use super::standardizer::Standardizer;
use super::training::Training;
use crate::Result;
use ndarray::{Array2, ArrayView2};
use serde::{Deserialize, Serialize};

/// How the classes' covariances are made.
///
/// Source: Friedman, J. H. (1989) Regularized discriminant analysis, J. Am. Stat. Assoc. 84:165-175,
/// eqs. 13 to 18, with `own` = 1 - lambda and `round` = gamma.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CovarianceShape {
    /// 0: one covariance for all classes (linear); 1: each its own (quadratic).
    pub own: f64,
    /// 0: as estimated; 1: circular in standardized features.
    pub round: f64,
}

/// Each class a Gaussian in standardized features; class shares as priors.
///
/// Divisors: total weight less the number of classes for the pooled covariance, a class's weight
/// less 1 for its own. A class with too few patches for a covariance of its own takes the pooled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Discriminant {
    standardizer: Standardizer,
    classes: Vec<Gaussian>,
}

impl Discriminant {
    pub(crate) fn fit_all(
        training: &Training<'_>,
        shapes: &[CovarianceShape],
    ) -> Result<Vec<Self>> {
        let standardizer = Standardizer::fit(training.features, training.weights);
        let standardized = standardizer.apply(training.features);
        let scatter = Scatter::new(standardized.view(), training);
        shapes
            .iter()
            .map(|shape| {
                Ok(Discriminant {
                    standardizer: standardizer.clone(),
                    classes: gaussians(&scatter, *shape, &training.shares)?,
                })
            })
            .collect()
    }

    pub(crate) fn width(&self) -> usize {
        self.standardizer.mean.len()
    }

    pub(crate) fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        posteriors(&self.classes, self.standardizer.apply(features).view())
    }
}

fn gaussians(scatter: &Scatter, shape: CovarianceShape, shares: &[f64]) -> Result<Vec<Gaussian>> {
    let width = scatter.means.ncols();
    let pooled = scatter.pooled();
    let divisor = scatter.pooled_divisor();
    (0..shares.len())
        .map(|k| {
            let free = scatter.totals[k] - 1.0;
            let own = if free > width as f64 { shape.own } else { 0.0 };
            let mut covariance = (&pooled * (1.0 - own) + &scatter.scatters[k] * own)
                / (divisor * (1.0 - own) + free * own);
            let mean_variance = covariance.trace() / width as f64;
            covariance *= 1.0 - shape.round;
            for i in 0..width {
                covariance[(i, i)] += shape.round * mean_variance;
            }
            let mean: Vec<f64> = scatter.means.row(k).to_vec();
            Gaussian::new(&mean, &covariance, shares[k])
        })
        .collect()
}
