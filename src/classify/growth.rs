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
    /// Weight of each row in this tree, 0 for one that it does not see. Sums are taken to be exact
    /// (see [`on_a_grid`]).
    pub weights: &'a [f64],
}

/// Most features that a tree can look at.
pub(crate) const MOST_FEATURES: usize = 255;

/// A row with all that a tree looks at, moved as a whole so that a node's rows lie together.
#[derive(Clone, Copy)]
struct Row<const W: usize> {
    weight: f64,
    /// The label, then the codes.
    bytes: [[u8; 8]; W],
}

impl<const W: usize> Row<W> {
    #[inline(always)]
    fn byte(&self, place: usize) -> u8 {
        self.bytes[place / 8 % W][place % 8]
    }
}

impl Rows<'_> {
    /// The rows that the tree sees.
    fn seen<const W: usize>(&self) -> Vec<Row<W>> {
        let seen = (0..self.labels.len()).filter(|&row| self.weights[row] > 0.0);
        seen.map(|row| {
            let mut bytes = [[0; 8]; W];
            bytes[0][0] = self.labels[row];
            for (place, codes) in (1..).zip(self.codes) {
                bytes[place / 8 % W][place % 8] = codes[row];
            }
            Row {
                weight: self.weights[row],
                bytes,
            }
        })
        .collect()
    }
}

/// `weight` as a multiple of a unit so small that it hardly changes (by 2^-51 of `total` at most),
/// and so large that sums up to four times `total` are exact: they are then the same in any order,
/// and what is on the right is the whole less what is on the left.
pub(crate) fn on_a_grid(weight: f64, total: f64) -> f64 {
    let unit = (total.log2().ceil() - 51.0).exp2();
    (weight / unit).round().max(1.0) * unit
}

/// A grown tree with all that pruning and shrinking need.
pub(crate) struct Grown<const P: usize> {
    nodes: Vec<Node>,
    /// Weight of each class in each node.
    counts: Vec<[f64; P]>,
    classes: usize,
}

/// What a tree is to be like.
#[derive(Clone, Copy)]
struct Shape {
    classes: usize,
    features: usize,
    min_split: f64,
    looked_at: usize,
}

struct Task<const P: usize> {
    from: usize,
    to: usize,
    /// The node whose right child this is.
    parent: Option<usize>,
    key: u64,
    counts: [f64; P],
}

struct Split<const P: usize> {
    feature: usize,
    cut: Cut<P>,
}

struct Cut<const P: usize> {
    score: f64,
    /// Codes up to this one go left.
    code: u8,
    left: [f64; P],
}

