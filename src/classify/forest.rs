//! A random forest with class shares in its leaves.

use super::bins::Bins;
use super::growth::{Grown, MOST_FEATURES, Rows, on_a_grid};
use super::training::Training;
use super::tree::{Tree, WHOLE};
use crate::numeric::stream;
use crate::{Error, Result};
use ndarray::{Array2, ArrayView2, Axis};
use rand::Rng;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// How a forest is grown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ForestShape {
    /// Number of trees.
    pub trees: usize,
    /// Nodes lighter than this are not split.
    pub min_split: f64,
    /// How far leaves lean on their ancestors, as a weight; 0: not at all.
    pub shrink: f64,
}

/// Runs `$body` with `$P` the smallest padding that holds `$classes`.
macro_rules! padded {
    ($classes:expr, $P:ident => $body:expr) => {
        match $classes {
            ..=2 => {
                const $P: usize = 2;
                $body
            }
            ..=4 => {
                const $P: usize = 4;
                $body
            }
            ..=8 => {
                const $P: usize = 8;
                $body
            }
            ..=16 => {
                const $P: usize = 16;
                $body
            }
            _ => {
                const $P: usize = MOST_CLASSES;
                $body
            }
        }
    };
}

/// Mean class shares over trees, each grown on a bootstrap sample of the patches and looking at a
/// random few of the features (the square root of their number, rounded down) at each node.
///
/// Trees split binned features (at most 256 bins) by the Gini index. A last vote with the weight of
/// one tree goes to the class shares of training, so that no class that occurs has probability 0.
///
/// Source: Breiman, L. (2001) Random forests, Machine Learning 45:5-32; growth.rs for the trees.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Saved")]
pub struct Forest {
    bins: Bins,
    trees: Vec<Tree>,
    /// The last vote, of the whole of a leaf.
    base: Vec<u32>,
}

/// A forest as read, not yet checked.
#[derive(Deserialize)]
struct Saved {
    bins: Bins,
    trees: Vec<Tree>,
    base: Vec<u32>,
}

impl TryFrom<Saved> for Forest {
    type Error = &'static str;

    fn try_from(saved: Saved) -> std::result::Result<Self, Self::Error> {
        let (features, classes) = (saved.bins.features(), saved.base.len());
        if classes == 0 || !saved.trees.iter().all(|t| t.fits(features, classes)) {
            return Err("a tree of the saved forest leads nowhere");
        }
        Ok(Forest {
            bins: saved.bins,
            trees: saved.trees,
            base: saved.base,
        })
    }
}

const MOST_CLASSES: usize = 64;
/// Trees of a trial forest at most: enough to compare shapes with.
const TRIAL_TREES: usize = 50;
/// Rows scored at once.
const BLOCK: usize = 512;

impl Forest {
    pub(crate) fn fit(training: &Training<'_>, shape: ForestShape, seed: u64) -> Result<Self> {
        let field = Field::new(training)?;
        let trees = padded!(field.base.len(), P => (0..shape.trees as u64)
            .into_par_iter()
            .map(|tree| {
                field
                    .grow::<P>(shape.min_split, seed, tree)
                    .finish(shape.min_split, shape.shrink)
            })
            .collect());
        Ok(Forest {
            bins: field.bins,
            trees,
            base: field.base,
        })
    }

    /// Class probabilities of `held_out` under each shape, from forests that share their trees.
    pub(crate) fn trial(
        training: &Training<'_>,
        shapes: &[ForestShape],
        held_out: ArrayView2<'_, f64>,
        seed: u64,
    ) -> Result<Vec<Array2<f64>>> {
        let field = Field::new(training)?;
        Ok(padded!(field.base.len(), P => field.trial::<P>(shapes, held_out, seed)))
    }

    pub(crate) fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        let classes = self.base.len();
        let mut probabilities = Array2::zeros((features.nrows(), classes));
        let mut sums = vec![0_u32; BLOCK * classes];
        for (x, mut p) in features
            .axis_chunks_iter(Axis(0), BLOCK)
            .zip(probabilities.axis_chunks_iter_mut(Axis(0), BLOCK))
        {
            let codes = rows_of_codes(&self.bins, x);
            let width = self.bins.features();
            let sums = &mut sums[..x.nrows() * classes];
            for sums in sums.chunks_exact_mut(classes) {
                sums.copy_from_slice(&self.base);
            }
            for tree in &self.trees {
                for (codes, sums) in codes
                    .chunks_exact(width)
                    .zip(sums.chunks_exact_mut(classes))
                {
                    tree.add(codes, sums);
                }
            }
            for (mut p, sums) in p.axis_iter_mut(Axis(0)).zip(sums.chunks_exact(classes)) {
                normalize(p.iter_mut(), sums);
            }
        }
        probabilities
    }

    pub(crate) fn width(&self) -> usize {
        self.bins.features()
    }
}

fn normalize<'a>(p: impl Iterator<Item = &'a mut f64>, sums: &[u32]) {
    let total: f64 = sums.iter().map(|s| f64::from(*s)).sum();
    for (p, sum) in p.zip(sums) {
        *p = f64::from(*sum) / total;
    }
}

