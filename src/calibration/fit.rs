//! The free-scale fit: a mapping whose u'v' come nearest to those of targets of unknown brightness.
//!
//! Each target says only in which direction its XYZ points, so the fit is of a projective map. The
//! start is the algebraic solution (direct linear transformation: the smallest singular vector of
//! the cross products), then u'v' residuals are minimized by damped Gauss-Newton steps.

use super::mapping::{Coefficients, MappingKind, terms};
use crate::numeric::least_squares::{Normal, damped, linear};
use nalgebra::{DMatrix, DVector};

/// One signal whose chromaticity is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sample {
    /// Net signal.
    pub net: [f64; 3],
    /// Reference u', v'.
    pub uv: [f64; 2],
    /// Luminance, where it is known in one unit for all samples that have it.
    pub luminance: Option<f64>,
    /// Weight of its squared u'v' residual.
    pub weight: f64,
}

/// The form of a mapping that is to be fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Form {
    /// Matrix or root polynomial.
    pub kind: MappingKind,
    /// The channels that carry something.
    pub channels: [bool; 3],
    /// Pull towards the matrix, per squared deviation of a coefficient (all of length 1 together).
    pub ridge: f64,
}

/// Most Gauss-Newton steps of a fit.
const STEPS: usize = 40;
/// A relative error of luminance counts as this much times itself in u'v': a tenth is worth 0.005.
const LUMINANCE: f64 = 0.05;
/// Linear coefficients are pulled this much less than those of the roots.
const LINEAR_PULL: f64 = 0.1;

impl Form {
    /// The terms that are not zero by the missing of a channel.
    pub fn active(&self) -> Vec<usize> {
        let [r, g, b] = self.channels;
        [r, g, b, r && g, g && b, b && r][..self.kind.terms()]
            .iter()
            .enumerate()
            .filter_map(|(i, on)| on.then_some(i))
            .collect()
    }

    /// Coefficients that the targets decide: all but the common scale.
    pub fn free(&self) -> usize {
        3 * self.active().len() - 1
    }

    /// Fewest targets that decide them: each gives two numbers.
    pub fn fewest_targets(&self) -> usize {
        self.free().div_ceil(2)
    }

    fn spread(&self, parameters: &[f64]) -> Coefficients {
        let active = self.active();
        std::array::from_fn(|row| {
            let mut whole = vec![0.0; self.kind.terms()];
            for (k, &term) in active.iter().enumerate() {
                whole[term] = parameters[row * active.len() + k];
            }
            whole
        })
    }

    fn gather(&self, coefficients: &Coefficients) -> Vec<f64> {
        let active = self.active();
        coefficients
            .iter()
            .flat_map(|row| {
                active
                    .iter()
                    .map(|&t| row.get(t).copied().unwrap_or(0.0))
                    .collect::<Vec<_>>()
            })
            .collect()
    }

    /// Coefficients fitted to the samples, of length 1 together, from a start if one is given; the
    /// ridge pulls towards the start.
    ///
    /// `None` if no start can be found at which every sample has a color.
    pub fn fit(&self, samples: &[Sample], start: Option<&Coefficients>) -> Option<Coefficients> {
        let matrix = Form {
            kind: MappingKind::Matrix,
            ridge: 0.0,
            ..*self
        };
        let starts = match start {
            Some(start) => vec![start.clone()],
            None if self.kind == MappingKind::RootPolynomial => vec![matrix.fit(samples, None)?],
            None => [self.algebraic(samples), self.of_equal_sums(samples)]
                .into_iter()
                .flatten()
                .collect(),
        };
        starts.iter().find_map(|s| self.descend(samples, s))
    }