/// Weights of the classes by code, and which codes occur.
struct Histogram<const P: usize> {
    bins: Box<[[f64; P]; 256]>,
    /// One bit a class that a code holds.
    classes: [u64; 256],
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
        let features = rows.codes.len();
        let shape = Shape {
            classes,
            features,
            min_split,
            looked_at,
        };
        match 1 + features {
            ..=8 => Self::grow_fast(rows.seen::<1>(), shape, key),
            9..=32 => Self::grow_fast(rows.seen::<4>(), shape, key),
            _ => Self::grow_fast(rows.seen::<32>(), shape, key),
        }
    }

    fn grow_fast<const W: usize>(rows: Vec<Row<W>>, shape: Shape, key: u64) -> Self {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") {
            #[target_feature(enable = "avx2")]
            fn wide<const P: usize, const W: usize>(
                rows: Vec<Row<W>>,
                shape: Shape,
                key: u64,
            ) -> Grown<P> {
                Grown::grow(rows, shape, key)
            }
            // SAFETY: the processor has what `wide` needs; it does the same operations, four at
            // once.
            #[allow(unsafe_code)]
            return unsafe { wide(rows, shape, key) };
        }
        Self::grow(rows, shape, key)
    }

    #[inline(always)]
    fn grow<const W: usize>(mut rows: Vec<Row<W>>, shape: Shape, key: u64) -> Self {
        let mut spare = rows.clone();
        let mut histogram = Histogram::new();
        let mut root = [0.0; P];
        for row in &rows {
            root[usize::from(row.byte(0))] += row.weight;
        }
        let mut tree = Grown {
            nodes: Vec::new(),
            counts: Vec::new(),
            classes: shape.classes,
        };
        let mut tasks = vec![Task {
            from: 0,
            to: rows.len(),
            parent: None,
            key,
            counts: root,
        }];
        let mut leaves = 0;
        let mut features: Vec<usize> = (0..shape.features).collect();
        while let Some(task) = tasks.pop() {
            let index = tree.nodes.len();
            if let Some(parent) = task.parent {
                tree.nodes[parent].next = index as u32;
            }
            tree.counts.push(task.counts);
            let total: f64 = task.counts.iter().sum();
            let pure = task.counts.iter().filter(|c| **c > 0.0).count() < 2;
            let node_rows = &mut rows[task.from..task.to];
            let split = if pure || total < shape.min_split {
                None
            } else {
                let looked_at = shape.looked_at;
                find_split(node_rows, &task, looked_at, &mut features, &mut histogram)
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
            let Cut { code, left, .. } = split.cut;
            tree.nodes.push(Node {
                next: 0,
                feature: split.feature as u16,
                code,
            });
            let spare = &mut spare[..node_rows.len()];
            let (mut kept, mut away) = (0, 0);
            // Written to both sides and counted on one: a branch would be guessed wrong half the time.
            for i in 0..node_rows.len() {
                let row = node_rows[i];
                let goes_left = row.byte(1 + split.feature) <= code;
                node_rows[kept] = row;
                spare[away] = row;
                kept += usize::from(goes_left);
                away += usize::from(!goes_left);
            }
            node_rows[kept..].copy_from_slice(&spare[..away]);
            let mut right = task.counts;
            for k in 0..P {
                right[k] -= left[k];
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
                    .map(|s| (s * WHOLE + 0.5) as u16),
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
                    .map(|s| (s * WHOLE + 0.5) as u16);
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

#[inline(always)]
fn find_split<const P: usize, const W: usize>(
    rows: &[Row<W>],
    task: &Task<P>,
    looked_at: usize,
    features: &mut [usize],
    histogram: &mut Histogram<P>,
) -> Option<Split<P>> {
    let mut best: Option<Split<P>> = None;
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
        histogram.fill(rows, 1 + feature);
        if let Some(cut) = histogram.best_cut(&task.counts)
            && best.as_ref().is_none_or(|b| cut.score > b.cut.score)
        {
            best = Some(Split { feature, cut });
        }
    }
    best
}

impl<const P: usize> Histogram<P> {
    fn new() -> Self {
        Histogram {
            bins: Box::new([[0.0; P]; 256]),
            classes: [0; 256],
            occupied: [0; 4],
        }
    }

    #[cfg(test)]
    fn is_empty(&self) -> bool {
        self.occupied == [0; 4]
            && self.classes == [0; 256]
            && self.bins.iter().flatten().all(|w| *w == 0.0)
    }

    #[inline(always)]
    fn fill<const W: usize>(&mut self, rows: &[Row<W>], place: usize) {
        for row in rows {
            let code = row.byte(place);
            self.occupied[usize::from(code >> 6)] |= 1 << (code & 63);
            let class = usize::from(row.byte(0)) % P;
            self.classes[usize::from(code)] |= 1 << class;
            self.bins[usize::from(code)][class] += row.weight;
        }
    }

    /// The cut with the largest sum over both sides of squared class weights by total (the smallest
    /// weighted Gini index); empties the histogram.
    ///
    /// A cut between two codes that both hold the same one class is never the best and is not tried
    /// (Elomaa and Rousu 1999, General and efficient multisplitting of numerical attributes,
    /// Machine Learning 36:201-244).
    #[inline(always)]
    fn best_cut(&mut self, counts: &[f64; P]) -> Option<Cut<P>> {
        let total = sum(*counts);
        let mut left = [0.0; P];
        let mut best: Option<Cut<P>> = None;
        let mut last: Option<(u8, u64)> = None;
        for (word, bits) in self.occupied.iter_mut().enumerate() {
            while *bits != 0 {
                let code = (word as u32 * 64 + bits.trailing_zeros()) as u8;
                *bits &= *bits - 1;
                let classes = std::mem::take(&mut self.classes[usize::from(code)]);
                if let Some((last, of_last)) = last
                    && (classes != of_last || !classes.is_power_of_two())
                {
                    let (mut of_left, mut of_right) = ([0.0; P], [0.0; P]);
                    for k in 0..P {
                        of_left[k] = left[k] * left[k];
                        of_right[k] = (counts[k] - left[k]) * (counts[k] - left[k]);
                    }
                    let left_total = sum(left);
                    let score = sum(of_left) / left_total + sum(of_right) / (total - left_total);
                    if best.as_ref().is_none_or(|b| score > b.score) {
                        best = Some(Cut {
                            score,
                            // Half way, counted in values of all patches, to what is on the right.
                            code: last + (code - 1 - last) / 2,
                            left,
                        });
                    }
                }
                let bin = &mut self.bins[usize::from(code)];
                for k in 0..P {
                    left[k] += bin[k];
                }
                *bin = [0.0; P];
                last = Some((code, classes));
            }
        }
        best
    }
}

/// The sum of as many terms as a power of two, pair by pair.
#[inline(always)]
fn sum<const P: usize>(mut terms: [f64; P]) -> f64 {
    let mut half = P / 2;
    while half > 0 {
        for k in 0..half {
            terms[k] += terms[k + half];
        }
        half /= 2;
    }
    terms[0]
}

#[cfg(test)]
mod published;

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
    fn the_best_cut_is_that_of_trying_all() {
        for key in 0..200_u64 {
            let draw = |i: u64, n: u64| scramble(key * 1000 + i) % n;
            let rows: Vec<Row<1>> = (0..40)
                .map(|i| {
                    let code = draw(2 * i, 30);
                    // Mostly one class over stretches of codes.
                    let label = (code / 9 + u64::from(draw(2 * i + 1, 6) == 0)) % 3;
                    let mut row = Row {
                        weight: 1.0 + draw(i + 500, 3) as f64,
                        bytes: [[0; 8]],
                    };
                    (row.bytes[0][0], row.bytes[0][1]) = (label as u8, code as u8);
                    row
                })
                .collect();
            let counts = |holds: &dyn Fn(&Row<1>) -> bool| {
                let mut counts = [0.0; 4];
                for row in rows.iter().filter(|r| holds(r)) {
                    counts[usize::from(row.byte(0))] += row.weight;
                }
                counts
            };
            let part = |c: [f64; 4]| sum(c.map(|x| x * x)) / sum(c);
            let best = (0..30_u8)
                .map(|code| {
                    part(counts(&|r| r.byte(1) <= code)) + part(counts(&|r| r.byte(1) > code))
                })
                .filter(|score| score.is_finite())
                .fold(0.0, f64::max);
            let mut histogram = Histogram::new();
            histogram.fill(&rows, 1);
            let cut = histogram.best_cut(&counts(&|_| true)).unwrap();
            assert!((cut.score - best).abs() < 1e-9, "{} {best}", cut.score);
            assert!(histogram.is_empty());
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
}
