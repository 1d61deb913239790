//! Multinomial logistic regression on linear or quadratic terms.

use super::scatter::softmax;
use super::softmax::{Coefficients, Softmax};
use super::standardizer::Standardizer;
use super::training::Training;
use crate::Result;
use linfa::traits::Fit;
use linfa_logistic::MultiLogisticRegression;
use nalgebra::DMatrix;
use ndarray::{Array1, Array2, ArrayView2, Axis, s};
use serde::{Deserialize, Serialize};

/// What the logits are linear in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Terms {
    /// The standardized features.
    Linear,
    /// The features, their squares and products.
    Quadratic,
}

/// Logits linear in standardized terms, with a ridge on the slopes.
///
/// Objective: sum of weight x negative log likelihood + |slopes|^2 / (2 strength), the intercepts
/// free. With two classes the ridge is on the difference of their slopes, as in binary regression.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Logistic {
    terms: Terms,
    standardizer: Standardizer,
    term_standardizer: Option<Standardizer>,
    /// Classes x terms.
    slopes: Vec<Vec<f64>>,
    intercepts: Vec<f64>,
}

/// Where the fit of one setting may start: the optimum of similar patches.
#[derive(Debug, Clone)]
pub(crate) struct Start {
    coefficients: Coefficients,
    /// Mean curvature there.
    curvature: DMatrix<f64>,
}

/// Rows that the cold start looks at, spread evenly within each class.
const COLD_START_ROWS: usize = 2000;
const COLD_START_ITERATIONS: u64 = 30;
/// Rows scored at once: keeps the expanded terms in cache.
const BLOCK: usize = 2048;

impl Logistic {
    /// Fits all `settings` (terms and strength), each started from the one before or from `starts`.
    pub(crate) fn fit_all(
        training: &Training<'_>,
        settings: &[(Terms, f64)],
        starts: &[Option<&Start>],
    ) -> Result<Vec<Self>> {
        let fitted = Self::fit_each(training, settings, starts, |_, _| ())?;
        Ok(fitted.into_iter().map(|(fitted, ())| fitted).collect())
    }

    /// For each of `settings` what fits to some of the patches may start from.
    pub(crate) fn starts(training: &Training<'_>, settings: &[(Terms, f64)]) -> Result<Vec<Start>> {
        let curvature = |rows: &Softmax, at: &Coefficients| rows.mean_curvature(at);
        let fitted = Self::fit_each(training, settings, &[], curvature)?;
        let starts = fitted.into_iter().map(|(fitted, curvature)| Start {
            coefficients: fitted.coefficients(),
            curvature,
        });
        Ok(starts.collect())
    }

    fn fit_each<T>(
        training: &Training<'_>,
        settings: &[(Terms, f64)],
        starts: &[Option<&Start>],
        besides: impl Fn(&Softmax, &Coefficients) -> T,
    ) -> Result<Vec<(Self, T)>> {
        let mut prepared: Vec<(Terms, Prepared)> = Vec::new();
        let mut fitted = Vec::with_capacity(settings.len());
        for (i, &(terms, strength)) in settings.iter().enumerate() {
            let place = match prepared.iter().position(|(t, _)| *t == terms) {
                Some(place) => place,
                None => {
                    prepared.push((terms, Prepared::new(training, terms)));
                    prepared.len() - 1
                }
            };
            let prepared = &mut prepared[place].1;
            let model = prepared.fit(terms, strength, starts.get(i).copied().flatten())?;
            let more = besides(&prepared.rows, &model.coefficients());
            fitted.push((model, more));
        }
        Ok(fitted)
    }

    pub(crate) fn width(&self) -> usize {
        self.standardizer.mean.len()
    }

    pub(crate) fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        let classes = self.intercepts.len();
        let width = self.slopes[0].len();
        let slopes = Array2::from_shape_fn((width, classes), |(j, k)| self.slopes[k][j]);
        let intercepts = Array1::from(self.intercepts.clone());
        let mut probabilities = Array2::zeros((features.nrows(), classes));
        for from in (0..features.nrows()).step_by(BLOCK) {
            let to = (from + BLOCK).min(features.nrows());
            let mut x = self.standardizer.apply(features.slice(s![from..to, ..]));
            if let Some(term_standardizer) = &self.term_standardizer {
                x = term_standardizer.apply(expand(x.view()).view());
            }
            let logits = x.dot(&slopes) + &intercepts;
            probabilities
                .slice_mut(s![from..to, ..])
                .assign(&softmax(logits));
        }
        probabilities
    }

    fn coefficients(&self) -> Coefficients {
        let (classes, width) = (self.slopes.len(), self.slopes[0].len());
        Coefficients {
            slopes: Array2::from_shape_fn((classes, width), |(k, j)| self.slopes[k][j]),
            intercepts: self.intercepts.clone(),
        }
    }
}

