//! Weighted ridge multinomial logistic regression by Newton's method with a line search.
//!
//! The objective is the weighted negative log likelihood plus a ridge on all coefficients but the
//! intercepts. It is convex, so a small gradient proves the optimum; the Hessian is kept from step
//! to step, and from strength to strength, as long as it contracts the gradient well.
//!
//! Source: Böhning, D. (1992) Multinomial logistic regression algorithm, Ann. Inst. Stat. Math.
//! 44:197-200 (block Hessian); Nocedal and Wright (2006) Numerical Optimization, algorithm 3.1.

use super::exponential::exp_of_nonpositive;
use crate::{Error, Result};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use ndarray::{Array2, ArrayView2};

/// Rows handled at once: a block of all columns stays in the first-level cache.
const BLOCK: usize = 128;
/// Converged where no component of the gradient exceeds this share of the total weight.
const GRADIENT_TOLERANCE: f64 = 1e-9;
/// A kept Hessian is good enough while a step shrinks the gradient to this share or less.
const GOOD_CONTRACTION: f64 = 0.3;
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
    /// Column after column, each padded to whole blocks; the last column is all ones.
    columns: Vec<Vec<f64>>,
    labels: Vec<usize>,
    /// Padded with zeros.
    weights: Vec<f64>,
    total: f64,
    classes: usize,
    hessian: Option<DMatrix<f64>>,
}

struct Evaluation {
    loss: f64,
    objective: f64,
    gradient: Vec<f64>,
}

