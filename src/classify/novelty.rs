//! Glows unlike anything in the ledger.

use super::scatter::{LEAST_VARIANCE, Scatter, symmetric_eigen};
use super::training::Training;
use crate::features::{Dataset, feature_covariance};
use crate::numeric::Covariance3;
use crate::{Error, Result};
use nalgebra::{Cholesky, DMatrix, DVector};
use ndarray::{Array1, ArrayView2};
use serde::{Deserialize, Serialize};

/// Squared Mahalanobis distance to the nearest known class, and the cut beyond which a glow is novel.
///
/// A class's covariance is its scatter within the ledger less the mean covariance of its patches'
/// measurement: what the material itself does. To this a patch adds the covariance of its own
/// measurement, so that a dim patch must lie farther out to be called novel. Classes with few
/// patches lean on the covariance of all classes together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Novelty {
    features: Vec<String>,
    classes: Vec<Known>,
    /// Squared distance beyond which a glow is novel; absent where none was set: nothing is novel.
    cut: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Known {
    class: String,
    mean: Vec<f64>,
    /// Spread of the material, row by row, in the features' natural units.
    material: Vec<f64>,
    /// Mean covariance of the measurements, row by row.
    measurement: Vec<f64>,
}

/// The weight that the common covariance has beside a class's own patches, per feature.
const COMMON_WEIGHT_PER_FEATURE: f64 = 2.0;

impl Novelty {
    /// Learns the classes' places and spreads, with one weight above 0 a patch; sets no cut.
    ///
    /// # Errors
    /// As for a classifier's fit: one class only, values that are not finite, weights not above 0.
    pub fn fit(data: &Dataset, weights: &[f64]) -> Result<Self> {
        let training = Training::new(data, weights)?;
        let width = data.features.ncols();
        if width == 0 {
            return Err(Error::input("there is no feature").key("classify.features"));
        }
        let standardizer = super::Standardizer::fit(training.features, weights);
        let standardized = standardizer.apply(training.features);
        let scatter = Scatter::new(standardized.view(), &training);
        let common = scatter.pooled() / scatter.pooled_divisor();
        let common_weight = COMMON_WEIGHT_PER_FEATURE * width as f64;
        let natural = |m: &DMatrix<f64>| -> Vec<f64> {
            let cells = (0..width).flat_map(|i| (0..width).map(move |j| (i, j)));
            cells
                .map(|(i, j)| m[(i, j)] * standardizer.sd[i] * standardizer.sd[j])
                .collect()
        };
        let mut measurements = vec![vec![0.0; width * width]; training.classes()];
        for (patch, (&label, weight)) in training.labels.iter().zip(weights).enumerate() {
            let own = feature_covariance(&data.feature_names, &data.covariance[patch]);
            for (sum, c) in measurements[label].iter_mut().zip(own) {
                *sum += weight * c / scatter.totals[label];
            }
        }
        let classes = training
            .present
            .iter()
            .zip(measurements)
            .enumerate()
            .map(|(k, (&class, measurement))| {
                let total = scatter.totals[k];
                let within =
                    (&scatter.scatters[k] + &common * common_weight) / (total + common_weight);
                let measured = DMatrix::from_fn(width, width, |i, j| {
                    measurement[i * width + j] / (standardizer.sd[i] * standardizer.sd[j])
                });
                let mean = scatter.means.row(k);
                Ok(Known {
                    class: data.classes[class].clone(),
                    mean: (0..width)
                        .map(|j| standardizer.mean[j] + standardizer.sd[j] * mean[j])
                        .collect(),
                    material: natural(&without_negative(&(within - measured))?),
                    measurement,
                })
            })
            .collect::<Result<_>>()?;
        Ok(Novelty {
            features: data.feature_names.clone(),
            classes,
            cut: None,
        })
    }

    /// Squared distance of one patch to its nearest class.
    ///
    /// `measurement` is the covariance of its (u', v', log luminance); where absent, that of the
    /// ledger's patches of each class stands in.
    pub fn squared_distance(&self, features: &[f64], measurement: Option<&Covariance3>) -> f64 {
        let own = measurement.map(|c| feature_covariance(&self.features, c));
        let nearest = self.classes.iter().map(|class| {
            let whitening = class.whitening(own.as_deref().unwrap_or(&class.measurement));
            let deviation = DVector::from_iterator(
                features.len(),
                features.iter().zip(&class.mean).map(|(x, m)| x - m),
            );
            (whitening * deviation).norm_squared()
        });
        nearest.fold(f64::INFINITY, f64::min)
    }

    /// Squared distances of all patches of a dataset, each with its own measurement covariance.
    pub fn squared_distances(&self, data: &Dataset) -> Vec<f64> {
        data.features
            .rows()
            .into_iter()
            .zip(&data.covariance)
            .map(|(row, covariance)| self.squared_distance(&row.to_vec(), Some(covariance)))
            .collect()
    }