/// Codes row after row.
fn rows_of_codes(bins: &Bins, features: ArrayView2<'_, f64>) -> Vec<u8> {
    let width = bins.features();
    let mut codes = vec![0; features.nrows() * width];
    for (feature, column) in features.columns().into_iter().enumerate() {
        for (row, x) in column.iter().enumerate() {
            codes[row * width + feature] = bins.code(feature, *x);
        }
    }
    codes
}

/// Binned training patches from which trees grow.
struct Field {
    bins: Bins,
    codes: Vec<Vec<u8>>,
    labels: Vec<u8>,
    weights: Vec<f64>,
    base: Vec<u32>,
}

impl Field {
    fn new(training: &Training<'_>) -> Result<Self> {
        let classes = training.classes();
        if classes > MOST_CLASSES {
            return Err(Error::input(format!(
                "a forest tells at most {MOST_CLASSES} classes apart, and there are {classes}"
            ))
            .key("classify.classifiers")
            .remedy("join labels, or leave the forest out"));
        }
        if training.features.ncols() == 0 {
            return Err(Error::input("there is no feature").key("classify.features"));
        }
        if training.features.ncols() > MOST_FEATURES {
            return Err(Error::input(format!(
                "a forest looks at no more than {MOST_FEATURES} features, and there are {}",
                training.features.ncols()
            ))
            .key("classify.features")
            .remedy("leave features out, or the forest"));
        }
        let total: f64 = training.weights.iter().sum();
        let bins = Bins::fit(training.features);
        Ok(Field {
            codes: bins.codes(training.features),
            bins,
            labels: training.labels.iter().map(|&l| l as u8).collect(),
            weights: training
                .weights
                .iter()
                .map(|w| on_a_grid(*w, total))
                .collect(),
            base: training
                .shares
                .iter()
                .map(|s| ((s * WHOLE).round() as u32).max(1))
                .collect(),
        })
    }

    /// Grows one tree on a bootstrap sample: as many draws as patches, all equally likely, each
    /// draw counting with the patch's weight.
    fn grow<const P: usize>(&self, min_split: f64, seed: u64, tree: u64) -> Grown<P> {
        let n = self.labels.len();
        let mut rng = stream(seed, "forest", tree);
        let mut weights = vec![0.0; n];
        for _ in 0..n {
            let drawn = ((u64::from(rng.next_u32()) * n as u64) >> 32) as usize;
            weights[drawn] += self.weights[drawn];
        }
        let rows = Rows {
            codes: &self.codes,
            labels: &self.labels,
            weights: &weights,
        };
        let looked_at = self.codes.len().isqrt();
        Grown::new(&rows, self.base.len(), min_split, looked_at, rng.next_u64())
    }

    fn trial<const P: usize>(
        &self,
        shapes: &[ForestShape],
        held_out: ArrayView2<'_, f64>,
        seed: u64,
    ) -> Vec<Array2<f64>> {
        let (classes, width) = (self.base.len(), self.codes.len());
        let codes = rows_of_codes(&self.bins, held_out);
        let min_split = shapes.iter().fold(f64::INFINITY, |a, s| a.min(s.min_split));
        let trees = |shape: &ForestShape| shape.trees.min(TRIAL_TREES) as u64;
        let most = shapes.iter().map(trees).max().unwrap_or(0);
        let start: Vec<u32> = self
            .base
            .iter()
            .copied()
            .cycle()
            .take(held_out.nrows() * classes)
            .collect();
        // Whole numbers add up the same in any order, so trees may come from any thread.
        let sums = (0..most)
            .into_par_iter()
            .fold(
                || vec![vec![0_u32; start.len()]; shapes.len()],
                |mut sums, tree| {
                    let grown = self.grow::<P>(min_split, seed, tree);
                    let leaves: Vec<usize> = codes
                        .chunks_exact(width)
                        .map(|row| grown.leaf(row))
                        .collect();
                    for (shape, sums) in shapes.iter().zip(&mut sums) {
                        if tree < trees(shape) {
                            let shares = grown.leaf_shares(shape.min_split, shape.shrink);
                            for (leaf, sums) in leaves.iter().zip(sums.chunks_exact_mut(classes)) {
                                for (sum, share) in sums.iter_mut().zip(&shares[leaf * classes..]) {
                                    *sum += u32::from(*share);
                                }
                            }
                        }
                    }
                    sums
                },
            )
            .reduce(Vec::new, |a, b| match (a.is_empty(), b.is_empty()) {
                (true, _) => b,
                (_, true) => a,
                _ => a.into_iter().zip(b).map(|(a, b)| added(a, &b)).collect(),
            });
        sums.into_iter()
            .map(|sums| {
                let sums = added(sums, &start);
                let mut probabilities = Array2::zeros((held_out.nrows(), classes));
                for (mut p, sums) in probabilities
                    .axis_iter_mut(Axis(0))
                    .zip(sums.chunks_exact(classes))
                {
                    normalize(p.iter_mut(), sums);
                }
                probabilities
            })
            .collect()
    }
}

fn added(mut a: Vec<u32>, b: &[u32]) -> Vec<u32> {
    for (a, b) in a.iter_mut().zip(b) {
        *a += b;
    }
    a
}
