//! Sums over rows that a multinomial logistic regression is fitted by: loss, gradient, Hessian.

use super::exponential::exp_of_nonpositive;
use nalgebra::DMatrix;
use ndarray::ArrayView2;

/// Rows handled at once: a block of all columns stays in the first-level cache.
const BLOCK: usize = 128;
/// Rows and classes whose sums are kept in registers.
const LANES: usize = 8;
const TILE: usize = 5;

type Block = [f64; BLOCK];

/// Labelled, weighted rows; coefficients are class after class, the intercept last.
pub(super) struct Likelihood {
    /// Column after column, each padded to whole blocks; the last column is all ones.
    columns: Vec<Vec<f64>>,
    labels: Vec<usize>,
    /// Padded with zeros.
    weights: Vec<f64>,
    pub total: f64,
    pub classes: usize,
}

/// What one pass over the rows gives.
pub(super) struct Evaluation {
    /// Weighted negative log likelihood.
    pub loss: f64,
    /// With the ridge.
    pub objective: f64,
    pub gradient: Vec<f64>,
}

impl Evaluation {
    pub fn largest(&self) -> f64 {
        self.gradient.iter().fold(0.0, |a, g| a.max(g.abs()))
    }
}

impl Likelihood {
    pub fn new(
        features: ArrayView2<'_, f64>,
        labels: &[usize],
        weights: &[f64],
        classes: usize,
    ) -> Self {
        let padded = features.nrows().div_ceil(BLOCK) * BLOCK;
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
        let mut weights = weights.to_vec();
        weights.resize(padded, 0.0);
        let mut labels = labels.to_vec();
        labels.resize(padded, 0);
        Likelihood {
            columns,
            labels,
            total: weights.iter().sum(),
            weights,
            classes,
        }
    }

    /// Number of coefficients of a class.
    pub fn width(&self) -> usize {
        self.columns.len()
    }

    /// Loss and gradient, with `ridge` / 2 x |slopes|^2.
    pub fn evaluate(&self, at: &[f64], ridge: f64) -> Evaluation {
        let (loss, mut gradient) = self.loss_and_gradient(at);
        let mut penalty = 0.0;
        for (of_class, slopes) in gradient
            .chunks_exact_mut(self.width())
            .zip(at.chunks_exact(self.width()))
        {
            for (g, slope) in of_class.iter_mut().zip(&slopes[..self.width() - 1]) {
                *g += ridge * slope;
                penalty += slope * slope;
            }
        }
        Evaluation {
            loss,
            objective: loss + 0.5 * ridge * penalty,
            gradient,
        }
    }

