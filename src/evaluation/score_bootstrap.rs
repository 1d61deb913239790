//! Ten thousand resamples of the area under the curve and of recall at a false alarm rate, fast.
//!
//! Sorted once. With few units both figures are small forms in the units' multiplicities m:
//! the area is m'Am / (m'p m'q), where A counts the ordered pairs of each two units. With many,
//! several resamples sweep the sorted scores side by side. Memory is linear in patches.

use super::bootstrap::{LANES, Lanes};
use super::scores::{ratio, same_length};
use super::{ClusterBootstrap, Figure, Interval, Scale, Scores, Units};
use crate::{Error, Result};
use rayon::prelude::*;

/// Up to so many units the pairs of units are counted; above, scores are swept.
const MOST_UNITS_IN_PAIRS: usize = 64;
/// Distinct scores between two checkpoints of the units' running sums.
const STRIDE: usize = 32;

/// Area under the curve and recall at a false alarm rate, in one resample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScoreFigures {
    /// Area under the curve; absent without positives or others.
    pub auc: Option<f64>,
    /// Greatest recall with no more false alarms than asked; absent likewise.
    pub recall: Option<f64>,
}

/// Area under the curve and recall at a false alarm rate with their intervals over groups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScoreIntervals {
    /// Area under the curve.
    pub auc: Option<Interval>,
    /// Greatest recall with no more false alarms than asked.
    pub recall: Option<Interval>,
}

impl ClusterBootstrap {
    /// Area under the curve, and recall where the false alarm rate is at most `rate`, with their
    /// intervals; `units` are of the scores' patches.
    ///
    /// The degrees of freedom are those of the class that is in fewer groups (positives, mostly).
    ///
    /// Errors: as many patches as scores are expected, fewer than 2^32.
    pub fn auc_and_recall(
        &self,
        scores: &Scores,
        units: &Units,
        rate: f64,
    ) -> Result<ScoreIntervals> {
        let resampled = self.resample_auc_and_recall(scores, units, rate)?;
        let brought = |positive: bool| {
            units.trials(|patch| match scores.positive()[patch] == positive {
                true => scores.weight(patch),
                false => 0.0,
            })
        };
        let (positives, others) = (brought(true), brought(false));
        let scarce = match positives.effective_groups() <= others.effective_groups() {
            true => &positives,
            false => &others,
        };
        let figure = |trials| Figure::new(Scale::Logit, trials);
        let auc: Vec<f64> = resampled.iter().filter_map(|r| r.auc).collect();
        let recall: Vec<f64> = resampled.iter().filter_map(|r| r.recall).collect();
        Ok(ScoreIntervals {
            auc: super::roc::auc(scores)
                .and_then(|value| self.interval_from(figure(scarce), value, &auc)),
            recall: super::roc::recall_at(scores, rate)
                .and_then(|point| self.interval_from(figure(&positives), point.recall, &recall)),
        })
    }

    /// The two figures in every resample, in order.
    ///
    /// Errors: as [`auc_and_recall`](Self::auc_and_recall).
    pub fn resample_auc_and_recall(
        &self,
        scores: &Scores,
        units: &Units,
        rate: f64,
    ) -> Result<Vec<ScoreFigures>> {
        same_length("groups", units.patches(), "scores", scores.len())?;
        if u32::try_from(units.len()).is_err() {
            return Err(Error::input(format!(
                "found {} units of resampling, expected fewer than 2^32",
                units.len()
            )));
        }
        let sorted = Sorted::of(scores, units);
        Ok(match units.len() <= MOST_UNITS_IN_PAIRS {
            true => Pairs::of(&sorted).resample(self, units, rate),
            false => sweep(&sorted, self, units, rate),
        })
    }
}

/// A patch in the falling order.
#[derive(Clone, Copy)]
struct Patch {
    unit: u32,
    weight: f64,
}

/// Patches by falling score; of each distinct score the others, then the positives.
struct Sorted {
    units: usize,
    patches: Vec<Patch>,
    /// For each distinct score: where its positives begin, and where they end.
    steps: Vec<(usize, usize)>,
    /// Summed weights by unit.
    positives: Vec<f64>,
    others: Vec<f64>,
}

