//! How one classification tree grows on binned features.
//!
//! Source: Breiman, Friedman, Olshen and Stone (1984) Classification and Regression Trees, chapters
//! 2 and 4 (Gini index); leaves shrunk toward their ancestors as in Agarwal, Tan, Ronen, Singh and
//! Yu (2022) Hierarchical shrinkage, PMLR 162:111-135, eq. 3.

use super::tree::{LEAF, Node, Tree, WHOLE, descend};

/// The rows that a tree grows from.
pub(crate) struct Rows<'a> {
    /// Codes, feature after feature.
    pub codes: &'a [Vec<u8>],
    pub labels: &'a [u8],
    /// Weight of each row in this tree, 0 for one that it does not see.
    pub weights: &'a [f64],
}

/// A grown tree with all that pruning and shrinking need.
pub(crate) struct Grown<const P: usize> {
    nodes: Vec<Node>,
    /// Weight of each class in each node.
    counts: Vec<[f64; P]>,
    classes: usize,
}

struct Task<const P: usize> {
    from: usize,
    to: usize,
    /// The node whose right child this is.
    parent: Option<usize>,
    key: u64,
    counts: [f64; P],
}

struct Split {
    score: f64,
    feature: usize,
    code: u8,
}

/// Weights of the classes by code, and which codes occur.
struct Histogram<const P: usize> {
    bins: Vec<[f64; P]>,
    occupied: [u64; 4],
}