    fn descend(&self, samples: &[Sample], start: &Coefficients) -> Option<Coefficients> {
        let mut start = self.gather(start);
        normalize(&mut start)?;
        let active = self.active();
        let count = active.len();
        let prepared: Vec<Prepared> = samples
            .iter()
            .filter(|s| s.weight > 0.0)
            .map(|s| self.prepare(s))
            .collect();
        scale_to_luminance(&mut start, &prepared);
        let prior = start.clone();
        let mut found = damped(start, STEPS, |m| {
            let mut normal = Normal::zero(3 * count);
            for sample in &prepared {
                residuals(m, sample, &mut normal)?;
            }
            for (i, (now, then)) in m.iter().zip(&prior).enumerate() {
                let linear = active[i % count] < 3;
                let pull = self.ridge * if linear { LINEAR_PULL } else { 1.0 };
                if pull > 0.0 {
                    normal.cost += pull * (now - then).powi(2);
                    normal.gradient[i] += pull * (now - then);
                    normal.matrix[(i, i)] += pull;
                }
            }
            Some(normal)
        })?;
        normalize(&mut found)?;
        Some(self.spread(&found))
    }

    fn prepare(&self, sample: &Sample) -> Prepared {
        let (terms, sum) = self.direction(sample.net);
        Prepared {
            terms,
            uv: sample.uv,
            luminance: sample.luminance.map(|y| y / sum),
            weight: sample.weight,
        }
    }

    /// Active terms of a signal over the sum of their absolute values, and that sum.
    fn direction(&self, net: [f64; 3]) -> (Vec<f64>, f64) {
        let all = terms(net);
        let found: Vec<f64> = self.active().iter().map(|&t| all[t]).collect();
        let sum: f64 = found.iter().map(|t| t.abs()).sum();
        (found.iter().map(|t| t / sum).collect(), sum)
    }

    /// Linear least squares as if X + Y + Z went with the sum of the terms: no good fit, but one
    /// that gives most signals a color.
    fn of_equal_sums(&self, samples: &[Sample]) -> Option<Coefficients> {
        let design: Vec<Vec<f64>> = samples.iter().map(|s| self.direction(s.net).0).collect();
        let mut m = Vec::with_capacity(3 * self.active().len());
        for k in 0..3 {
            let values: Vec<f64> = samples.iter().map(|s| direction_of(s.uv)[k]).collect();
            m.extend(linear(&design, &values).ok()?.coefficients);
        }
        Some(self.spread(&m))
    }

    /// The algebraic solution, reweighted so that its residuals are about those of u'v'.
    fn algebraic(&self, samples: &[Sample]) -> Option<Coefficients> {
        let count = self.active().len();
        let mut scales = vec![1.0; samples.len()];
        let mut found: Option<Vec<f64>> = None;
        for _ in 0..4 {
            let mut rows = DMatrix::zeros(3 * samples.len(), 3 * count);
            for (i, s) in samples.iter().enumerate() {
                let xyz = direction_of(s.uv);
                let (term, _) = self.direction(s.net);
                let weight = s.weight.sqrt() * scales[i];
                for (k, (a, b)) in [(0, 1), (1, 2), (2, 0)].into_iter().enumerate() {
                    for (j, t) in term.iter().enumerate() {
                        rows[(3 * i + k, a * count + j)] = weight * xyz[b] * t;
                        rows[(3 * i + k, b * count + j)] = -weight * xyz[a] * t;
                    }
                }
            }
            let product = rows.transpose() * &rows;
            let eigen = product.symmetric_eigen();
            let smallest = eigen.eigenvalues.imin();
            let mut m: Vec<f64> = eigen
                .eigenvectors
                .column(smallest)
                .iter()
                .copied()
                .collect();
            let sums: Vec<f64> = samples
                .iter()
                .map(|s| denominator(&m, &self.direction(s.net).0))
                .collect();
            if sums.iter().sum::<f64>() < 0.0 {
                m.iter_mut().for_each(|v| *v = -*v);
            }
            let floor = sums.iter().map(|s| s.abs()).sum::<f64>() / sums.len() as f64 * 0.05;
            for (scale, sum) in scales.iter_mut().zip(&sums) {
                *scale = 1.0 / sum.abs().max(floor);
            }
            found = Some(m);
        }
        Some(self.spread(&found?))
    }

