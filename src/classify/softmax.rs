//! Weighted ridge multinomial logistic regression by Newton's method with a line search.
//!
//! The objective is the weighted negative log likelihood plus a ridge on all coefficients but the
//! intercepts. It is convex, so a small gradient proves the optimum. A Hessian costs several
//! gradients; it is kept from step to step, and from strength to strength, and corrected by what
//! the steps tell, as long as that contracts the gradient well.
//!
//! Source: Böhning, D. (1992) Multinomial logistic regression algorithm, Ann. Inst. Stat. Math.
//! 44:197-200 (block Hessian); Nocedal and Wright (2006) Numerical Optimization, algorithms 3.1
//! and 7.4.

use super::likelihood::Likelihood;
use crate::{Error, Result};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use ndarray::{Array2, ArrayView2};

/// Converged where no component of the gradient exceeds this share of the total weight.
const GRADIENT_TOLERANCE: f64 = 1e-9;
/// A kept Hessian is good enough while a step shrinks the gradient to this share or less.
const GOOD_CONTRACTION: f64 = 0.5;
const MOST_STEPS: usize = 200;
/// Sufficient decrease of the line search (Nocedal and Wright 2006, eq. 3.4).
const ARMIJO: f64 = 1e-4;

/// Coefficients of a multinomial logistic regression.
#[derive(Debug, Clone, PartialEq)]
pub struct Coefficients {
    /// Slopes, classes x features; each column sums to 0.
    pub slopes: Array2<f64>,
    /// Intercept of each class; they sum to 0.
    pub intercepts: Vec<f64>,
}

impl Coefficients {
    fn flat(&self) -> Vec<f64> {
        let mut flat = Vec::with_capacity(self.slopes.len() + self.intercepts.len());
        for (row, intercept) in self.slopes.rows().into_iter().zip(&self.intercepts) {
            flat.extend(row);
            flat.push(*intercept);
        }
        flat
    }

    fn from_flat(flat: &[f64], classes: usize) -> Self {
        let width = flat.len() / classes;
        Coefficients {
            slopes: Array2::from_shape_fn((classes, width - 1), |(k, j)| flat[k * width + j]),
            intercepts: (0..classes).map(|k| flat[k * width + width - 1]).collect(),
        }
    }
}

/// The outcome of a fit with what proves it.
#[derive(Debug, Clone)]
pub struct Optimum {
    /// The coefficients.
    pub coefficients: Coefficients,
    /// Objective: weighted negative log likelihood plus ridge.
    pub objective: f64,
    /// Weighted negative log likelihood alone.
    pub negative_log_likelihood: f64,
    /// Largest component of the gradient as a share of the total weight.
    pub gradient: f64,
    /// Evaluations of objective and gradient.
    pub evaluations: usize,
}

/// A set of labelled, weighted rows to which models of any ridge are fitted.
///
/// ```
/// use boneglow::classify::Softmax;
/// use ndarray::array;
/// // Without slopes the intercepts give the weighted class shares: here 3 to 1.
/// let mut rows = Softmax::new(array![[0.0], [0.0]].view(), &[0, 1], &[3.0, 1.0], 2);
/// let fit = rows.fit(1.0, None)?;
/// let logit = fit.coefficients.intercepts[0] - fit.coefficients.intercepts[1];
/// assert!((logit - 3.0_f64.ln()).abs() < 1e-6);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub struct Softmax {
    rows: Likelihood,
    kept: Option<Kept>,
}

/// A Hessian of the likelihood, and what the steps since tell of how it has changed.
struct Kept {
    hessian: DMatrix<f64>,
    /// Each step, and by how much the gradient without its ridge changed.
    steps: Vec<(DVector<f64>, DVector<f64>)>,
}

impl Softmax {
    /// Takes `features` (rows x features, all finite, of comparable scale), a label below `classes`
    /// and a weight above 0 for each row.
    pub fn new(
        features: ArrayView2<'_, f64>,
        labels: &[usize],
        weights: &[f64],
        classes: usize,
    ) -> Self {
        Softmax {
            rows: Likelihood::new(features, labels, weights, classes),
            kept: None,
        }
    }

    /// Hessian of the likelihood at `coefficients`, of a row of weight 1 in the mean.
    pub(super) fn mean_curvature(&self, coefficients: &Coefficients) -> DMatrix<f64> {
        self.rows.curvature(&coefficients.flat()) / self.rows.total
    }

    /// Takes the mean curvature of similar rows, which spares working out one of these.
    pub(super) fn assume_mean_curvature(&mut self, curvature: &DMatrix<f64>) {
        self.kept = Some(Kept::new(curvature * self.rows.total));
    }

