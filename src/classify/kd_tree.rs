//! A tree of points for finding the nearest.
//!
//! Source: Friedman, Bentley and Finkel (1977) ACM Trans. Math. Softw. 3:209-226; distances to
//! cells kept up as in Arya and Mount (1993) Proc. Data Compression Conf., 381-390.

use std::cmp::Ordering;

/// Points a leaf holds at most, save where all are equal.
const BUCKET: usize = 16;

/// Weighted points in a k-d tree.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct KdTree {
    width: usize,
    /// Coordinates, point after point, leaf after leaf.
    points: Vec<f64>,
    weights: Vec<f64>,
    /// What each point was called when the tree was built.
    names: Vec<u32>,
    nodes: Vec<Node>,
}

#[derive(Debug, Clone, PartialEq)]
enum Node {
    Leaf {
        from: u32,
        to: u32,
    },
    /// The lower child follows.
    Split {
        dimension: u32,
        at: f64,
        upper: u32,
    },
}

/// A point near a query.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Near {
    pub squared_distance: f64,
    pub name: u32,
    pub weight: f64,
}

/// What one search carries; kept between searches to save allocations.
#[derive(Default)]
pub(crate) struct Search {
    found: Vec<Near>,
    offsets: Vec<f64>,
    bound: f64,
    wanted: f64,
    limit: usize,
}

impl KdTree {
    /// Takes `points` of `width` coordinates each, one weight above 0 a point.
    pub fn new(points: &[f64], width: usize, weights: &[f64]) -> Self {
        let mut order: Vec<u32> = (0..weights.len() as u32).collect();
        let mut nodes = Vec::new();
        if !order.is_empty() {
            split(points, width, &mut order, 0, &mut nodes);
        }
        let point = |p: &u32| &points[*p as usize * width..(*p as usize + 1) * width];
        KdTree {
            width,
            points: order.iter().flat_map(point).copied().collect(),
            weights: order.iter().map(|p| weights[*p as usize]).collect(),
            names: order,
            nodes,
        }
    }

    /// The points nearest to `query` in order of distance until their weights reach `wanted`, and
    /// all that are as far as the last of these; all points where they weigh less.
    pub fn nearest<'s>(&self, query: &[f64], wanted: f64, search: &'s mut Search) -> &'s [Near] {
        search.found.clear();
        search.offsets.clear();
        search.offsets.resize(self.width, 0.0);
        search.bound = f64::INFINITY;
        search.wanted = wanted;
        search.limit = 64;
        if !self.nodes.is_empty() {
            self.visit(0, query, 0.0, search);
        }
        search.finish();
        &search.found
    }

    fn visit(&self, node: usize, query: &[f64], squared: f64, search: &mut Search) {
        match &self.nodes[node] {
            Node::Leaf { from, to } => {
                let (from, to) = (*from as usize, *to as usize);
                let points =
                    self.points[from * self.width..to * self.width].chunks_exact(self.width);
                for (point, place) in points.zip(from..to) {
                    let mut squared_distance = 0.0;
                    for (p, q) in point.iter().zip(query) {
                        squared_distance += (p - q) * (p - q);
                    }
                    if squared_distance <= search.bound {
                        search.found.push(Near {
                            squared_distance,
                            name: self.names[place],
                            weight: self.weights[place],
                        });
                    }
                }
                if search.found.len() >= search.limit {
                    search.settle();
                }
            }
            Node::Split {
                dimension,
                at,
                upper,
            } => {
                let dimension = *dimension as usize;
                let beyond = query[dimension] - at;
                let (near, far) = if beyond <= 0.0 {
                    (node + 1, *upper as usize)
                } else {
                    (*upper as usize, node + 1)
                };
                self.visit(near, query, squared, search);
                let before = search.offsets[dimension];
                let across = squared - before * before + beyond * beyond;
                if across <= search.bound * (1.0 + 1e-12) {
                    search.offsets[dimension] = beyond;
                    self.visit(far, query, across, search);
                    search.offsets[dimension] = before;
                }
            }
        }
    }
}

impl Search {
    /// Drops what is farther than wanted, and draws in the bound.
    fn settle(&mut self) {
        // A little more, since weights are summed in no particular order.
        let wanted = self.wanted * (1.0 + 1e-12);
        if let Some(bound) = farthest_wanted(&mut self.found, wanted) {
            self.bound = bound;
            self.found.retain(|near| near.squared_distance <= bound);
        }
        self.limit = (2 * self.found.len()).max(64);
    }