    /// How far the fit follows each sample: the trace of its block of the hat matrix, halved.
    pub fn leverages(&self, samples: &[Sample], coefficients: &Coefficients) -> Option<Vec<f64>> {
        let mut m = self.gather(coefficients);
        let count = m.len();
        let mut normal = Normal::zero(count);
        let mut blocks = Vec::with_capacity(samples.len());
        let prepared: Vec<Prepared> = samples.iter().map(|s| self.prepare(s)).collect();
        scale_to_luminance(&mut m, &prepared);
        for sample in &prepared {
            let mut own = Normal::zero(count);
            residuals(&m, sample, &mut own)?;
            let own = fill(own.matrix);
            normal.matrix += &own;
            blocks.push(own);
        }
        let active = self.active().len();
        for i in 0..count {
            let linear = i % active < 3;
            normal.matrix[(i, i)] += self.ridge * if linear { LINEAR_PULL } else { 1.0 };
        }
        // The common scale changes nothing: it is held fast.
        let scale = DVector::from_column_slice(&m);
        let largest = normal.matrix.diagonal().max();
        normal.matrix += &scale * scale.transpose() * largest;
        for i in 0..count {
            normal.matrix[(i, i)] += 1e-12 * largest;
        }
        let inverse = normal.matrix.cholesky()?.inverse();
        Some(
            blocks
                .iter()
                .map(|block| (0.5 * (&inverse * block).trace()).clamp(0.0, 1.0))
                .collect(),
        )
    }
}

fn fill(mut matrix: DMatrix<f64>) -> DMatrix<f64> {
    for i in 0..matrix.nrows() {
        for j in 0..i {
            matrix[(j, i)] = matrix[(i, j)];
        }
    }
    matrix
}

fn normalize(m: &mut [f64]) -> Option<()> {
    let length = m.iter().map(|v| v * v).sum::<f64>().sqrt();
    if !(length > 0.0 && length.is_finite()) {
        return None;
    }
    m.iter_mut().for_each(|v| *v /= length);
    Some(())
}

/// XYZ of sum 1 of a chromaticity u', v'.
pub(super) fn direction_of([u, v]: [f64; 2]) -> [f64; 3] {
    // With X + 15Y + 3Z = 1: X = u/4, Y = v/9, Z = (1 - X - 15Y) / 3.
    let (x, y) = (u / 4.0, v / 9.0);
    let z = (1.0 - x - 15.0 * y) / 3.0;
    let sum = x + y + z;
    [x / sum, y / sum, z / sum]
}

fn rows(m: &[f64], term: &[f64]) -> [f64; 3] {
    let n = term.len();
    std::array::from_fn(|row| {
        m[row * n..(row + 1) * n]
            .iter()
            .zip(term)
            .map(|(c, t)| c * t)
            .sum()
    })
}

fn denominator(m: &[f64], term: &[f64]) -> f64 {
    let [x, y, z] = rows(m, term);
    x + 15.0 * y + 3.0 * z
}

/// A sample with its active terms; luminance is per sum of the terms.
struct Prepared {
    terms: Vec<f64>,
    uv: [f64; 2],
    luminance: Option<f64>,
    weight: f64,
}

/// Brings coefficients to the scale of the luminances that are known.
fn scale_to_luminance(m: &mut [f64], samples: &[Prepared]) {
    let (mut sum, mut count) = (0.0, 0.0);
    for sample in samples {
        if let Some(y) = sample.luminance {
            let ratio = rows(m, &sample.terms)[1] / y;
            if ratio > 0.0 {
                sum += ratio;
                count += 1.0;
            }
        }
    }
    if count > 0.0 {
        m.iter_mut().for_each(|v| *v *= count / sum);
    }
}