    /// Fits with objective: sum of weight x negative log likelihood + `ridge` / 2 x |slopes|^2.
    ///
    /// # Errors
    /// If the gradient does not vanish, as where classes are perfectly separable and `ridge` is 0.
    pub fn fit(&mut self, ridge: f64, start: Option<&Coefficients>) -> Result<Optimum> {
        let rows = &self.rows;
        let (classes, width) = (rows.classes, rows.width());
        let mut at = match start {
            Some(start) if start.slopes.dim() == (classes, width - 1) => start.flat(),
            _ => vec![0.0; classes * width],
        };
        center(&mut at, classes);
        let mut now = rows.evaluate(&at, ridge);
        let mut evaluations = 1;
        let mut fresh = false;
        let mut factored: Option<Cholesky<f64, Dyn>> = None;
        for _ in 0..MOST_STEPS {
            if now.largest() <= GRADIENT_TOLERANCE * rows.total {
                return Ok(Optimum {
                    coefficients: Coefficients::from_flat(&at, classes),
                    objective: now.objective,
                    negative_log_likelihood: now.loss,
                    gradient: now.largest() / rows.total,
                    evaluations,
                });
            }
            let kept = match self.kept.take() {
                Some(kept) => kept,
                None => {
                    (fresh, factored) = (true, None);
                    Kept::new(rows.curvature(&at))
                }
            };
            let solver = match factored.take() {
                Some(solver) => solver,
                None => factor(rows, &kept.hessian, ridge)?,
            };
            let gradient = DVector::from_column_slice(&now.gradient);
            let mut step = kept.step(&solver, &gradient, |s| with_ridge(s, ridge, width));
            // Rounding must not pile up where the likelihood is level.
            center(step.as_mut_slice(), classes);
            (self.kept, factored) = (Some(kept), Some(solver));
            let slope = step.dot(&gradient);
            let rounding = 1e-13 * now.objective.abs();
            let mut length = 1.0;
            let next = loop {
                let there: Vec<f64> = at
                    .iter()
                    .zip(step.iter())
                    .map(|(a, s)| a + length * s)
                    .collect();
                let next = rows.evaluate(&there, ridge);
                evaluations += 1;
                if next.objective <= now.objective + ARMIJO * length * slope + rounding {
                    break Some((there, next));
                }
                length /= 2.0;
                if length < 1e-9 {
                    break None;
                }
            };
            let Some((there, next)) = next else {
                if fresh {
                    break;
                }
                self.kept = None;
                continue;
            };
            if length < 1.0 || next.largest() > GOOD_CONTRACTION * now.largest() {
                self.kept = None;
            } else if let Some(kept) = &mut self.kept {
                let change = DVector::from_column_slice(&next.gradient) - gradient;
                let change = change - with_ridge(&step, ridge, width);
                kept.steps.push((step, change));
            }
            fresh = false;
            (at, now) = (there, next);
        }
        Err(Error::too_little(format!(
            "the logistic regression has no optimum within reach (gradient {:.1e} of the total weight)",
            now.largest() / rows.total
        ))
        .remedy("classes that are perfectly separable need a finite strength"))
    }

    /// Covariance of (slopes and intercept of the second class against the first) for two classes:
    /// the inverse of the observed information at `coefficients`, without ridge.
    ///
    /// Absent where the information is singular or there are not two classes.
    pub fn binary_covariance(&self, coefficients: &Coefficients) -> Option<Array2<f64>> {
        if self.rows.classes != 2 {
            return None;
        }
        let width = self.rows.width();
        let curvature = self.rows.curvature(&coefficients.flat());
        let information = curvature.view((0, 0), (width, width)).into_owned();
        let inverse = Cholesky::new(information)?.inverse();
        Some(Array2::from_shape_fn((width, width), |(i, j)| {
            inverse[(i, j)]
        }))
    }
}

impl Kept {
    fn new(hessian: DMatrix<f64>) -> Self {
        Kept {
            hessian,
            steps: Vec::new(),
        }
    }

    /// The step by the Hessian as corrected by all steps since (Nocedal and Wright 2006, algorithm
    /// 7.4). `ridge` is what the ridge adds to the change of the gradient along a step.
    fn step(
        &self,
        solver: &Cholesky<f64, Dyn>,
        gradient: &DVector<f64>,
        ridge: impl Fn(&DVector<f64>) -> DVector<f64>,
    ) -> DVector<f64> {
        let steps: Vec<(&DVector<f64>, DVector<f64>)> = self
            .steps
            .iter()
            .map(|(step, change)| (step, change + ridge(step)))
            .filter(|(step, change)| step.dot(change) > 0.0)
            .collect();
        let mut down = -gradient;
        let mut shares = Vec::with_capacity(steps.len());
        for (step, change) in steps.iter().rev() {
            let share = step.dot(&down) / step.dot(change);
            down.axpy(-share, change, 1.0);
            shares.push(share);
        }
        solver.solve_mut(&mut down);
        for ((step, change), share) in steps.iter().zip(shares.iter().rev()) {
            let back = change.dot(&down) / step.dot(change);
            down.axpy(share - back, step, 1.0);
        }
        down
    }
}

/// The ridge's part of the change of the gradient along `step`: none in the intercepts.
fn with_ridge(step: &DVector<f64>, ridge: f64, width: usize) -> DVector<f64> {
    DVector::from_fn(step.len(), |i, _| {
        if i % width == width - 1 {
            0.0
        } else {
            ridge * step[i]
        }
    })
}