    /// Sorts what was found, and drops what is farther than wanted.
    fn finish(&mut self) {
        self.settle();
        self.found.sort_unstable_by(by_distance);
        let mut weight = 0.0;
        let mut last = f64::INFINITY;
        let within = self.found.iter().take_while(|near| {
            let wanted = weight < self.wanted || near.squared_distance == last;
            weight += near.weight;
            last = near.squared_distance;
            wanted
        });
        let within = within.count();
        self.found.truncate(within);
    }
}

/// The distance within which the nearest weigh `wanted`, if all together do; changes their order.
fn farthest_wanted(found: &mut [Near], wanted: f64) -> Option<f64> {
    let mut rest = found;
    let mut within = 0.0;
    while rest.len() > 1 {
        let middle = rest.len() / 2;
        rest.select_nth_unstable_by(middle, by_distance);
        let lower: f64 = rest[..middle].iter().map(|near| near.weight).sum();
        if within + lower >= wanted {
            rest = &mut rest[..middle];
        } else {
            within += lower;
            rest = &mut rest[middle..];
        }
    }
    let last = rest.first()?;
    (within + last.weight >= wanted).then_some(last.squared_distance)
}

/// By distance, then by name; distances are not negative, so their bits are in order.
fn by_distance(a: &Near, b: &Near) -> Ordering {
    (a.squared_distance.to_bits(), a.name).cmp(&(b.squared_distance.to_bits(), b.name))
}

fn split(points: &[f64], width: usize, order: &mut [u32], from: usize, nodes: &mut Vec<Node>) {
    let coordinate = |p: u32, j: usize| points[p as usize * width + j];
    let mut widest = (0, 0.0);
    for j in 0..width {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for p in order.iter() {
            let x = coordinate(*p, j);
            (low, high) = (low.min(x), high.max(x));
        }
        if high - low > widest.1 {
            widest = (j, high - low);
        }
    }
    if order.len() <= BUCKET || widest.1 == 0.0 {
        nodes.push(Node::Leaf {
            from: from as u32,
            to: (from + order.len()) as u32,
        });
        return;
    }
    let dimension = widest.0;
    let middle = order.len() / 2;
    order.select_nth_unstable_by(middle, |a, b| {
        coordinate(*a, dimension)
            .total_cmp(&coordinate(*b, dimension))
            .then(a.cmp(b))
    });
    let at = coordinate(order[middle], dimension);
    let index = nodes.len();
    nodes.push(Node::Split {
        dimension: dimension as u32,
        at,
        upper: 0,
    });
    let (lower, upper) = order.split_at_mut(middle);
    split(points, width, lower, from, nodes);
    let next = nodes.len() as u32;
    if let Node::Split { upper, .. } = &mut nodes[index] {
        *upper = next;
    }
    split(points, width, upper, from + middle, nodes);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::stream;
    use rand::Rng;

    fn by_hand(
        points: &[f64],
        width: usize,
        weights: &[f64],
        query: &[f64],
        wanted: f64,
    ) -> Vec<Near> {
        let mut all: Vec<Near> = points
            .chunks_exact(width)
            .enumerate()
            .map(|(name, point)| Near {
                squared_distance: point
                    .iter()
                    .zip(query)
                    .map(|(p, q)| (p - q) * (p - q))
                    .sum(),
                name: name as u32,
                weight: weights[name],
            })
            .collect();
        all.sort_by(|a, b| {
            a.squared_distance
                .total_cmp(&b.squared_distance)
                .then(a.name.cmp(&b.name))
        });
        let mut weight = 0.0;
        let last = all.iter().find(|n| {
            weight += n.weight;
            weight >= wanted
        });
        let bound = last.map_or(f64::INFINITY, |n| n.squared_distance);
        all.retain(|n| n.squared_distance <= bound);
        all
    }

    #[test]
    fn it_finds_what_looking_at_all_points_finds() {
        let mut rng = stream(5, "points", 0);
        for (n, width, steps) in [(1, 2, 8), (300, 3, 5), (1000, 2, 1000), (500, 4, 3)] {
            let mut draw = |m: u32| f64::from(rng.next_u32() % m) / f64::from(m);
            let points: Vec<f64> = (0..n * width).map(|_| draw(steps)).collect();
            let weights: Vec<f64> = (0..n).map(|_| 0.2 + draw(7)).collect();
            let tree = KdTree::new(&points, width, &weights);
            let mut search = Search::default();
            for wanted in [0.5, 1.0, 7.3, 90.0, 1e9] {
                for _ in 0..20 {
                    let query: Vec<f64> = (0..width).map(|_| 1.2 * draw(steps) - 0.1).collect();
                    assert_eq!(
                        tree.nearest(&query, wanted, &mut search),
                        by_hand(&points, width, &weights, &query, wanted)
                    );
                }
            }
        }
    }
}