    fn loss_and_gradient(&self, at: &[f64]) -> (f64, Vec<f64>) {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") {
            #[target_feature(enable = "avx2")]
            fn wide(rows: &Likelihood, at: &[f64]) -> (f64, Vec<f64>) {
                rows.sum_gradient(at)
            }
            // SAFETY: the processor has what `wide` needs; it does the same operations, four at
            // once.
            #[allow(unsafe_code)]
            return unsafe { wide(self, at) };
        }
        self.sum_gradient(at)
    }

    /// Hessian of the weighted negative log likelihood.
    pub fn curvature(&self, at: &[f64]) -> DMatrix<f64> {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") {
            #[target_feature(enable = "avx2")]
            fn wide(rows: &Likelihood, at: &[f64]) -> Vec<f64> {
                rows.sum_curvature(at)
            }
            // SAFETY: as above.
            #[allow(unsafe_code)]
            return self.hessian(&unsafe { wide(self, at) });
        }
        self.hessian(&self.sum_curvature(at))
    }

    #[inline(always)]
    fn sum_gradient(&self, at: &[f64]) -> (f64, Vec<f64>) {
        let (classes, width) = (self.classes, self.width());
        // Column after column, so that the classes of a column lie together.
        let mut sums = vec![0.0; at.len()];
        let mut p = vec![[0.0; BLOCK]; classes];
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
            for (column, sums) in self.columns.iter().zip(sums.chunks_exact_mut(classes)) {
                add_dots(&p, &column[rows.clone()], sums);
            }
        }
        let gradient = (0..at.len())
            .map(|i| sums[i % width * classes + i / width])
            .collect();
        (loss, gradient)
    }

    /// For each pair of columns (j, m up to j) and of classes (k, l above k) the sum of weight x
    /// p_k x p_l x column_j x column_m.
    #[inline(always)]
    fn sum_curvature(&self, at: &[f64]) -> Vec<f64> {
        let (classes, width) = (self.classes, self.width());
        let pairs = classes * (classes - 1) / 2;
        let mut sums = vec![0.0; width * (width + 1) / 2 * pairs];
        let mut p = vec![[0.0; BLOCK]; classes];
        let mut h = vec![[0.0; BLOCK]; pairs];
        let mut product = [0.0; BLOCK];
        for from in (0..self.weights.len()).step_by(BLOCK) {
            self.block(from, at, &mut p);
            let rows = from..from + BLOCK;
            let mut pair = 0;
            for k in 0..classes {
                for l in k + 1..classes {
                    let weights = &self.weights[rows.clone()];
                    for (((h, w), p), q) in h[pair].iter_mut().zip(weights).zip(&p[k]).zip(&p[l]) {
                        *h = w * p * q;
                    }
                    pair += 1;
                }
            }
            let mut of_columns = sums.chunks_exact_mut(pairs);
            for (j, column) in self.columns.iter().enumerate() {
                for other in &self.columns[..=j] {
                    let both = column[rows.clone()].iter().zip(&other[rows.clone()]);
                    for (to, (x, y)) in product.iter_mut().zip(both) {
                        *to = x * y;
                    }
                    if let Some(sums) = of_columns.next() {
                        add_dots(&h, &product, sums);
                    }
                }
            }
        }
        sums
    }

    fn hessian(&self, sums: &[f64]) -> DMatrix<f64> {
        let (classes, width) = (self.classes, self.width());
        let mut hessian = DMatrix::zeros(classes * width, classes * width);
        let mut sums = sums.iter();
        for j in 0..width {
            for m in 0..=j {
                for k in 0..classes {
                    for l in k + 1..classes {
                        let value = sums.next().copied().unwrap_or(0.0);
                        // Each row of blocks sums to 0, which gives those on the diagonal.
                        for (row, column) in [(j, m), (m, j)] {
                            let (row_k, row_l) = (k * width + row, l * width + row);
                            let (column_k, column_l) = (k * width + column, l * width + column);
                            hessian[(row_k, column_l)] = -value;
                            hessian[(row_l, column_k)] = -value;
                            hessian[(row_k, column_k)] += value;
                            hessian[(row_l, column_l)] += value;
                            if j == m {
                                break;
                            }
                        }
                    }
                }
            }
        }
        hessian
    }

    /// Class probabilities of one block into `p`, and the block's loss.
    #[inline(always)]
    fn block(&self, from: usize, at: &[f64], p: &mut [Block]) -> f64 {
        let width = self.width();
        let rows = from..from + BLOCK;
        let mut at = at;
        for tile in p.chunks_mut(TILE) {
            let (these, rest) = at.split_at(tile.len() * width);
            at = rest;
            match tile {
                [a, b, c, d, e] => self.logits([a, b, c, d, e], these, from),
                [a, b, c, d] => self.logits([a, b, c, d], these, from),
                [a, b, c] => self.logits([a, b, c], these, from),
                [a, b] => self.logits([a, b], these, from),
                [a] => self.logits([a], these, from),
                _ => {}
            }
        }
        let mut largest = [f64::NEG_INFINITY; BLOCK];
        for z in p.iter() {
            for (m, z) in largest.iter_mut().zip(z) {
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

    /// Logits of some classes, whose coefficients are `at`.
    #[inline(always)]
    fn logits<const K: usize>(&self, to: [&mut Block; K], at: &[f64], from: usize) {
        let width = self.width();
        for start in (0..BLOCK).step_by(LANES) {
            let mut z = [[0.0; LANES]; K];
            for k in 0..K {
                z[k] = [at[(k + 1) * width - 1]; LANES];
            }
            for (j, column) in self.columns[..width - 1].iter().enumerate() {
                let x = &column[from + start..][..LANES];
                for k in 0..K {
                    let slope = at[k * width + j];
                    for i in 0..LANES {
                        z[k][i] += slope * x[i];
                    }
                }
            }
            for k in 0..K {
                to[k][start..start + LANES].copy_from_slice(&z[k]);
            }
        }
    }
}

/// Adds to each sum the dot product of one of `of` with `with`, in a fixed order.
#[inline(always)]
fn add_dots(of: &[Block], with: &[f64], sums: &mut [f64]) {
    for (of, sums) in of.chunks(TILE).zip(sums.chunks_mut(TILE)) {
        match of {
            [a, b, c, d, e] => dots([a, b, c, d, e], with, sums),
            [a, b, c, d] => dots([a, b, c, d], with, sums),
            [a, b, c] => dots([a, b, c], with, sums),
            [a, b] => dots([a, b], with, sums),
            [a] => dots([a], with, sums),
            _ => {}
        }
    }
}

#[inline(always)]
fn dots<const K: usize>(of: [&Block; K], with: &[f64], to: &mut [f64]) {
    let mut sums = [[0.0; LANES]; K];
    for start in (0..BLOCK).step_by(LANES) {
        let x = &with[start..start + LANES];
        for k in 0..K {
            let y = &of[k][start..start + LANES];
            for i in 0..LANES {
                sums[k][i] += y[i] * x[i];
            }
        }
    }
    for (to, s) in to.iter_mut().zip(&sums) {
        *to += (s[0] + s[4]) + (s[1] + s[5]) + (s[2] + s[6]) + (s[3] + s[7]);
    }
}