/// A fixed scrambling of 64 bits (the finalizer of SplitMix64, Steele, Lea and Flood 2014).
fn scramble(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

impl<const P: usize> Grown<P> {
    /// Grows a tree until nodes are pure or lighter than `min_split`, looking at `looked_at`
    /// features a node, drawn by `key` and the node's place.
    pub fn new(
        rows: &Rows<'_>,
        classes: usize,
        min_split: f64,
        looked_at: usize,
        key: u64,
    ) -> Self {
        let mut order: Vec<u32> = (0..rows.labels.len() as u32)
            .filter(|r| rows.weights[*r as usize] > 0.0)
            .collect();
        let mut spare = Vec::with_capacity(order.len());
        let mut histogram = Histogram {
            bins: vec![[0.0; P]; 256],
            occupied: [0; 4],
        };
        let mut root = [0.0; P];
        for row in &order {
            root[usize::from(rows.labels[*row as usize])] += rows.weights[*row as usize];
        }
        let mut tree = Grown {
            nodes: Vec::new(),
            counts: Vec::new(),
            classes,
        };
        let mut tasks = vec![Task {
            from: 0,
            to: order.len(),
            parent: None,
            key,
            counts: root,
        }];
        let mut leaves = 0;
        let mut features: Vec<usize> = (0..rows.codes.len()).collect();
        while let Some(task) = tasks.pop() {
            let index = tree.nodes.len();
            if let Some(parent) = task.parent {
                tree.nodes[parent].next = index as u32;
            }
            tree.counts.push(task.counts);
            let total: f64 = task.counts.iter().sum();
            let pure = task.counts.iter().filter(|c| **c > 0.0).count() < 2;
            let node_rows = &mut order[task.from..task.to];
            let split = if pure || total < min_split {
                None
            } else {
                find_split(
                    rows,
                    node_rows,
                    &task,
                    looked_at,
                    &mut features,
                    &mut histogram,
                )
            };
            let Some(split) = split else {
                tree.nodes.push(Node {
                    next: leaves,
                    feature: LEAF,
                    code: 0,
                });
                leaves += 1;
                continue;
            };
            tree.nodes.push(Node {
                next: 0,
                feature: split.feature as u16,
                code: split.code,
            });
            let codes = &rows.codes[split.feature];
            let mut left = [0.0; P];
            spare.clear();
            let mut kept = 0;
            for i in 0..node_rows.len() {
                let row = node_rows[i];
                let goes_left = codes[row as usize] <= split.code;
                if goes_left {
                    left[usize::from(rows.labels[row as usize])] += rows.weights[row as usize];
                    node_rows[kept] = row;
                    kept += 1;
                } else {
                    spare.push(row);
                }
            }
            node_rows[kept..].copy_from_slice(&spare);
            let mut right = [0.0; P];
            for row in &spare {
                right[usize::from(rows.labels[*row as usize])] += rows.weights[*row as usize];
            }
            let middle = task.from + kept;
            tasks.push(Task {
                from: middle,
                to: task.to,
                parent: Some(index),
                key: scramble(task.key.wrapping_add(0x9e37_79b9_7f4a_7c15)),
                counts: right,
            });
            tasks.push(Task {
                from: task.from,
                to: middle,
                parent: None,
                key: scramble(task.key.wrapping_add(0x3c6e_f372_fe94_f82a)),
                counts: left,
            });
        }
        tree
    }

    /// Class shares of every leaf (leaves x classes, of [`WHOLE`]) as if nodes lighter than
    /// `min_split` had not been split and shares were shrunk by `shrink`.
    pub fn leaf_shares(&self, min_split: f64, shrink: f64) -> Vec<u16> {
        let mut shares = Vec::new();
        self.walk(min_split, shrink, |_, value, _| {
            shares.extend(
                value[..self.classes]
                    .iter()
                    .map(|s| (s * WHOLE).round() as u16),
            );
        });
        shares
    }

    /// The tree with nodes lighter than `min_split` turned into leaves.
    pub fn finish(&self, min_split: f64, shrink: f64) -> Tree {
        let mut tree = Tree {
            nodes: Vec::new(),
            shares: Vec::new(),
        };
        let mut leaves = 0;
        let mut place = vec![0_u32; self.nodes.len()];
        let mut kept = Vec::new();
        let mut below_leaf = 0;
        for (index, node) in self.nodes.iter().enumerate() {
            if index < below_leaf {
                continue;
            }
            place[index] = kept.len() as u32;
            let light = self.counts[index].iter().sum::<f64>() < min_split;
            if node.feature == LEAF || light {
                kept.push(Node {
                    next: leaves,
                    feature: LEAF,
                    code: 0,
                });
                leaves += 1;
                below_leaf = self.end_of(index);
            } else {
                kept.push(*node);
            }
        }
        for node in &mut kept {
            if node.feature != LEAF {
                node.next = place[node.next as usize];
            }
        }
        tree.nodes = kept;
        self.walk(min_split, shrink, |_, value, first| {
            if first {
                let shares = value[..self.classes]
                    .iter()
                    .map(|s| (s * WHOLE).round() as u16);
                tree.shares.extend(shares);
            }
        });
        tree
    }

    /// The node after the last below `index`.
    fn end_of(&self, index: usize) -> usize {
        let mut open = 1;
        let mut at = index;
        while open > 0 {
            open += if self.nodes[at].feature == LEAF {
                -1_i64
            } else {
                1
            };
            at += 1;
        }
        at
    }

    /// Visits the leaves in order with their shrunk class shares; the last argument says whether it
    /// is the first leaf of its node after pruning.
    fn walk(&self, min_split: f64, shrink: f64, mut visit: impl FnMut(usize, &[f64; P], bool)) {
        struct Above<const P: usize> {
            node: usize,
            value: [f64; P],
            parent_shares: [f64; P],
            parent_total: f64,
            pruned: bool,
        }
        let mut stack = vec![Above {
            node: 0,
            value: [0.0; P],
            parent_shares: [0.0; P],
            parent_total: f64::INFINITY,
            pruned: false,
        }];
        let mut fresh = true;
        while let Some(above) = stack.pop() {
            let node = self.nodes[above.node];
            let counts = &self.counts[above.node];
            let total: f64 = counts.iter().sum();
            let mut value = above.value;
            let mut shares = above.parent_shares;
            if !above.pruned {
                fresh = true;
                let step = 1.0 / (1.0 + shrink / above.parent_total);
                for k in 0..P {
                    shares[k] = counts[k] / total;
                    value[k] += (shares[k] - above.parent_shares[k]) * step;
                }
            }
            if node.feature == LEAF {
                visit(above.node, &value, fresh);
                fresh = false;
                continue;
            }
            let pruned = above.pruned || total < min_split;
            for child in [node.next as usize, above.node + 1] {
                stack.push(Above {
                    node: child,
                    value,
                    parent_shares: shares,
                    parent_total: total,
                    pruned,
                });
            }
        }
    }

    /// The leaf that a row of codes falls into.
    pub fn leaf(&self, codes: &[u8]) -> usize {
        descend(&self.nodes, codes)
    }
}

fn find_split<const P: usize>(
    rows: &Rows<'_>,
    node_rows: &[u32],
    task: &Task<P>,
    looked_at: usize,
    features: &mut [usize],
    histogram: &mut Histogram<P>,
) -> Option<Split> {
    let mut best: Option<Split> = None;
    let mut key = task.key;
    let count = features.len();
    for (place, feature) in features.iter_mut().enumerate() {
        *feature = place;
    }
    for place in 0..count {
        if place >= looked_at && best.is_some() {
            break;
        }
        key = scramble(key.wrapping_add(0x9e37_79b9_7f4a_7c15));
        let chosen = place + (((key >> 32) * (count - place) as u64) >> 32) as usize;
        features.swap(place, chosen);
        let feature = features[place];
        histogram.fill(&rows.codes[feature], rows, node_rows);
        if let Some((score, code)) = histogram.best_cut(&task.counts)
            && best.as_ref().is_none_or(|b| score > b.score)
        {
            best = Some(Split {
                score,
                feature,
                code,
            });
        }
    }
    best
}

impl<const P: usize> Histogram<P> {
    fn fill(&mut self, codes: &[u8], rows: &Rows<'_>, node_rows: &[u32]) {
        for row in node_rows {
            let row = *row as usize;
            let code = codes[row];
            self.occupied[usize::from(code >> 6)] |= 1 << (code & 63);
            self.bins[usize::from(code)][usize::from(rows.labels[row])] += rows.weights[row];
        }
    }

    /// The cut with the largest sum over both sides of squared class weights by total (the smallest
    /// weighted Gini index), and its score; empties the histogram.
    fn best_cut(&mut self, counts: &[f64; P]) -> Option<(f64, u8)> {
        let total: f64 = counts.iter().sum();
        let mut left = [0.0; P];
        let mut left_total = 0.0;
        let mut best: Option<(f64, u8)> = None;
        let mut last: Option<u8> = None;
        for (word, bits) in self.occupied.iter_mut().enumerate() {
            while *bits != 0 {
                let code = (word as u32 * 64 + bits.trailing_zeros()) as u8;
                *bits &= *bits - 1;
                if let Some(last) = last {
                    let (mut of_left, mut of_right) = (0.0, 0.0);
                    for k in 0..P {
                        of_left += left[k] * left[k];
                        of_right += (counts[k] - left[k]) * (counts[k] - left[k]);
                    }
                    let score = of_left / left_total + of_right / (total - left_total);
                    if best.is_none_or(|(b, _)| score > b) {
                        best = Some((score, last));
                    }
                }
                let bin = &mut self.bins[usize::from(code)];
                for k in 0..P {
                    left[k] += bin[k];
                    left_total += bin[k];
                }
                *bin = [0.0; P];
                last = Some(code);
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grown(min_split: f64, key: u64) -> (Grown<4>, Vec<Vec<u8>>) {
        let codes: Vec<Vec<u8>> = (0..3)
            .map(|f| {
                (0..300_u32)
                    .map(|i| (scramble(u64::from(i * 3 + f)) >> 58) as u8)
                    .collect()
            })
            .collect();
        let labels: Vec<u8> = (0..300)
            .map(|i| u8::from(codes[0][i] > 30) + u8::from(codes[1][i] > 40) * u8::from(i % 5 > 0))
            .collect();
        let rows = Rows {
            codes: &codes,
            labels: &labels,
            weights: &[1.0; 300],
        };
        (Grown::new(&rows, 3, min_split, 2, key), codes)
    }

    #[test]
    fn pruning_a_tree_equals_stopping_early() {
        let (full, _) = grown(2.0, 9);
        let (early, _) = grown(40.0, 9);
        assert!(full.nodes.len() > early.nodes.len());
        assert_eq!(full.finish(40.0, 3.0), early.finish(40.0, 3.0));
    }

    #[test]
    fn trial_shares_equal_those_of_the_finished_tree() {
        let (full, codes) = grown(2.0, 4);
        for (min_split, shrink) in [(2.0, 0.0), (30.0, 0.0), (30.0, 10.0)] {
            let shares = full.leaf_shares(min_split, shrink);
            let finished = full.finish(min_split, shrink);
            assert!(finished.fits(3, 3));
            for ((a, b), c) in codes[0].iter().zip(&codes[1]).zip(&codes[2]) {
                let row = [*a, *b, *c];
                let leaf = full.leaf(&row);
                let mut sums = [0; 3];
                finished.add(&row, &mut sums);
                let direct: Vec<u32> = (0..3).map(|k| u32::from(shares[3 * leaf + k])).collect();
                assert_eq!(sums.to_vec(), direct);
                assert!((sums.iter().sum::<u32>() as f64 - WHOLE).abs() < 3.0);
            }
        }
    }

    #[test]
    fn a_leaf_shrinks_toward_its_ancestors_by_hand() {
        // Root 2:2, split into 2:0 and 0:2. With shrink 4 and root weight 4 a leaf goes half way.
        let codes = vec![vec![0, 0, 1, 1]];
        let rows = Rows {
            codes: &codes,
            labels: &[0, 0, 1, 1],
            weights: &[1.0; 4],
        };
        let tree: Grown<2> = Grown::new(&rows, 2, 2.0, 1, 1);
        let part = |share: f64| (share * WHOLE).round() as u16;
        assert_eq!(tree.leaf_shares(2.0, 0.0), [part(1.0), 0, 0, part(1.0)]);
        assert_eq!(
            tree.leaf_shares(2.0, 4.0),
            [part(0.75), part(0.25), part(0.25), part(0.75)]
        );
    }

    #[test]
    fn a_tree_is_restored_as_it_was() {
        let tree = grown(10.0, 2).0.finish(10.0, 1.0);
        let text = serde_json::to_string(&tree).unwrap();
        let back: Tree = serde_json::from_str(&text).unwrap();
        assert_eq!(tree, back);
        let broken = text.replacen("00", "zz", 1);
        assert!(serde_json::from_str::<Tree>(&broken).is_err());
    }

    /// Petal length, petal width and species of Fisher's flowers.
    fn petals() -> (ndarray::Array2<f64>, Vec<u8>) {
        let text = include_str!("../../tests/published/data/iris.csv");
        let rows: Vec<Vec<&str>> = text
            .lines()
            .skip(1)
            .map(|l| l.split(',').collect())
            .collect();
        let features = ndarray::Array2::from_shape_fn((rows.len(), 2), |(i, j)| {
            rows[i][2 + j].parse().unwrap()
        });
        let species = ["setosa", "versicolor", "virginica"];
        let labels = rows
            .iter()
            .map(|r| species.iter().position(|s| *s == r[4]).unwrap() as u8);
        (features, labels.collect())
    }

    /// The tree of Fisher's flowers in textbooks (from memory, recomputed with scikit-learn): either
    /// petal feature parts setosa, then width 1.75 leaves 49 and 5, and 1 and 45.
    #[test]
    fn the_flowers_of_fisher_grow_the_tree_of_the_textbooks() {
        let (features, labels) = petals();
        let bins = super::super::bins::Bins::fit(features.view());
        let rows = Rows {
            codes: &bins.codes(features.view()),
            labels: &labels,
            weights: &[1.0; 150],
        };
        for key in 0..20 {
            let tree: Grown<4> = Grown::new(&rows, 3, 60.0, 2, key);
            assert_eq!(tree.counts[0], [50.0, 50.0, 50.0, 0.0]);
            assert_eq!(tree.counts[1], [50.0, 0.0, 0.0, 0.0]);
            assert_eq!(tree.counts[2], [0.0, 50.0, 50.0, 0.0]);
            assert_eq!(tree.counts[3], [0.0, 49.0, 5.0, 0.0]);
            assert_eq!(tree.counts[4], [0.0, 1.0, 45.0, 0.0]);
            assert_eq!(tree.counts.len(), 5);
            let first = &tree.nodes[0];
            let edge = |node: &Node| bins.edge(usize::from(node.feature), node.code);
            let expected = [2.45, 0.8][usize::from(first.feature)];
            assert!((edge(first) - expected).abs() < 1e-12);
            assert_eq!(tree.nodes[2].feature, 1);
            assert!((edge(&tree.nodes[2]) - 1.75).abs() < 1e-12);
        }
        let firsts: Vec<u16> = (0..20)
            .map(|key| Grown::<4>::new(&rows, 3, 60.0, 2, key).nodes[0].feature)
            .collect();
        assert!(
            firsts.contains(&0) && firsts.contains(&1),
            "ties fall either way"
        );
    }
}