impl Sorted {
    fn of(scores: &Scores, units: &Units) -> Self {
        let count = units.len();
        let mut order: Vec<u32> = (0..scores.len() as u32).collect();
        order.sort_unstable_by(|&a, &b| {
            let (a, b) = (a as usize, b as usize);
            scores.score()[b]
                .total_cmp(&scores.score()[a])
                .then(scores.positive()[a].cmp(&scores.positive()[b]))
                .then(a.cmp(&b))
        });
        let mut sorted = Self {
            units: count,
            patches: Vec::with_capacity(order.len()),
            steps: Vec::new(),
            positives: vec![0.0; count],
            others: vec![0.0; count],
        };
        let mut last = f64::NAN;
        for (at, &patch) in order.iter().enumerate() {
            let patch = patch as usize;
            let (unit, weight) = (units.of(patch), scores.weight(patch));
            let positive = scores.positive()[patch];
            if scores.score()[patch] != last {
                last = scores.score()[patch];
                sorted.steps.push((at, at));
            }
            if let Some((begin, end)) = sorted.steps.last_mut() {
                *begin += usize::from(!positive);
                *end = at + 1;
            }
            match positive {
                true => sorted.positives[unit] += weight,
                false => sorted.others[unit] += weight,
            }
            sorted.patches.push(Patch {
                unit: unit as u32,
                weight,
            });
        }
        sorted
    }
}

/// Everything that a resample of few groups needs.
struct Pairs<'a> {
    sorted: &'a Sorted,
    /// Positives of one unit (row) against others of another (column) below them, ties half.
    ordered: Vec<f64>,
    /// Each unit's others, then positives, above every so many steps.
    checkpoints: Vec<f64>,
}

impl<'a> Pairs<'a> {
    fn of(sorted: &'a Sorted) -> Self {
        let g = sorted.units;
        let mut ordered = vec![0.0; g * g];
        let mut checkpoints = Vec::new();
        let (mut above, mut found) = (vec![0.0; g], vec![0.0; g]);
        let mut tied = vec![0.0; g];
        let mut start = 0;
        for (at, &(begin, end)) in sorted.steps.iter().enumerate() {
            if at % STRIDE == 0 {
                checkpoints.extend_from_slice(&above);
                checkpoints.extend_from_slice(&found);
            }
            let (others, positives) = (&sorted.patches[start..begin], &sorted.patches[begin..end]);
            for other in others {
                tied[other.unit as usize] += other.weight;
            }
            for positive in positives {
                let row = &mut ordered[positive.unit as usize * g..][..g];
                for h in 0..g {
                    row[h] += positive.weight * (sorted.others[h] - above[h] - tied[h] / 2.0);
                }
                found[positive.unit as usize] += positive.weight;
            }
            for other in others {
                above[other.unit as usize] += other.weight;
                tied[other.unit as usize] = 0.0;
            }
            start = end;
        }
        Self {
            sorted,
            ordered,
            checkpoints,
        }
    }

    fn resample(
        &self,
        bootstrap: &ClusterBootstrap,
        units: &Units,
        rate: f64,
    ) -> Vec<ScoreFigures> {
        (0..bootstrap.replicates)
            .into_par_iter()
            .map_init(
                || (vec![0u32; self.sorted.units], vec![0.0; self.sorted.units]),
                |(drawn, times), replicate| {
                    units.draw(bootstrap.seed, replicate, drawn);
                    for (time, &n) in times.iter_mut().zip(drawn.iter()) {
                        *time = f64::from(n);
                    }
                    self.figures(times, rate)
                },
            )
            .collect()
    }

    fn figures(&self, times: &[f64], rate: f64) -> ScoreFigures {
        let g = times.len();
        let positives = dot(&self.sorted.positives, times);
        let others = dot(&self.sorted.others, times);
        let pairs: f64 = times
            .iter()
            .enumerate()
            .filter(|(_, time)| **time > 0.0)
            .map(|(row, time)| time * dot(&self.ordered[row * g..][..g], times))
            .sum();
        let defined = positives > 0.0 && others > 0.0;
        ScoreFigures {
            auc: ratio(pairs, positives * others),
            recall: defined.then(|| self.found(times, allowed(rate, others)) / positives),
        }
    }

