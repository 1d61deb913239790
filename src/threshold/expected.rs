//! What to expect at a cut, with intervals over groups.

use super::Expected;
use super::cases::{Stakes, expit, logit};
use crate::evaluation::proportion::{self, WeightedCounts};
use crate::evaluation::{ClusterBootstrap, FieldPrevalence, Figure, Merit, Scale};

/// More walks for a bone than this are no limit that a team could plan with.
const MOST_WALKS: f64 = 1000.0;

/// Patches and whether each is walked to.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Walked {
    group: Vec<usize>,
    positive: Vec<bool>,
    walked: Vec<bool>,
    weight: Vec<f64>,
}

impl Walked {
    pub fn add(&mut self, group: usize, positive: bool, walked: bool, weight: f64) {
        self.group.push(group);
        self.positive.push(positive);
        self.walked.push(walked);
        self.weight.push(weight);
    }

    /// A patch's weight if it is of this side, and walked to if only those count.
    fn weight_if(&self, i: usize, positive: bool, walked_only: bool) -> f64 {
        match self.positive[i] == positive && (self.walked[i] || !walked_only) {
            true => self.weight[i],
            false => 0.0,
        }
    }

    /// One group's recall and false alarm rate.
    pub fn of_group(&self, group: usize) -> (Option<f64>, Option<f64>) {
        let rate = |positive: bool| {
            let sum = |walked_only: bool| -> f64 {
                (0..self.group.len())
                    .filter(|&i| self.group[i] == group)
                    .map(|i| self.weight_if(i, positive, walked_only))
                    .sum()
            };
            share(sum(true), sum(false))
        };
        (rate(true), rate(false))
    }

    /// What recall may be where bones that weigh differently hide what resampling cannot see.
    fn recall_limits(&self, confidence: f64) -> Option<(f64, f64)> {
        let heaviest = proportion::heaviest(&self.weight);
        let positives = (0..self.group.len()).filter(|&i| self.positive[i]);
        let counted = positives.map(|i| (self.weight[i], self.walked[i]));
        WeightedCounts::of(counted, heaviest).limits(confidence)
    }

    /// Expected figures at the field's prevalence, for patches of so many groups. Where the prevalence
    /// was estimated its own interval widens theirs.
    pub fn expected(
        &self,
        stakes: Stakes,
        prior: &FieldPrevalence,
        groups: usize,
        bootstrap: &ClusterBootstrap,
    ) -> Expected {
        let units = bootstrap.units(&self.group, groups);
        let sums = [(true, true), (true, false), (false, true), (false, false)]
            .map(|(positive, walked)| units.sums(|i| self.weight_if(i, positive, walked)));
        let rates = |times: &[f64]| {
            let of = |sums: &[f64]| -> f64 { sums.iter().zip(times).map(|(x, t)| x * t).sum() };
            let [hits, positives, alarms, others] = sums.each_ref().map(|s| of(s));
            Some((share(hits, positives)?, share(alarms, others)?))
        };
        let figures_at = |stakes: Stakes, rates: Option<(f64, f64)>| {
            let point = rates.map(|(recall, alarms)| stakes.point(0.0, recall, alarms));
            vec![
                point.map(|p| p.recall),
                point.and_then(|p| p.precision),
                point.map(|p| p.walks_per_1000),
                point.map(|p| p.cost),
                rates.map(|(recall, alarms)| stakes.net_benefit(recall, alarms)),
            ]
        };
        let positives = units.trials(|i| self.weight_if(i, true, false));
        let walks = units.trials(|i| match self.walked[i] {
            true => self.weight[i],
            false => 0.0,
        });
        let figures = [
            Figure::new(Scale::Logit, &positives),
            Figure::new(Scale::Logit, &walks),
            Figure::new(Scale::Log, &walks),
            Figure::new(Scale::Log, &positives),
            Figure::new(Scale::Identity, &positives),
        ];
        let whole = rates(&units.once());
        let at_recalls = self.recall_limits(bootstrap.confidence).zip(whole).map(
            |((low, high), (_, alarms))| {
                [low, high].map(|recall| figures_at(stakes, Some((recall, alarms))))
            },
        );
        let intervals =
            bootstrap.intervals(&units, &figures, |times| figures_at(stakes, rates(times)));
        let at_limits = prior.low.zip(prior.high).map(|(low, high)| {
            [low, high].map(|prevalence| {
                let stakes = Stakes {
                    prevalence,
                    ..stakes
                };
                figures_at(stakes, whole)
            })
        });
        let mut merits = figures_at(stakes, whole)
            .into_iter()
            .zip(intervals)
            .enumerate()
            .map(|(at, (value, interval))| {
                let merit = Merit::of(value, interval)?;
                let unseen = at_recalls.as_ref().and_then(|l| l[0][at].zip(l[1][at]));
                let merit = reaching(merit, unseen);
                let limits = at_limits.as_ref().and_then(|l| l[0][at].zip(l[1][at]));
                Some(match limits {
                    Some(limits) => widened(merit, figures[at].scale, limits),
                    None => merit,
                })
            });
        let mut next = || merits.next().flatten();
        let (recall, precision) = (next(), next());
        Expected {
            recall,
            walks_per_bone: precision.as_ref().and_then(inverse),
            precision,
            walks_per_1000: next(),
            cost: next(),
            net_benefit: next(),
        }
    }
}