    /// Squared distances of many colors (rows of features) whose measurement covariance is not
    /// known one by one; that of the ledger's patches stands in.
    pub fn squared_distances_of(&self, features: ArrayView2<'_, f64>) -> Array1<f64> {
        let mut nearest = Array1::from_elem(features.nrows(), f64::INFINITY);
        for class in &self.classes {
            let whitening = class.whitening(&class.measurement);
            for (least, row) in nearest.iter_mut().zip(features.rows()) {
                let mut distance = 0.0;
                for axis in whitening.row_iter() {
                    let deviations = axis.iter().zip(row).zip(&class.mean);
                    let along: f64 = deviations.map(|((a, x), m)| a * (x - m)).sum();
                    distance += along * along;
                }
                *least = least.min(distance);
            }
        }
        nearest
    }

    /// Mean and inverse covariance (row by row) of each class, the ledger's measurement in it: the
    /// least of the quadratic forms is what [`Novelty::squared_distances_of`] gives.
    pub fn forms(&self) -> Vec<(Vec<f64>, Vec<f64>)> {
        let form = |class: &Known| {
            let whitening = class.whitening(&class.measurement);
            let inverse = whitening.transpose() * &whitening;
            (class.mean.clone(), inverse.iter().copied().collect())
        };
        self.classes.iter().map(form).collect()
    }

    /// Sets the cut so that at most the share `rate` of the known patches' weight lies beyond it.
    ///
    /// `distances` are squared distances of patches to classes learnt without their group. With
    /// fewer patches than 1 / `rate`, the cut is at the farthest.
    ///
    /// # Errors
    /// No distance, unequal lengths, a distance that is not a number, a rate outside 0 to 1.
    pub fn with_cut(mut self, distances: &[f64], weights: &[f64], rate: f64) -> Result<Self> {
        if distances.is_empty() || distances.len() != weights.len() {
            return Err(Error::input(format!(
                "{} distances and {} weights, expected as many of each and at least one",
                distances.len(),
                weights.len()
            )));
        }
        if distances.iter().any(|d| d.is_nan()) || !(0.0..1.0).contains(&rate) {
            return Err(Error::input(
                "expected distances that are numbers and a rate from 0 to below 1",
            ));
        }
        let mut order: Vec<usize> = (0..distances.len()).collect();
        order.sort_by(|a, b| distances[*b].total_cmp(&distances[*a]));
        let total: f64 = weights.iter().sum();
        let mut beyond = 0.0;
        let mut cut = distances[order[0]];
        for i in order {
            cut = distances[i];
            beyond += weights[i];
            if beyond > rate * total {
                break;
            }
        }
        self.cut = Some(cut);
        Ok(self)
    }

    /// Names of the features it is judged on.
    pub fn feature_names(&self) -> &[String] {
        &self.features
    }

    /// The squared distance beyond which a glow is novel; absent where nothing is.
    pub fn cut(&self) -> Option<f64> {
        self.cut
    }

    /// Whether a squared distance lies beyond the cut.
    pub fn is_novel(&self, squared_distance: f64) -> bool {
        self.cut.is_some_and(|cut| squared_distance > cut)
    }
}

impl Known {
    fn whitening(&self, measurement: &[f64]) -> DMatrix<f64> {
        let width = self.mean.len();
        let sum = DMatrix::from_fn(width, width, |i, j| {
            self.material[i * width + j] + measurement[i * width + j]
        });
        // Features differ in scale by orders of magnitude: the floor on variances is relative.
        let scale: Vec<f64> = (0..width).map(|i| sum[(i, i)].max(1e-24).sqrt()).collect();
        let scaled = DMatrix::from_fn(width, width, |i, j| {
            sum[(i, j)] / (scale[i] * scale[j]) + if i == j { LEAST_VARIANCE } else { 0.0 }
        });
        let identity = DMatrix::identity(width, width);
        // A measurement covariance that is none leaves the features taken one by one.
        let mut white = Cholesky::new(scaled)
            .and_then(|c| c.l().solve_lower_triangular(&identity))
            .unwrap_or(identity);
        for (j, s) in scale.iter().enumerate() {
            white.column_mut(j).scale_mut(1.0 / s);
        }
        white
    }
}