    /// Weight of positives at or above the lowest score with at most `allowed` others.
    fn found(&self, times: &[f64], allowed: f64) -> f64 {
        let g = times.len();
        let checkpoint = |at: usize| &self.checkpoints[at * 2 * g..][..2 * g];
        let (mut low, mut high) = (0, self.checkpoints.len() / (2 * g));
        while low + 1 < high {
            let middle = (low + high) / 2;
            match dot(&checkpoint(middle)[..g], times) <= allowed {
                true => low = middle,
                false => high = middle,
            }
        }
        let mut above = dot(&checkpoint(low)[..g], times);
        let mut found = dot(&checkpoint(low)[g..], times);
        let first = low * STRIDE;
        let mut start = match first {
            0 => 0,
            _ => self.sorted.steps[first - 1].1,
        };
        let weigh = |patches: &[Patch]| -> f64 {
            let weight = |p: &Patch| times[p.unit as usize] * p.weight;
            patches.iter().map(weight).sum()
        };
        for &(begin, end) in self.sorted.steps.iter().skip(first).take(STRIDE) {
            above += weigh(&self.sorted.patches[start..begin]);
            if above > allowed {
                break;
            }
            found += weigh(&self.sorted.patches[begin..end]);
            start = end;
        }
        found
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The weight of others that a false alarm rate allows, with room for rounding of sums.
fn allowed(rate: f64, others: f64) -> f64 {
    rate * others * (1.0 + 1e-12)
}

fn sweep(
    sorted: &Sorted,
    bootstrap: &ClusterBootstrap,
    units: &Units,
    rate: f64,
) -> Vec<ScoreFigures> {
    bootstrap.in_lanes(units, |times| sweep_batch(sorted, times, rate))
}

fn sweep_batch(sorted: &Sorted, times: &[Lanes], rate: f64) -> [ScoreFigures; LANES] {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        #[target_feature(enable = "avx2")]
        fn wide(sorted: &Sorted, times: &[Lanes], rate: f64) -> [ScoreFigures; LANES] {
            figures_of_batch(sorted, times, rate)
        }
        // SAFETY: the processor has what `wide` needs; it does the same operations, four at once.
        #[allow(unsafe_code)]
        return unsafe { wide(sorted, times, rate) };
    }
    figures_of_batch(sorted, times, rate)
}

#[inline(always)]
fn figures_of_batch(sorted: &Sorted, times: &[Lanes], rate: f64) -> [ScoreFigures; LANES] {
    let total = |of: &[f64]| {
        let mut sum = [0.0; LANES];
        for (times, &weight) in times.iter().zip(of) {
            for lane in 0..LANES {
                sum[lane] += times[lane] * weight;
            }
        }
        sum
    };
    let (positives, others) = (total(&sorted.positives), total(&sorted.others));
    let behind = pairs_out_of_order(sorted, times);
    let found = found_within(sorted, times, others.map(|n| allowed(rate, n)));
    std::array::from_fn(|lane| {
        let (p, n) = (positives[lane], others[lane]);
        let defined = p > 0.0 && n > 0.0;
        ScoreFigures {
            auc: defined.then(|| 1.0 - behind[lane] / (p * n)),
            recall: defined.then(|| found[lane] / p),
        }
    })
}

/// Pairs in which the other scores above the positive, ties half.
#[inline(always)]
fn pairs_out_of_order(sorted: &Sorted, times: &[Lanes]) -> Lanes {
    let (mut behind, mut above) = ([0.0; LANES], [0.0; LANES]);
    let mut start = 0;
    for &(begin, end) in &sorted.steps {
        let (others, positives) = (&sorted.patches[start..begin], &sorted.patches[begin..end]);
        let mixed = !others.is_empty() && !positives.is_empty();
        // Half of what is tied goes above the positives, half below.
        let share = if mixed { 0.5 } else { 1.0 };
        for other in others {
            add(
                &mut above,
                &times[other.unit as usize],
                share * other.weight,
            );
        }
        for positive in positives {
            let times = &times[positive.unit as usize];
            for lane in 0..LANES {
                behind[lane] += times[lane] * positive.weight * above[lane];
            }
        }
        if mixed {
            for other in others {
                add(&mut above, &times[other.unit as usize], 0.5 * other.weight);
            }
        }
        start = end;
    }
    behind
}

/// Weight of positives at or above the lowest score with at most `allowed` others.
#[inline(always)]
fn found_within(sorted: &Sorted, times: &[Lanes], allowed: Lanes) -> Lanes {
    let (mut found, mut above) = ([0.0; LANES], [0.0; LANES]);
    let mut start = 0;
    for &(begin, end) in &sorted.steps {
        for other in &sorted.patches[start..begin] {
            add(&mut above, &times[other.unit as usize], other.weight);
        }
        let mut open = false;
        for positive in &sorted.patches[begin..end] {
            let times = &times[positive.unit as usize];
            for lane in 0..LANES {
                let within = above[lane] <= allowed[lane];
                open |= within;
                found[lane] += if within {
                    times[lane] * positive.weight
                } else {
                    0.0
                };
            }
        }
        if begin < end && !open {
            break;
        }
        start = end;
    }
    found
}

#[inline(always)]
fn add(sum: &mut Lanes, times: &Lanes, weight: f64) {
    for lane in 0..LANES {
        sum[lane] += times[lane] * weight;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluation::roc;
    use crate::numeric::stream;
    use rand::RngExt;

    /// Coarse scores with many ties, weights of three sizes, groups of unequal size.
    fn season(patches: usize, groups: usize) -> (Vec<f64>, Vec<bool>, Vec<f64>, Vec<usize>) {
        let mut rng = stream(3, "score bootstrap test", groups as u64);
        let mut columns = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for _ in 0..patches {
            let positive = rng.random_range(0..4) == 0;
            let lift = if positive { 20 } else { 0 };
            columns.0.push(f64::from(rng.random_range(0..60) + lift));
            columns.1.push(positive);
            columns.2.push([1.0, 2.0, 7.5][rng.random_range(0..3)]);
            let draw: f64 = rng.random();
            columns.3.push((draw * draw * groups as f64) as usize);
        }
        columns.3[0] = groups - 1;
        columns
    }

    #[test]
    fn both_ways_equal_the_plain_figures_of_the_resampled_patches() {
        for (groups, two_stage) in [(5, false), (90, false), (5, true)] {
            let (score, positive, weight, group) = season(700, groups);
            let scores = Scores::new(&score, &positive).unwrap();
            let scores = scores.weighted(&weight).unwrap();
            let mut bootstrap = ClusterBootstrap::new(9, 0.95);
            bootstrap.replicates = 40;
            bootstrap.two_stage = two_stage;
            let units = bootstrap.units(&group, groups);
            let fast = bootstrap
                .resample_auc_and_recall(&scores, &units, 0.1)
                .unwrap();
            assert_eq!(fast.len(), 40);
            for (replicate, found) in fast.iter().enumerate() {
                let times = bootstrap.multiplicities(&units, replicate);
                let resampled: Vec<f64> =
                    (0..700).map(|i| weight[i] * times[units.of(i)]).collect();
                let plain = Scores::new(&score, &positive).unwrap();
                let plain = plain.weighted(&resampled).unwrap();
                let auc = roc::auc(&plain).unwrap();
                let recall = roc::recall_at(&plain, 0.1).unwrap().recall;
                assert!((found.auc.unwrap() - auc).abs() < 1e-12);
                assert!(
                    (found.recall.unwrap() - recall).abs() < 1e-12,
                    "{groups} {replicate}"
                );
            }
        }
    }

    #[test]
    fn a_resample_without_positives_is_absent_and_not_nan() {
        let score = [0.1, 0.2, 0.9];
        let positive = [false, false, true];
        let scores = Scores::new(&score, &positive).unwrap();
        let mut bootstrap = ClusterBootstrap::new(1, 0.95);
        bootstrap.replicates = 50;
        let found = bootstrap
            .resample_auc_and_recall(&scores, &bootstrap.units(&[0, 1, 2], 3), 0.1)
            .unwrap();
        assert!(found.iter().any(|f| f.auc.is_none() && f.recall.is_none()));
        assert!(found.iter().all(|f| f.auc.is_none_or(f64::is_finite)));
    }
}