impl Evaluation {
    fn largest(&self) -> f64 {
        self.gradient.iter().fold(0.0, |a, g| a.max(g.abs()))
    }
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
        let rows = features.nrows();
        let padded = rows.div_ceil(BLOCK) * BLOCK;
        let mut columns: Vec<Vec<f64>> = features
            .columns()
            .into_iter()
            .map(|column| {
                let mut column: Vec<f64> = column.iter().copied().collect();
                column.resize(padded, 0.0);
                column
            })
            .collect();
        columns.push(vec![1.0; padded]);
        let pad = |values: &mut Vec<f64>| values.resize(padded, 0.0);
        let mut weights = weights.to_vec();
        pad(&mut weights);
        let mut labels = labels.to_vec();
        labels.resize(padded, 0);
        Softmax {
            columns,
            labels,
            total: weights.iter().sum(),
            weights,
            classes,
            hessian: None,
        }
    }

    /// Fits with objective: sum of weight x negative log likelihood + `ridge` / 2 x |slopes|^2.
    ///
    /// # Errors
    /// If the gradient does not vanish, as where classes are perfectly separable and `ridge` is 0.
    pub fn fit(&mut self, ridge: f64, start: Option<&Coefficients>) -> Result<Optimum> {
        let width = self.columns.len();
        let mut at = match start {
            Some(start) if start.slopes.dim() == (self.classes, width - 1) => start.flat(),
            _ => vec![0.0; self.classes * width],
        };
        center(&mut at, self.classes);
        let mut now = self.evaluate(&at, ridge);
        let mut evaluations = 1;
        let mut fresh = false;
        let mut factored: Option<Cholesky<f64, Dyn>> = None;
        for _ in 0..MOST_STEPS {
            if now.largest() <= GRADIENT_TOLERANCE * self.total {
                return Ok(Optimum {
                    coefficients: Coefficients::from_flat(&at, self.classes),
                    objective: now.objective,
                    negative_log_likelihood: now.loss,
                    gradient: now.largest() / self.total,
                    evaluations,
                });
            }
            if self.hessian.is_none() {
                self.hessian = Some(self.curvature(&at));
                (fresh, factored) = (true, None);
            }
            let solver = match factored.take() {
                Some(solver) => solver,
                None => self.factor(ridge)?,
            };
            let step = solver.solve(&DVector::from_column_slice(&now.gradient));
            factored = Some(solver);
            let slope: f64 = -step
                .iter()
                .zip(&now.gradient)
                .map(|(s, g)| s * g)
                .sum::<f64>();
            let rounding = 1e-13 * now.objective.abs();
            let mut length = 1.0;
            let next = loop {
                let there: Vec<f64> = at
                    .iter()
                    .zip(step.iter())
                    .map(|(a, s)| a - length * s)
                    .collect();
                let next = self.evaluate(&there, ridge);
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
                self.hessian = None;
                continue;
            };
            if length < 1.0 || next.largest() > GOOD_CONTRACTION * now.largest() {
                self.hessian = None;
            }
            fresh = false;
            (at, now) = (there, next);
        }
        Err(Error::too_little(format!(
            "the logistic regression has no optimum within reach (gradient {:.1e} of the total weight)",
            now.largest() / self.total
        ))
        .remedy("classes that are perfectly separable need a finite strength"))
    }

    /// Covariance of (slopes and intercept of the second class against the first) for two classes:
    /// the inverse of the observed information at `coefficients`, without ridge.
    ///
    /// Absent where the information is singular or there are not two classes.
    pub fn binary_covariance(&self, coefficients: &Coefficients) -> Option<Array2<f64>> {
        if self.classes != 2 {
            return None;
        }
        let width = self.columns.len();
        let curvature = self.curvature(&coefficients.flat());
        let information = curvature.view((0, 0), (width, width)).into_owned();
        let inverse = Cholesky::new(information)?.inverse();
        Some(Array2::from_shape_fn((width, width), |(i, j)| {
            inverse[(i, j)]
        }))
    }

    fn factor(&self, ridge: f64) -> Result<Cholesky<f64, Dyn>> {
        let width = self.columns.len();
        let size = self.classes * width;
        let mut matrix = match &self.hessian {
            Some(hessian) => hessian.clone(),
            None => DMatrix::zeros(size, size),
        };
        // Adding the same to all classes changes nothing; this fixes the sum of a column at 0.
        let common = self.total / (self.classes * self.classes) as f64;
        for k in 0..self.classes {
            for l in 0..self.classes {
                for j in 0..width {
                    matrix[(k * width + j, l * width + j)] += common;
                }
            }
            for j in 0..width - 1 {
                matrix[(k * width + j, k * width + j)] += ridge;
            }
        }
        // A class that the model has all but excluded leaves no curvature; a trace keeps it solvable.
        let trace = 1e-12 * self.total;
        for i in 0..size {
            matrix[(i, i)] += trace;
        }
        Cholesky::new(matrix).ok_or_else(|| {
            Error::too_little("the logistic regression is not determined by the data")
                .remedy("leave out features that repeat others")
        })
    }

    /// Class probabilities of one block into `p`, and the block's loss.
    fn block(&self, from: usize, at: &[f64], p: &mut [[f64; BLOCK]]) -> f64 {
        let width = self.columns.len();
        let rows = from..from + BLOCK;
        let mut largest = [f64::NEG_INFINITY; BLOCK];
        for (k, z) in p.iter_mut().enumerate() {
            let theta = &at[k * width..(k + 1) * width];
            z.fill(theta[width - 1]);
            for (slope, column) in theta[..width - 1].iter().zip(&self.columns) {
                for (z, x) in z.iter_mut().zip(&column[rows.clone()]) {
                    *z += slope * x;
                }
            }
            for (m, z) in largest.iter_mut().zip(z.iter()) {
                *m = if *z > *m { *z } else { *m };
            }
        }
        let labels = &self.labels[rows.clone()];
        let weights = &self.weights[rows];
        let mut own = [0.0; BLOCK];
        for i in 0..BLOCK {
            own[i] = p[labels[i]][i] - largest[i];
        }
        let mut sum = [0.0; BLOCK];
        for z in p.iter_mut() {
            for (z, m) in z.iter_mut().zip(&largest) {
                *z -= m;
            }
            exp_of_nonpositive(z);
            for (s, e) in sum.iter_mut().zip(z.iter()) {
                *s += e;
            }
        }
        let mut loss = 0.0;
        for i in 0..BLOCK {
            loss += weights[i] * (sum[i].ln() - own[i]);
        }
        for s in &mut sum {
            *s = 1.0 / *s;
        }
        for z in p.iter_mut() {
            for (e, s) in z.iter_mut().zip(&sum) {
                *e *= s;
            }
        }
        loss
    }

    fn evaluate(&self, at: &[f64], ridge: f64) -> Evaluation {
        let width = self.columns.len();
        let mut gradient = vec![0.0; at.len()];
        let mut p = vec![[0.0; BLOCK]; self.classes];
        let mut loss = 0.0;
        for from in (0..self.weights.len()).step_by(BLOCK) {
            loss += self.block(from, at, &mut p);
            let rows = from..from + BLOCK;
            let weights = &self.weights[rows.clone()];
            for p in p.iter_mut() {
                for (p, w) in p.iter_mut().zip(weights) {
                    *p *= w;
                }
            }
            for (i, (&label, w)) in self.labels[rows.clone()].iter().zip(weights).enumerate() {
                p[label][i] -= w;
            }
            for (k, residual) in p.iter().enumerate() {
                for (g, column) in gradient[k * width..].iter_mut().zip(&self.columns) {
                    *g += dot(residual, &column[rows.clone()]);
                }
            }
        }
        let mut penalty = 0.0;
        for k in 0..self.classes {
            for j in k * width..(k + 1) * width - 1 {
                gradient[j] += ridge * at[j];
                penalty += at[j] * at[j];
            }
        }
        Evaluation {
            loss,
            objective: loss + 0.5 * ridge * penalty,
            gradient,
        }
    }

    /// Hessian of the weighted negative log likelihood.
    fn curvature(&self, at: &[f64]) -> DMatrix<f64> {
        let (classes, width) = (self.classes, self.columns.len());
        // Blocks of pairs k < l; those on the diagonal follow, since each row of blocks sums to 0.
        let pairs: Vec<(usize, usize)> = (0..classes)
            .flat_map(|k| (k + 1..classes).map(move |l| (k, l)))
            .collect();
        let mut blocks = vec![vec![0.0; width * width]; pairs.len()];
        let mut p = vec![[0.0; BLOCK]; classes];
        for from in (0..self.weights.len()).step_by(BLOCK) {
            self.block(from, at, &mut p);
            let rows = from..from + BLOCK;
            let weights = &self.weights[rows.clone()];
            for (&(k, l), block) in pairs.iter().zip(&mut blocks) {
                let mut h = [0.0; BLOCK];
                for i in 0..BLOCK {
                    h[i] = weights[i] * p[k][i] * p[l][i];
                }
                let mut hx = [0.0; BLOCK];
                for (j, column) in self.columns.iter().enumerate() {
                    for ((hx, h), x) in hx.iter_mut().zip(&h).zip(&column[rows.clone()]) {
                        *hx = h * x;
                    }
                    for (m, other) in self.columns[..=j].iter().enumerate() {
                        block[j * width + m] += dot(&hx, &other[rows.clone()]);
                    }
                }
            }
        }
        let mut hessian = DMatrix::zeros(classes * width, classes * width);
        for ((k, l), block) in pairs.into_iter().zip(&blocks) {
            for j in 0..width {
                for m in 0..=j {
                    let value = block[j * width + m];
                    for (row, column) in [(j, m), (m, j)] {
                        hessian[(k * width + row, l * width + column)] = -value;
                        hessian[(l * width + row, k * width + column)] = -value;
                        hessian[(k * width + row, k * width + column)] += value;
                        hessian[(l * width + row, l * width + column)] += value;
                        if j == m {
                            break;
                        }
                    }
                }
            }
        }
        hessian
    }
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

/// Dot product in eight running sums, in a fixed order.
fn dot(a: &[f64; BLOCK], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    for (a, b) in a.chunks_exact(8).zip(b.chunks_exact(8)) {
        for i in 0..8 {
            sums[i] += a[i] * b[i];
        }
    }
    (sums[0] + sums[4]) + (sums[1] + sums[5]) + (sums[2] + sums[6]) + (sums[3] + sums[7])
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
        let rows = Softmax::new(features.view(), &labels, &weights, 3);
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