/// The nearest covariance without negative variances.
fn without_negative(matrix: &DMatrix<f64>) -> Result<DMatrix<f64>> {
    let (values, vectors) = symmetric_eigen(matrix)?;
    let values = values.into_iter().map(|v| v.max(0.0));
    let kept = DMatrix::from_diagonal(&DVector::from_iterator(matrix.nrows(), values));
    Ok(&vectors * kept * vectors.transpose())
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    /// Two classes in u', v', discs of radius 0.02 about (0.2, 0.5) and (0.3, 0.5).
    fn data(measurement_sd: f64) -> Dataset {
        let n = 400;
        let variance = measurement_sd * measurement_sd;
        let mut covariance = [[0.0; 3]; 3];
        (covariance[0][0], covariance[1][1]) = (variance, variance);
        Dataset {
            ids: (0..n).map(|i| i.to_string()).collect(),
            feature_names: vec!["u".into(), "v".into()],
            features: Array2::from_shape_fn((n, 2), |(i, j)| {
                let angle = i as f64 * 2.399_963;
                let radius = 0.02 * (((i / 2) as f64 + 0.5) / (n as f64 / 2.0)).sqrt();
                let center = 0.2 + 0.1 * (i % 2) as f64;
                if j == 0 {
                    center + radius * angle.cos()
                } else {
                    0.5 + radius * angle.sin()
                }
            }),
            covariance: vec![covariance; n],
            labels: (0..n).map(|i| i % 2).collect(),
            classes: vec!["bone".into(), "opal".into()],
            positive: vec![true, false],
            groups: vec![0; n],
            group_names: vec!["a".into()],
            weights: vec![1.0; n],
        }
    }

    #[test]
    fn a_far_glow_is_novel_and_a_known_one_is_not() {
        let data = data(0.001);
        let novelty = Novelty::fit(&data, &data.weights).unwrap();
        let distances = novelty.squared_distances(&data);
        let novelty = novelty.with_cut(&distances, &data.weights, 0.01).unwrap();
        let beyond = distances.iter().filter(|d| novelty.is_novel(**d)).count();
        assert!(beyond <= 4, "{beyond} of 400 at a rate of 1 in 100");
        let at = |u: f64, v: f64| novelty.squared_distance(&[u, v], Some(&data.covariance[0]));
        assert!(!novelty.is_novel(at(0.2, 0.5)));
        assert!(novelty.is_novel(at(0.25, 0.6)));
        assert!(novelty.is_novel(at(0.25, 0.5)), "between two tight classes");
    }

    #[test]
    fn a_dim_patch_must_lie_farther_out() {
        let data = data(0.001);
        let novelty = Novelty::fit(&data, &data.weights).unwrap();
        let mut dim = data.covariance[0];
        (dim[0][0], dim[1][1]) = (1e-3, 1e-3);
        let sharp = novelty.squared_distance(&[0.25, 0.55], Some(&data.covariance[0]));
        let blurred = novelty.squared_distance(&[0.25, 0.55], Some(&dim));
        assert!(blurred < sharp / 4.0, "{blurred} {sharp}");
    }

    #[test]
    fn without_a_measurement_the_ledgers_own_stands_in() {
        let data = data(0.002);
        let novelty = Novelty::fit(&data, &data.weights).unwrap();
        let one_by_one = novelty.squared_distances(&data);
        let at_once = novelty.squared_distances_of(data.features.view());
        for (a, b) in one_by_one.iter().zip(at_once) {
            assert!((a - b).abs() < 1e-9 * (1.0 + a));
        }
    }

    #[test]
    fn the_distance_is_that_of_mahalanobis() {
        let mut data = data(0.0);
        data.covariance.fill([[0.0; 3]; 3]);
        let novelty = Novelty::fit(&data, &data.weights).unwrap();
        let class = &novelty.classes[0];
        let sd = class.material[0].sqrt();
        let correlation = class.material[1] / class.material[0];
        let mean = &class.mean;
        let found = novelty.squared_distance(&[mean[0] - 2.0 * sd, mean[1]], None);
        let ratio = class.material[0] / class.material[3];
        let expected = 4.0 / (1.0 - correlation * correlation * ratio);
        assert!(
            (found - expected).abs() < 1e-6 * expected,
            "{found} {expected}"
        );
    }

    #[test]
    fn the_cut_leaves_at_most_the_rate_beyond() {
        let data = data(0.001);
        let novelty = Novelty::fit(&data, &data.weights).unwrap();
        let distances: Vec<f64> = (1..=100).map(f64::from).collect();
        let cut = |weights: &[f64], rate| {
            novelty
                .clone()
                .with_cut(&distances, weights, rate)
                .unwrap()
                .cut()
                .unwrap()
        };
        assert_eq!(cut(&[1.0; 100], 0.05), 95.0);
        assert_eq!(cut(&[1.0; 100], 0.001), 100.0);
        let mut heavy = [1.0; 100];
        heavy[99] = 50.0;
        assert_eq!(cut(&heavy, 0.05), 100.0);
        assert!(novelty.clone().with_cut(&[], &[], 0.01).is_err());
        assert!(!novelty.is_novel(1e300), "no cut, nothing novel");
    }
}
