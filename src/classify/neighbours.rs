//! The nearest known patches, by weight.

use super::kd_tree::{KdTree, Near, Search};
use super::standardizer::Standardizer;
use super::training::Training;
use ndarray::{Array2, ArrayView2, Axis};
use serde::{Deserialize, Serialize};

/// Class shares among the nearest known patches in standardized features.
///
/// Not a number of patches is taken but a total weight `k`, so that a patch of weight 2 counts as
/// two; patches equally far share what is left of `k` in proportion to their weights. The class
/// shares of training join in with a weight of 1, so that no class that occurs has probability 0.
///
/// Source: Fix and Hodges (1951), reprinted in Int. Stat. Rev. 57:238-247.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct Neighbours {
    written: Written,
    tree: KdTree,
}

/// What is saved: the patches themselves; the search tree is built again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Written {
    k: f64,
    standardizer: Standardizer,
    /// Standardized features, patch after patch.
    points: Vec<f64>,
    labels: Vec<usize>,
    weights: Vec<f64>,
    shares: Vec<f64>,
}

/// The weight with which the class shares of training join in.
const BASE_WEIGHT: f64 = 1.0;

impl Neighbours {
    pub(crate) fn fit(training: &Training<'_>, k: f64) -> Self {
        let standardizer = Standardizer::fit(training.features, training.weights);
        let points = standardizer.apply(training.features);
        Neighbours::build(Written {
            k,
            points: points.iter().copied().collect(),
            standardizer,
            labels: training.labels.clone(),
            weights: training.weights.to_vec(),
            shares: training.shares.clone(),
        })
    }

    fn build(written: Written) -> Self {
        let width = written.standardizer.mean.len();
        Neighbours {
            tree: KdTree::new(&written.points, width, &written.weights),
            written,
        }
    }

    pub(crate) fn width(&self) -> usize {
        self.written.standardizer.mean.len()
    }

    pub(crate) fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        self.probabilities_for(&[self.written.k], features)
            .swap_remove(0)
    }

    /// Class probabilities under each of several `k`, from one search a patch.
    pub(crate) fn probabilities_for(
        &self,
        ks: &[f64],
        features: ArrayView2<'_, f64>,
    ) -> Vec<Array2<f64>> {
        let Written { shares, labels, .. } = &self.written;
        let queries = self.written.standardizer.apply(features);
        let most = ks.iter().fold(0.0_f64, |a, k| a.max(*k));
        let mut all = vec![Array2::zeros((features.nrows(), shares.len())); ks.len()];
        let mut search = Search::default();
        let mut query = vec![0.0; features.ncols()];
        for (row, x) in queries.rows().into_iter().enumerate() {
            for (q, x) in query.iter_mut().zip(x) {
                *q = *x;
            }
            let near = self.tree.nearest(&query, most, &mut search);
            for (k, probabilities) in ks.iter().zip(&mut all) {
                let mut p = probabilities.index_axis_mut(Axis(0), row);
                for (p, share) in p.iter_mut().zip(shares) {
                    *p = BASE_WEIGHT * share;
                }
                vote(near, *k, |name, weight| p[labels[name]] += weight);
                let sum = p.sum();
                p /= sum;
            }
        }
        all
    }

    /// Whether the parts fit together, as after reading from a file.
    fn is_sound(written: &Written) -> bool {
        let (patches, width) = (written.labels.len(), written.standardizer.mean.len());
        written.standardizer.sd.len() == width
            && written.points.len() == patches * width
            && written.weights.len() == patches
            && written.labels.iter().all(|l| *l < written.shares.len())
    }
}

/// Gives out a weight of `k` to patches in order of distance.
fn vote(near: &[Near], k: f64, mut give: impl FnMut(usize, f64)) {
    let mut left = k;
    for group in near.chunk_by(|a, b| a.squared_distance == b.squared_distance) {
        let weight: f64 = group.iter().map(|n| n.weight).sum();
        let share = (left / weight).min(1.0);
        for near in group {
            give(near.name as usize, near.weight * share);
        }
        left -= weight;
        if left <= 0.0 {
            break;
        }
    }
}

impl From<Neighbours> for Written {
    fn from(neighbours: Neighbours) -> Self {
        neighbours.written
    }
}

impl TryFrom<Written> for Neighbours {
    type Error = &'static str;

    fn try_from(written: Written) -> Result<Self, Self::Error> {
        if Neighbours::is_sound(&written) {
            Ok(Neighbours::build(written))
        } else {
            Err("the saved patches, labels and weights are not of one length")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(squared_distance: f64, name: u32, weight: f64) -> Near {
        Near {
            squared_distance,
            name,
            weight,
        }
    }

    #[test]
    fn patches_equally_far_share_what_is_left() {
        let found = [
            near(1.0, 0, 1.0),
            near(2.0, 1, 1.0),
            near(2.0, 2, 3.0),
            near(3.0, 3, 1.0),
        ];
        let mut given = [0.0; 4];
        vote(&found, 3.0, |name, weight| given[name] += weight);
        assert_eq!(given, [1.0, 0.5, 1.5, 0.0]);
    }
}
