//! Least squares: linear by orthogonal decomposition, and nonlinear by damped Gauss-Newton steps.

use crate::{Error, Result};
use nalgebra::{DMatrix, DVector};

/// A linear least-squares fit.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFit {
    /// One coefficient a column.
    pub coefficients: Vec<f64>,
    /// Standard error of each; absent where there are no more rows than columns.
    pub standard_errors: Option<Vec<f64>>,
    /// Standard deviation of the residuals; absent as above.
    pub residual_sd: Option<f64>,
}

/// Singular values below this share of the largest say that columns depend on one another.
const DEPENDENT: f64 = 1e-15;

/// Coefficients that bring `design` times them nearest to `values`.
///
/// Columns are brought to length 1, then decomposed by Householder reflections, and the solution
/// is refined once from its own residuals.
///
/// # Errors
/// Fewer rows than columns, or columns that depend on one another.
///
/// ```
/// use boneglow::numeric::least_squares::linear;
/// // 1 + 2 x through three points.
/// let rows = [vec![1.0, 0.0], vec![1.0, 1.0], vec![1.0, 2.0]];
/// let fit = linear(&rows, &[1.0, 3.0, 5.0])?;
/// assert!((fit.coefficients[0] - 1.0).abs() < 1e-14 && (fit.coefficients[1] - 2.0).abs() < 1e-14);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn linear(design: &[Vec<f64>], values: &[f64]) -> Result<LinearFit> {
    let (rows, columns) = (design.len(), design.first().map_or(0, Vec::len));
    let dependent =
        || Error::too_little("the columns of a least-squares fit depend on one another");
    if columns == 0 || rows < columns || values.len() != rows {
        return Err(Error::too_little(format!(
            "found {rows} values for {columns} coefficients, expected at least as many"
        )));
    }
    let mut matrix = DMatrix::from_fn(rows, columns, |i, j| design[i][j]);
    let values = DVector::from_column_slice(values);
    let lengths: Vec<f64> = matrix.column_iter().map(|c| c.norm()).collect();
    for (mut column, length) in matrix.column_iter_mut().zip(&lengths) {
        if *length <= 0.0 || length.is_nan() {
            return Err(dependent());
        }
        column /= *length;
    }
    let (q, r) = matrix.clone().qr().unpack();
    if r.diagonal().iter().any(|d| d.abs() < DEPENDENT) {
        return Err(dependent());
    }
    let solve = |rest: &DVector<f64>| r.solve_upper_triangular(&(q.transpose() * rest));
    let mut found = solve(&values).ok_or_else(dependent)?;
    let rest = &values - &matrix * &found;
    found += solve(&rest).ok_or_else(dependent)?;
    let rest = &values - &matrix * &found;
    let free = rows - columns;
    let residual_sd = (free > 0).then(|| (rest.norm_squared() / free as f64).sqrt());
    let inverse = r
        .solve_upper_triangular(&DMatrix::identity(columns, columns))
        .ok_or_else(dependent)?;
    Ok(LinearFit {
        standard_errors: residual_sd.map(|sd| {
            (0..columns)
                .map(|j| sd * inverse.row(j).norm() / lengths[j])
                .collect()
        }),
        coefficients: found.iter().zip(&lengths).map(|(b, l)| b / l).collect(),
        residual_sd,
    })
}

/// Cost, half its gradient and the Gauss-Newton matrix at one point.
#[derive(Debug, Clone)]
pub struct Normal {
    /// Sum of squared residuals.
    pub cost: f64,
    /// Transposed Jacobian times residuals.
    pub gradient: DVector<f64>,
    /// Transposed Jacobian times Jacobian.
    pub matrix: DMatrix<f64>,
}

impl Normal {
    /// Nothing added yet, for `count` parameters.
    pub fn zero(count: usize) -> Self {
        Normal {
            cost: 0.0,
            gradient: DVector::zeros(count),
            matrix: DMatrix::zeros(count, count),
        }
    }

    /// Adds a residual with its derivatives and its weight.
    pub fn add(&mut self, residual: f64, derivatives: &[f64], weight: f64) {
        self.cost += weight * residual * residual;
        let count = derivatives.len();
        let columns = self.matrix.as_mut_slice().chunks_exact_mut(count);
        for (j, (column, dj)) in columns.zip(derivatives).enumerate() {
            let along = weight * dj;
            self.gradient[j] += along * residual;
            for (entry, di) in column[j..].iter_mut().zip(&derivatives[j..]) {
                *entry += along * di;
            }
        }
    }

    fn symmetric(mut self) -> Self {
        for i in 0..self.matrix.nrows() {
            for j in 0..i {
                self.matrix[(j, i)] = self.matrix[(i, j)];
            }
        }
        self
    }
}

/// Parameters near `start` of least cost, by the method of Levenberg (1944) and Marquardt (1963):
/// Gauss-Newton steps, damped where they do not lower the cost.
///
/// `evaluate` fills the lower triangle of the matrix, or is `None` where the model is not defined.
/// `None` if it is not defined at `start`. Stops where a step no longer lowers the cost by a share
/// of 1e-10, or after `most` steps.
///
/// ```
/// use boneglow::numeric::least_squares::{Normal, damped};
/// // The root of 2: residual x^2 - 2.
/// let found = damped(vec![1.0], 50, |x| {
///     let mut normal = Normal::zero(1);
///     normal.add(x[0] * x[0] - 2.0, &[2.0 * x[0]], 1.0);
///     Some(normal)
/// });
/// assert!((found.unwrap()[0] - 2_f64.sqrt()).abs() < 1e-9);
/// ```
pub fn damped(
    start: Vec<f64>,
    most: usize,
    evaluate: impl Fn(&[f64]) -> Option<Normal>,
) -> Option<Vec<f64>> {
    let mut at = start;
    let mut normal = evaluate(&at)?.symmetric();
    let mut damping = 1e-3;
    for _ in 0..most {
        let largest = normal.matrix.diagonal().max().max(f64::MIN_POSITIVE);
        let mut lowered = None;
        for _ in 0..12 {
            let mut matrix = normal.matrix.clone();
            for i in 0..matrix.nrows() {
                matrix[(i, i)] += damping * matrix[(i, i)] + 1e-13 * largest;
            }
            let step = matrix.cholesky().map(|c| c.solve(&normal.gradient));
            let candidate = step.map(|step| {
                let moved: Vec<f64> = at.iter().zip(step.iter()).map(|(a, s)| a - s).collect();
                moved
            });
            let better = candidate
                .and_then(|c| Some((evaluate(&c)?, c)))
                .filter(|(n, _)| n.cost <= normal.cost);
            match better {
                Some((found, moved)) => {
                    damping = (damping * 0.1).max(1e-12);
                    lowered = Some((found.symmetric(), moved));
                    break;
                }
                None => damping = (damping * 10.0).min(1e12),
            }
        }
        let Some((found, moved)) = lowered else {
            break;
        };
        let settled = normal.cost - found.cost <= 1e-10 * normal.cost;
        (normal, at) = (found, moved);
        if settled {
            break;
        }
    }
    Some(at)
}
