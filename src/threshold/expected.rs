//! What to expect at a cut, with intervals over groups.

use super::cases::Stakes;
use super::{CutPoint, Expected};
use crate::evaluation::{ClusterBootstrap, Figure, GroupTrials, Merit, Scale};

/// More walks for a bone than this are no limit that a team could plan with.
const MOST_WALKS: f64 = 1000.0;

/// Walked and all, of positives and of others, by group.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Walked {
    /// Group: [positives walked to, positives, others walked to, others].
    sums: Vec<[f64; 4]>,
    squares: Vec<[f64; 4]>,
}

impl Walked {
    pub fn new(groups: usize) -> Self {
        Walked {
            sums: vec![[0.0; 4]; groups],
            squares: vec![[0.0; 4]; groups],
        }
    }

    pub fn add(&mut self, group: usize, positive: bool, walked: bool, weight: f64) {
        let at = if positive { 0 } else { 2 };
        self.sums[group][at + 1] += weight;
        self.squares[group][at + 1] += weight * weight;
        if walked {
            self.sums[group][at] += weight;
            self.squares[group][at] += weight * weight;
        }
    }

    /// One group's recall and false alarm rate.
    pub fn of_group(&self, group: usize) -> (Option<f64>, Option<f64>) {
        let s = self.sums[group];
        (share(s[0], s[1]), share(s[2], s[3]))
    }

    fn point(&self, times: &[f64], stakes: Stakes) -> Option<CutPoint> {
        let mut s = [0.0; 4];
        for (group, t) in self.sums.iter().zip(times) {
            for (sum, x) in s.iter_mut().zip(group) {
                *sum += t * x;
            }
        }
        Some(stakes.point(0.0, share(s[0], s[1])?, share(s[2], s[3])?))
    }

    fn trials(&self, columns: &[usize]) -> GroupTrials {
        // As many pseudo-patches a group and column as their weights are worth.
        let mut group_of = Vec::new();
        let mut weights = Vec::new();
        for (group, (sums, squares)) in self.sums.iter().zip(&self.squares).enumerate() {
            for &column in columns {
                if sums[column] > 0.0 {
                    let count = (sums[column] * sums[column] / squares[column])
                        .round()
                        .max(1.0);
                    for _ in 0..count as usize {
                        group_of.push(group);
                        weights.push(sums[column] / count);
                    }
                }
            }
        }
        GroupTrials::of(&group_of, self.sums.len(), |i| weights[i])
    }

    /// Expected figures at the field's prevalence.
    pub fn expected(&self, stakes: Stakes, bootstrap: &ClusterBootstrap) -> Expected {
        let positives = self.trials(&[1]);
        let walks = self.trials(&[0, 2]);
        let figure = |scale, trials| Figure { scale, trials };
        let figures = [
            figure(Scale::Logit, &positives),
            figure(Scale::Logit, &walks),
            figure(Scale::Log, &walks),
            figure(Scale::Log, &positives),
        ];
        let of = |point: Option<CutPoint>| {
            vec![
                point.map(|p| p.recall),
                point.and_then(|p| p.precision),
                point.map(|p| p.walks_per_1000),
                point.map(|p| p.cost),
            ]
        };
        let whole = of(self.point(&vec![1.0; self.sums.len()], stakes));
        let intervals = bootstrap.intervals(&figures, |times| of(self.point(times, stakes)));
        let mut merits = whole
            .iter()
            .zip(&intervals)
            .map(|(value, interval)| Merit::of(*value, *interval));
        let mut next = || merits.next().flatten();
        let (recall, precision) = (next(), next());
        Expected {
            recall,
            walks_per_bone: precision.as_ref().and_then(inverse),
            precision,
            walks_per_1000: next(),
            cost: next(),
        }
    }
}

/// Walks per bone from precision; absent where no walk ends at a bone.
fn inverse(precision: &Merit) -> Option<Merit> {
    (precision.value > 0.0).then(|| Merit {
        value: 1.0 / precision.value,
        low: precision.high.map(|h| 1.0 / h),
        high: precision
            .low
            .map(|l| 1.0 / l)
            .filter(|walks| *walks <= MOST_WALKS),
        method: precision.method.clone(),
    })
}

pub(super) fn share(of: f64, whole: f64) -> Option<f64> {
    (whole > 0.0).then(|| of / whole)
}

/// The figures in plain words; whole numbers that a person can picture.
pub(super) fn in_words(expected: &Expected, wasted: f64, missed: f64) -> Vec<String> {
    let mut words = Vec::new();
    if let Some(recall) = &expected.recall {
        let missed = missed_of_twenty(recall.value);
        let range = match (recall.low, recall.high) {
            (Some(low), Some(high)) => format!(
                " (between {} and {} of 20 cannot be ruled out)",
                missed_of_twenty(high),
                missed_of_twenty(low)
            ),
            _ => String::new(),
        };
        words.push(format!(
            "At this cut expect {missed} in 20 bones missed{range}."
        ));
    }
    match &expected.walks_per_bone {
        Some(walks) => {
            let range = match (walks.low, walks.high) {
                (Some(low), None) => {
                    format!(
                        " (at least {}; the data set no upper limit)",
                        walks_word(low)
                    )
                }
                (Some(low), Some(high)) => {
                    format!(" (between {} and {})", walks_word(low), walks_word(high))
                }
                _ => String::new(),
            };
            words.push(format!(
                "Expect 1 bone in {} walks{range}.",
                walks_word(walks.value)
            ));
        }
        None => words.push("At this cut no walk is expected to end at a bone.".to_string()),
    }
    if let (Some(walks), Some(cost)) = (&expected.walks_per_1000, &expected.cost) {
        words.push(format!(
            "Of 1000 glowing patches about {:.0} are walked to; at {wasted} for a wasted walk and {missed} for a missed bone that costs {:.0} per 1000.",
            walks.value, cost.value
        ));
    }
    words
}

fn missed_of_twenty(recall: f64) -> String {
    let missed = 20.0 * (1.0 - recall);
    match missed < 0.5 {
        true if missed > 0.0 => "fewer than 1".to_string(),
        _ => format!("{missed:.0}"),
    }
}

fn walks_word(walks: f64) -> String {
    match walks < 3.0 {
        true => format!("{walks:.1}"),
        false => format!("{walks:.0}"),
    }
}
