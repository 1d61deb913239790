//! Features as small whole numbers, for trees that split between them.

use ndarray::ArrayView2;
use serde::{Deserialize, Serialize};

/// Most bins of a feature: a code fits a byte.
const MOST_BINS: usize = 256;

/// For each feature the values between which trees may split.
///
/// Where a feature has at most 256 distinct values, each has a bin of its own and the edges lie
/// midway between neighbors; else the edges lie at quantiles.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Bins {
    /// Ascending edges of each feature; code c means above c of them.
    edges: Vec<Vec<f64>>,
}

impl Bins {
    /// Learns from `features` (patches x features).
    pub fn fit(features: ArrayView2<'_, f64>) -> Self {
        let edges = features.columns().into_iter().map(|column| {
            let mut values: Vec<f64> = column.iter().copied().collect();
            values.sort_unstable_by(f64::total_cmp);
            let midway = |a: f64, b: f64| {
                let middle = a + (b - a) / 2.0;
                if middle < b { middle } else { a }
            };
            let mut distinct = values.clone();
            distinct.dedup();
            if distinct.len() <= MOST_BINS {
                return distinct.windows(2).map(|w| midway(w[0], w[1])).collect();
            }
            let mut edges: Vec<f64> = Vec::with_capacity(MOST_BINS);
            for i in 1..MOST_BINS {
                let below = values[i * values.len() / MOST_BINS - 1];
                let next = distinct.partition_point(|v| *v <= below);
                if let Some(above) = distinct.get(next) {
                    edges.push(midway(below, *above));
                }
            }
            edges.dedup();
            edges
        });
        Bins {
            edges: edges.collect(),
        }
    }

    /// Number of features.
    pub fn features(&self) -> usize {
        self.edges.len()
    }

    /// The value between codes `code` and `code + 1` of a feature.
    #[cfg(test)]
    pub fn edge(&self, feature: usize, code: u8) -> f64 {
        self.edges[feature][usize::from(code)]
    }

    /// The code of a value of a feature.
    pub fn code(&self, feature: usize, value: f64) -> u8 {
        self.edges[feature].partition_point(|edge| *edge < value) as u8
    }

    /// Codes of all patches, feature after feature.
    pub fn codes(&self, features: ArrayView2<'_, f64>) -> Vec<Vec<u8>> {
        features
            .columns()
            .into_iter()
            .enumerate()
            .map(|(feature, column)| column.iter().map(|x| self.code(feature, *x)).collect())
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::{Array2, array};

    #[test]
    fn few_values_have_a_bin_each() {
        let bins = Bins::fit(array![[3.0], [1.0], [1.0], [2.0]].view());
        assert_eq!(bins.edges, [[1.5, 2.5]]);
        assert_eq!(
            [0.0, 1.0, 1.5, 1.6, 9.0].map(|x| bins.code(0, x)),
            [0, 0, 0, 1, 2]
        );
    }

    #[test]
    fn many_values_share_bins_evenly() {
        let features = Array2::from_shape_fn((10_000, 1), |(i, _)| (i as f64).sqrt());
        let bins = Bins::fit(features.view());
        assert_eq!(bins.edges[0].len(), 255);
        let mut counts = [0; 256];
        for code in &bins.codes(features.view())[0] {
            counts[usize::from(*code)] += 1;
        }
        assert!(counts.iter().all(|c| (39..=40).contains(c)));
    }
}
