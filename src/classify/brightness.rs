//! The plain rule of the trade: one cut on brightness.

use super::softmax::Softmax;
use super::standardizer::Standardizer;
use super::training::Training;
use crate::Result;
use ndarray::{Array2, ArrayView2, Axis};
use serde::{Deserialize, Serialize};

/// Positive against rest by a logistic curve of log luminance; inside either side the class shares.
///
/// The curve is monotone, so every cut on its probability is one cut on brightness. Which side is
/// walked to is learnt. A side that training did not hold has probability 0.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Brightness {
    column: usize,
    standardizer: Standardizer,
    slope: f64,
    intercept: f64,
    /// Share of each class within its own side.
    within: Vec<f64>,
    positive: Vec<bool>,
}

/// A trace of ridge on the standardized slope, so that separable patches give a finite curve.
const RIDGE: f64 = 1e-3;

impl Brightness {
    pub(crate) fn fit(training: &Training<'_>) -> Result<Self> {
        let column = training.column("log_luminance", "brightness")?;
        let brightness = training.features.slice(ndarray::s![.., column..=column]);
        let standardizer = Standardizer::fit(brightness, training.weights);
        let side: Vec<usize> = training
            .labels
            .iter()
            .map(|&l| usize::from(training.positive[l]))
            .collect();
        let share: f64 = training
            .shares
            .iter()
            .zip(&training.positive)
            .filter(|(_, positive)| **positive)
            .map(|(share, _)| share)
            .sum();
        let both = training.positive.contains(&true) && training.positive.contains(&false);
        let (slope, intercept) = if both {
            let standardized = standardizer.apply(brightness);
            let mut rows = Softmax::new(standardized.view(), &side, training.weights, 2);
            let fit = rows.fit(RIDGE, None)?.coefficients;
            (
                fit.slopes[(1, 0)] - fit.slopes[(0, 0)],
                fit.intercepts[1] - fit.intercepts[0],
            )
        } else {
            (0.0, 0.0)
        };
        let within = training
            .shares
            .iter()
            .zip(&training.positive)
            .map(|(s, positive)| {
                if *positive {
                    s / share
                } else {
                    s / (1.0 - share)
                }
            })
            .collect();
        Ok(Brightness {
            column,
            standardizer,
            slope,
            intercept,
            within,
            positive: training.positive.clone(),
        })
    }

    pub(crate) fn least_width(&self) -> usize {
        self.column + 1
    }

    pub(crate) fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        let mut probabilities = Array2::zeros((features.nrows(), self.within.len()));
        let both = self.positive.contains(&true) && self.positive.contains(&false);
        for (mut row, x) in probabilities
            .axis_iter_mut(Axis(0))
            .zip(features.column(self.column))
        {
            let z = (x - self.standardizer.mean[0]) / self.standardizer.sd[0];
            let logit = self.slope * z + self.intercept;
            let curve = [1.0 / (1.0 + logit.exp()), 1.0 / (1.0 + (-logit).exp())];
            for ((p, within), positive) in row.iter_mut().zip(&self.within).zip(&self.positive) {
                *p = within
                    * if both {
                        curve[usize::from(*positive)]
                    } else {
                        1.0
                    };
            }
        }
        probabilities
    }

    /// The log luminance at which the probability of a positive is `probability`; absent where
    /// brightness says nothing.
    pub fn cut(&self, probability: f64) -> Option<f64> {
        let z = ((probability / (1.0 - probability)).ln() - self.intercept) / self.slope;
        (self.slope != 0.0 && z.is_finite())
            .then(|| self.standardizer.mean[0] + z * self.standardizer.sd[0])
    }
}