fn factor(rows: &Likelihood, hessian: &DMatrix<f64>, ridge: f64) -> Result<Cholesky<f64, Dyn>> {
    let (classes, width) = (rows.classes, rows.width());
    let mut matrix = hessian.clone();
    // Adding the same to all classes changes nothing; this fixes the sum of a column at 0.
    let common = rows.total / (classes * classes) as f64;
    for k in 0..classes {
        for l in 0..classes {
            for j in 0..width {
                matrix[(k * width + j, l * width + j)] += common;
            }
        }
        for j in 0..width - 1 {
            matrix[(k * width + j, k * width + j)] += ridge;
        }
    }
    // A class that the model has all but excluded leaves no curvature; a trace keeps it solvable.
    let trace = 1e-12 * rows.total;
    for i in 0..classes * width {
        matrix[(i, i)] += trace;
    }
    Cholesky::new(matrix).ok_or_else(|| {
        Error::too_little("the logistic regression is not determined by the data")
            .remedy("leave out features that repeat others")
    })
}

/// Makes each coefficient sum to 0 over the classes, which changes no probability.
fn center(flat: &mut [f64], classes: usize) {
    let width = flat.len() / classes;
    for j in 0..width {
        let mean = (0..classes).map(|k| flat[k * width + j]).sum::<f64>() / classes as f64;
        for k in 0..classes {
            flat[k * width + j] -= mean;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    fn three_classes() -> (Array2<f64>, Vec<usize>) {
        let features = Array2::from_shape_fn((60, 2), |(i, j)| {
            let angle = i as f64 * 2.4;
            let radius = (i % 7) as f64 / 4.0;
            let center = (i % 3) as f64;
            if j == 0 {
                center + radius * angle.cos()
            } else {
                -center * 0.5 + radius * angle.sin()
            }
        });
        (features, (0..60).map(|i| i % 3).collect())
    }

    #[test]
    fn gradient_and_hessian_agree_with_differences() {
        let (features, labels) = three_classes();
        let weights: Vec<f64> = (0..60).map(|i| 0.5 + (i % 4) as f64).collect();
        let rows = Likelihood::new(features.view(), &labels, &weights, 3);
        let at: Vec<f64> = (0..9).map(|i| 0.3 * (i as f64 - 4.0)).collect();
        let here = rows.evaluate(&at, 0.7);
        let hessian = rows.curvature(&at);
        for i in 0..9 {
            let h = 1e-5;
            let moved = |by: f64| {
                let mut there = at.clone();
                there[i] += by;
                rows.evaluate(&there, 0.7)
            };
            let (up, down) = (moved(h), moved(-h));
            let slope = (up.objective - down.objective) / (2.0 * h);
            assert!((slope - here.gradient[i]).abs() < 1e-6 * (1.0 + slope.abs()));
            for j in 0..9 {
                let mut curve = (up.gradient[j] - down.gradient[j]) / (2.0 * h);
                if i == j && i % 3 != 2 {
                    curve -= 0.7;
                }
                assert!((curve - hessian[(i, j)]).abs() < 1e-5 * (1.0 + curve.abs()));
            }
        }
    }

    #[test]
    fn a_warm_start_reaches_the_same_optimum() {
        let (features, labels) = three_classes();
        let mut rows = Softmax::new(features.view(), &labels, &[1.0; 60], 3);
        let cold = rows.fit(0.1, None).unwrap();
        let other = rows.fit(10.0, None).unwrap();
        let warm = rows.fit(0.1, Some(&other.coefficients)).unwrap();
        assert!((cold.objective - warm.objective).abs() < 1e-9);
        for (a, b) in cold
            .coefficients
            .slopes
            .iter()
            .zip(&warm.coefficients.slopes)
        {
            assert!((a - b).abs() < 1e-6, "{a} {b}");
        }
        let sums = warm.coefficients.slopes.sum_axis(ndarray::Axis(0));
        assert!(sums.iter().all(|s| s.abs() < 1e-9));
    }

    #[test]
    fn separable_classes_are_finite_with_a_ridge_and_refused_without() {
        let features = array![[-2.0], [-1.0], [1.0], [2.0]];
        let mut rows = Softmax::new(features.view(), &[0, 0, 1, 1], &[1.0; 4], 2);
        let fit = rows.fit(1e-4, None).unwrap();
        assert!(
            fit.coefficients
                .slopes
                .iter()
                .all(|s| s.is_finite() && s.abs() > 1.0)
        );
        let mut rows = Softmax::new(features.view(), &[0, 0, 1, 1], &[1.0; 4], 2);
        match rows.fit(0.0, None) {
            // The gradient may vanish numerically far out; it must then have separated all.
            Ok(fit) => assert!(fit.negative_log_likelihood < 1e-6),
            Err(error) => assert!(error.is_too_little()),
        }
    }
}