/// The figure with limits that reach at least to these two values.
fn reaching(merit: Merit, values: Option<(f64, f64)>) -> Merit {
    let Some((one, other)) = values else {
        return merit;
    };
    Merit {
        low: merit.low.map(|low| low.min(one.min(other))),
        high: merit.high.map(|high| high.max(one.max(other))),
        ..merit
    }
}

/// The figure with the spread of the prevalence added: `limits` are the figure at the prevalence's own
/// limits. Both spreads are independent, so half widths add as squares on the figure's scale.
fn widened(merit: Merit, scale: Scale, limits: (f64, f64)) -> Merit {
    let (Some(low), Some(high)) = (merit.low, merit.high) else {
        return merit;
    };
    let (least, most) = (limits.0.min(limits.1), limits.0.max(limits.1));
    if most - least <= 1e-12 * merit.value.abs() {
        return merit;
    }
    let on = |x: f64| match scale {
        Scale::Logit => logit(x),
        Scale::Identity => x,
        _ => x.max(f64::MIN_POSITIVE).ln(),
    };
    let back = |z: f64| match scale {
        Scale::Logit => expit(z),
        Scale::Identity => z,
        _ => z.exp(),
    };
    let at = on(merit.value);
    let half = |one: f64, other: f64| (at - on(one)).hypot(at - on(other));
    Merit {
        low: Some(back(at - half(low, least.min(merit.value)))),
        high: Some(back(at + half(high, most.max(merit.value)))),
        method: format!(
            "{}; widened by the interval of the prevalence",
            merit.method
        ),
        ..merit
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
        let missed = 1.0 - recall.value;
        let limits = recall.high.zip(recall.low);
        let limits = limits.map(|(high, low)| [1.0 - high, 1.0 - low]);
        let of = denominator(&[missed, limits.map_or(0.0, |l| l[1])]);
        let range = limits.map_or(String::new(), |[low, high]| {
            format!(
                " (between {} and {} of {of} cannot be ruled out)",
                count_of(low, of),
                count_of(high, of)
            )
        });
        words.push(format!(
            "At this cut expect {} in {of} bones missed{range}.",
            count_of(missed, of)
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

/// The smallest round number of which each share that is not 0 is a whole number within a tenth of it.
fn denominator(shares: &[f64]) -> u32 {
    let fits = |of: &u32| {
        shares.iter().all(|share| {
            let count = share * f64::from(*of);
            (count.round() - count).abs() <= 0.1 * count
        })
    };
    [10, 20, 50, 100, 200, 500]
        .into_iter()
        .find(fits)
        .unwrap_or(1000)
}

fn count_of(share: f64, of: u32) -> String {
    let count = share * f64::from(of);
    match count < 0.5 {
        true if count > 1e-9 => "fewer than 1".to_string(),
        _ => format!("{:.0}", count.max(0.0)),
    }
}

fn walks_word(walks: f64) -> String {
    let whole = (walks.round() - walks).abs() <= 0.1 * walks;
    match walks >= 3.0 && whole {
        true => format!("{walks:.0}"),
        false => format!("{walks:.1}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_told_of_a_number_of_which_it_is_about_whole() {
        let told = |recall: f64, low: f64, high: f64| {
            let recall = Merit {
                value: recall,
                low: Some(low),
                high: Some(high),
                method: String::new(),
            };
            let expected = Expected {
                recall: Some(recall),
                precision: None,
                walks_per_bone: None,
                walks_per_1000: None,
                cost: None,
                net_benefit: None,
            };
            in_words(&expected, 1.0, 50.0)[0].clone()
        };
        assert_eq!(
            told(0.93, 0.85, 0.97),
            "At this cut expect 7 in 100 bones missed (between 3 and 15 of 100 cannot be ruled out)."
        );
        assert_eq!(
            told(0.8, 0.6, 0.9),
            "At this cut expect 2 in 10 bones missed (between 1 and 4 of 10 cannot be ruled out)."
        );
        assert_eq!(
            told(1.0, 0.916, 1.0),
            "At this cut expect 0 in 50 bones missed (between 0 and 4 of 50 cannot be ruled out)."
        );
        for missed in 1..400 {
            let share = f64::from(missed) / 1000.0;
            let of = f64::from(denominator(&[share]));
            assert!(
                ((share * of).round() / of / share - 1.0).abs() <= 0.1 + 1e-9,
                "{share}"
            );
        }
    }

    #[test]
    fn a_number_of_walks_keeps_a_decimal_where_it_would_be_off_by_a_tenth() {
        assert_eq!(walks_word(6.6), "7");
        assert_eq!(walks_word(3.4), "3.4");
        assert_eq!(walks_word(1.2), "1.2");
    }
}