/// Adds the residuals of u', v' and, where known, of luminance; `None` where there is no color.
fn residuals(m: &[f64], sample: &Prepared, normal: &mut Normal) -> Option<()> {
    let n = sample.terms.len();
    let [x, y, z] = rows(m, &sample.terms);
    let sum = x + 15.0 * y + 3.0 * z;
    if sum.is_nan() || sum <= 0.0 {
        return None;
    }
    let (u, v) = (4.0 * x / sum, 9.0 * y / sum);
    let mut add = |residual: f64, by: [f64; 3]| {
        let mut all = [0.0; 18];
        for (row, slope) in by.iter().enumerate() {
            for (derivative, t) in all[row * n..].iter_mut().zip(&sample.terms) {
                *derivative = slope * t;
            }
        }
        normal.add(residual, &all[..3 * n], sample.weight);
    };
    add(
        u - sample.uv[0],
        [(4.0 - u) / sum, -15.0 * u / sum, -3.0 * u / sum],
    );
    add(
        v - sample.uv[1],
        [-v / sum, (9.0 - 15.0 * v) / sum, -3.0 * v / sum],
    );
    if let Some(known) = sample.luminance {
        add(LUMINANCE * (y / known - 1.0), [0.0, LUMINANCE / known, 0.0]);
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::mapping::{apply, color_of};

    const TRUE: [[f64; 3]; 3] = [[0.5, 0.3, 0.2], [0.25, 0.7, 0.05], [0.02, 0.1, 0.9]];

    fn samples(scale: impl Fn(usize) -> f64) -> Vec<Sample> {
        (0..8)
            .map(|i| {
                let a = i as f64;
                let net = [
                    0.5 + 0.4 * (a * 0.9).sin(),
                    0.5 + 0.4 * (a * 1.7).cos(),
                    0.3 + 0.2 * (a * 2.3).sin(),
                ];
                let mapping = TRUE.map(|r| r.to_vec());
                let xyz = apply(&mapping, MappingKind::Matrix, net);
                let [u, v, _] = color_of(xyz).unwrap();
                Sample {
                    net: net.map(|c| c * scale(i)),
                    uv: [u, v],
                    luminance: None,
                    weight: 1.0,
                }
            })
            .collect()
    }

    const MATRIX: Form = Form {
        kind: MappingKind::Matrix,
        channels: [true; 3],
        ridge: 0.0,
    };

    #[test]
    fn the_true_matrix_is_found_whatever_the_targets_brightness() {
        let found = MATRIX
            .fit(&samples(|i| 10_f64.powi(i as i32 % 3 - 1)), None)
            .unwrap();
        let scale = found[1][1] / TRUE[1][1];
        for (row, truth) in found.iter().zip(TRUE) {
            for (a, b) in row.iter().zip(truth) {
                assert!((a / scale - b).abs() < 1e-6, "{found:?}");
            }
        }
    }

    #[test]
    fn a_target_far_from_the_others_pulls_hardest() {
        let mut all = samples(|_| 1.0);
        for (i, s) in all.iter_mut().enumerate() {
            s.net[2] *= if i == 0 { 20.0 } else { 0.2 };
            let xyz = apply(&TRUE.map(|r| r.to_vec()), MappingKind::Matrix, s.net);
            let [u, v, _] = color_of(xyz).unwrap();
            s.uv = [u, v];
        }
        let fitted = MATRIX.fit(&all, None).unwrap();
        let leverages = MATRIX.leverages(&all, &fitted).unwrap();
        let sum: f64 = leverages.iter().sum();
        // Half of the eight free coefficients: a target gives two numbers.
        assert!((sum - 4.0).abs() < 0.05, "{leverages:?}");
        let strongest = leverages.iter().copied().fold(0.0, f64::max);
        assert_eq!(leverages[0], strongest);
    }

    #[test]
    fn targets_needed_follow_from_the_coefficients() {
        assert_eq!(MATRIX.fewest_targets(), 4);
        let polynomial = Form {
            kind: MappingKind::RootPolynomial,
            ..MATRIX
        };
        assert_eq!(polynomial.fewest_targets(), 9);
        let no_blue = Form {
            channels: [true, true, false],
            ..polynomial
        };
        assert_eq!((no_blue.active(), no_blue.free()), (vec![0, 1, 3], 8));
    }
}