/// The features followed by all products of two, squares included.
fn expand(features: ArrayView2<'_, f64>) -> Array2<f64> {
    let width = features.ncols();
    let mut expanded = Array2::zeros((features.nrows(), width + width * (width + 1) / 2));
    for (row, mut out) in features
        .rows()
        .into_iter()
        .zip(expanded.axis_iter_mut(Axis(0)))
    {
        let mut place = width;
        for i in 0..width {
            out[i] = row[i];
            for j in 0..=i {
                out[place] = row[i] * row[j];
                place += 1;
            }
        }
    }
    expanded
}

/// Standardized terms of the training patches, ready for fits of any strength.
struct Prepared {
    standardizer: Standardizer,
    term_standardizer: Option<Standardizer>,
    x: Array2<f64>,
    labels: Vec<usize>,
    classes: usize,
    rows: Softmax,
    last: Option<Coefficients>,
}

impl Prepared {
    fn new(training: &Training<'_>, terms: Terms) -> Self {
        let standardizer = Standardizer::fit(training.features, training.weights);
        let mut x = standardizer.apply(training.features);
        let mut term_standardizer = None;
        if terms == Terms::Quadratic {
            let expanded = expand(x.view());
            let standardizer = Standardizer::fit(expanded.view(), training.weights);
            x = standardizer.apply(expanded.view());
            term_standardizer = Some(standardizer);
        }
        let rows = Softmax::new(
            x.view(),
            &training.labels,
            training.weights,
            training.classes(),
        );
        Prepared {
            standardizer,
            term_standardizer,
            x,
            labels: training.labels.clone(),
            classes: training.classes(),
            rows,
            last: None,
        }
    }

    fn fit(&mut self, terms: Terms, strength: f64, start: Option<&Start>) -> Result<Logistic> {
        let ridge = if self.classes == 2 { 2.0 } else { 1.0 } / strength;
        let start = match (start, &self.last) {
            (Some(given), _) => {
                self.rows.assume_mean_curvature(&given.curvature);
                Some(given.coefficients.clone())
            }
            (None, Some(last)) => Some(last.clone()),
            (None, None) => cold_start(&self.x, &self.labels, self.classes, 1.0 / strength),
        };
        let optimum = self.rows.fit(ridge, start.as_ref())?.coefficients;
        self.last = Some(optimum.clone());
        Ok(Logistic {
            terms,
            standardizer: self.standardizer.clone(),
            term_standardizer: self.term_standardizer.clone(),
            slopes: optimum
                .slopes
                .rows()
                .into_iter()
                .map(|r| r.to_vec())
                .collect(),
            intercepts: optimum.intercepts,
        })
    }
}

/// An unweighted fit of a few steps to some of the rows, near enough for Newton's method.
///
/// Absent where it fails or is not finite; the fit then starts from zero.
fn cold_start(
    x: &Array2<f64>,
    labels: &[usize],
    classes: usize,
    ridge: f64,
) -> Option<Coefficients> {
    let stride = labels.len().div_ceil(COLD_START_ROWS);
    let mut seen = vec![0_usize; classes];
    let mut rows = Vec::new();
    for (row, &label) in labels.iter().enumerate() {
        if seen[label].is_multiple_of(stride) {
            rows.push(row);
        }
        seen[label] += 1;
    }
    let some = linfa::Dataset::new(
        x.select(Axis(0), &rows),
        rows.iter().map(|&r| labels[r]).collect::<Array1<usize>>(),
    );
    let fit = MultiLogisticRegression::default()
        .alpha(ridge)
        .max_iterations(COLD_START_ITERATIONS)
        .gradient_tolerance(1e-3)
        .fit(&some)
        .ok()?;
    let in_order = fit.classes().iter().copied().eq(0..classes);
    let found = Coefficients {
        slopes: fit.params().t().to_owned(),
        intercepts: fit.intercept().to_vec(),
    };
    let finite = found
        .slopes
        .iter()
        .chain(&found.intercepts)
        .all(|c| c.is_finite());
    (in_order && finite).then_some(found)
}
