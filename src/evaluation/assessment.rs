//! One classifier's figures from its predictions.

use super::against_rest::against_rest;
use super::evaluation::*;
use super::out_of_group::{OutOfGroup, Predictions, log_loss_of};
use super::prior::shift_probability;
use super::proportion::{self, WeightedCounts, heaviest};
use super::unit_sums::{Totals, UnitSums, column, trials};
use super::{
    ClusterBootstrap, Figure, GroupTrials, Interval, Scale, Scores, TwoByTwo, Units,
    precision_recall, roc,
};
use crate::Result;
use crate::classify::Method;

/// Probabilities are kept from 0, so that no mean logarithm is larger: -ln([`LEAST_PROBABILITY`](super::LEAST_PROBABILITY)).
const MOST_LOG_LOSS: f64 = 13.815_510_557_964_274;

/// Points that a drawn curve is thinned to.
const CURVE_POINTS: usize = 200;

/// At which cut and prevalence figures are taken, and how their intervals are made.
#[derive(Debug, Clone, Copy)]
pub struct Terms {
    /// The cut on the probability of a positive in the field.
    pub cut: f64,
    /// Share of positives in the field, in (0, 1).
    pub prevalence: f64,
    /// How groups are resampled.
    pub bootstrap: ClusterBootstrap,
}

impl From<Interval> for Merit {
    fn from(interval: Interval) -> Self {
        Merit {
            value: interval.value,
            low: Some(interval.low),
            high: Some(interval.high),
            method: interval.method.to_string(),
        }
    }
}

impl Merit {
    /// The share of hits among patches that count with their `weight` (0 leaves one out); one more could weigh
    /// `heaviest`.
    pub(super) fn of_share(
        bootstrap: &ClusterBootstrap,
        units: &Units,
        weight: impl Fn(usize) -> f64,
        hit: impl Fn(usize) -> bool,
        heaviest: f64,
    ) -> Option<Merit> {
        let all: f64 = (0..units.patches()).map(&weight).sum();
        let hits = (0..units.patches()).filter(|&i| hit(i));
        let hits: f64 = hits.map(&weight).sum();
        let value = (all > 0.0).then(|| hits / all);
        Merit::of(value, bootstrap.share(units, weight, hit, heaviest))
    }

    /// A figure with its interval, or why it has none.
    pub(crate) fn of(value: Option<f64>, interval: Option<Interval>) -> Option<Merit> {
        match interval {
            Some(interval) => Some(interval.into()),
            None => value.map(|value| Merit {
                value,
                low: None,
                high: None,
                method: "no interval: fewer than two groups bring something to it".to_string(),
            }),
        }
    }
}

/// A figure of a table of two by two, and how it is had.
type OfTable<'a> = (Figure<'a>, fn(&TwoByTwo) -> Option<f64>);

/// One statistic of a resample, and how it is had.
type Statistic<'a> = (Figure<'a>, Box<dyn Fn(&Totals) -> Option<f64> + Sync>);

/// One classifier's figures, with their intervals, from its predictions out of group.
///
/// # Errors
/// Probabilities that are not finite.
pub fn assess(predictions: &OutOfGroup, terms: Terms) -> Result<ClassifierEvaluation> {
    let in_field = predictions.p_positive_at(terms.prevalence);
    let flagged = predictions.walked_to(&in_field, terms.cut);
    let called = predictions.decided_class(true);
    let positive = predictions.is_positive();
    let units = predictions.units(&terms.bootstrap);
    let sums = UnitSums::new(predictions, &units, &flagged, &called);

    let all = trials(predictions, |_| true);
    let positives = trials(predictions, |i| positive[i]);
    let others = trials(predictions, |i| !positive[i]);
    let walks = trials(predictions, |i| flagged[i]);
    let scarce = scarcer(&positives, &others);
    let of_class: Vec<OfClass> = (0..predictions.classes.len())
        .map(|c| OfClass::new(predictions, &called, c))
        .collect();

    let (weights, heaviest) = (&predictions.weights, heaviest(&predictions.weights));
    let counts = |counts: &dyn Fn(usize) -> bool, hit: &dyn Fn(usize) -> bool, heaviest: f64| {
        let of = (0..predictions.len()).filter(|&i| counts(i));
        WeightedCounts::of(of.map(|i| (weights[i], hit(i))), heaviest)
    };
    let plain = Figure::new;
    let mut statistics: Vec<Statistic> = vec![
        (plain(Scale::Log, &all), Box::new(|t| t.mean(column::LOSS))),
        (
            plain(Scale::Log, &all),
            Box::new(|t| t.mean(column::LOSS_CLASSES)),
        ),
        (plain(Scale::Log, &all), Box::new(|t| t.mean(column::BRIER))),
        (
            plain(Scale::Logit, &all),
            Box::new(|t| t.mean(column::RIGHT)),
        ),
        (
            Figure::share(
                &positives,
                counts(&|i| positive[i], &|i| flagged[i], heaviest),
            ),
            Box::new(|t| t.table().recall()),
        ),
        (
            Figure::share(&walks, counts(&|i| flagged[i], &|i| positive[i], 0.0)),
            Box::new(|t| t.table().precision()),
        ),
        (
            Figure::share(
                &others,
                counts(&|i| !positive[i], &|i| !flagged[i], heaviest),
            ),
            Box::new(|t| t.table().specificity()),
        ),
        (
            plain(Scale::Logit, scarce),
            Box::new(|t| t.table().f_beta(1.0)),
        ),
        (
            plain(Scale::Correlation, scarce),
            Box::new(|t| t.table().matthews()),
        ),
        (
            plain(Scale::Correlation, scarce),
            Box::new(|t| t.table().kappa()),
        ),
        (
            plain(Scale::Logit, scarce),
            Box::new(|t| t.table().balanced_accuracy()),
        ),
        (plain(Scale::Logit, &all), Box::new(|t| t.macro_recall())),
    ];
    for (class, of) in of_class.iter().enumerate() {
        let scarce = of.scarce();
        let (is, called_so) = (
            |i: usize| predictions.labels[i] == class,
            |i: usize| called[i] == class,
        );
        let table: [OfTable<'_>; 7] = [
            (
                Figure::share(&of.truly, counts(&is, &called_so, heaviest)),
                TwoByTwo::recall,
            ),
            (
                Figure::share(&of.so_called, counts(&called_so, &is, heaviest)),
                TwoByTwo::precision,
            ),
            (
                Figure::share(&of.rest, counts(&|i| !is(i), &|i| !called_so(i), heaviest)),
                TwoByTwo::specificity,
            ),
            (plain(Scale::Logit, scarce), |t| t.f_beta(1.0)),
            (plain(Scale::Correlation, scarce), TwoByTwo::matthews),
            (plain(Scale::Correlation, scarce), TwoByTwo::kappa),
            (plain(Scale::Logit, scarce), TwoByTwo::balanced_accuracy),
        ];
        for (figure, of) in table {
            statistics.push((figure, Box::new(move |t| of(&t.class_table(class)))));
        }
        let losses: [fn(&Totals, usize) -> Option<f64>; 2] =
            [Totals::class_log_loss, Totals::class_brier];
        for loss in losses {
            statistics.push((plain(Scale::Log, &all), Box::new(move |t| loss(t, class))));
        }
    }
    let mut merits = merits(&terms.bootstrap, &units, &sums, &statistics).into_iter();
    let mut next = || merits.next().flatten();

    let mut of = ClassifierEvaluation {
        name: predictions.classifier.clone(),
        plain: Method::parse(&predictions.classifier)?.is_plain(),
        candidate: true,
        log_loss: no_more_than(MOST_LOG_LOSS, next()),
        log_loss_classes: no_more_than(MOST_LOG_LOSS, next()),
        brier: no_more_than(1.0, next()),
        accuracy: next(),
        recall: next(),
        precision: next(),
        specificity: next(),
        f1: next(),
        matthews: next(),
        kappa: next(),
        balanced_accuracy: next(),
        macro_recall: next(),
        folds: predictions.choices.clone(),
        ..ClassifierEvaluation::default()
    };
    let stated = predictions.p_positive();
    let rest = against_rest(
        predictions,
        terms.bootstrap,
        &units,
        &in_field,
        &stated,
        &positive,
        scarce,
    )?;
    of.auc = rest.auc;
    of.partial_auc = rest.partial_auc;
    of.average_precision = rest.average_precision;
    of.calibration_intercept = rest.calibration_intercept;
    of.calibration_slope = rest.calibration_slope;
    of.brier_parts = rest.brier_parts;
    of.reliability = rest.reliability;
    let scores = Scores::new(&in_field, &positive)?.weighted(&predictions.weights)?;
    of.roc = thinned(
        roc::curve(&scores)
            .unwrap_or_default()
            .iter()
            .map(|p| [p.false_alarm_rate, p.recall])
            .collect(),
    );
    of.precision_recall = thinned(
        precision_recall::curve(&scores)
            .unwrap_or_default()
            .iter()
            .map(|p| [p.recall, p.precision])
            .collect(),
    );
    for (class, of_class) in of_class.iter().enumerate() {
        let is_class: Vec<bool> = predictions.labels.iter().map(|&l| l == class).collect();
        let stated = predictions.probabilities.column(class).to_vec();
        let at_half: Vec<f64> = (0..predictions.len())
            .map(|i| shift_probability(stated[i], predictions.train_shares(i)[class], 0.5))
            .collect();
        let scarce = of_class.scarce();
        let rest = against_rest(
            predictions,
            terms.bootstrap,
            &units,
            &at_half,
            &stated,
            &is_class,
            scarce,
        )?;
        of.classes.push(ClassEvaluation {
            class: predictions.classes[class].clone(),
            patches: is_class.iter().filter(|c| **c).count(),
            groups: of_class.truly.weight().iter().filter(|w| **w > 0.0).count(),
            recall: next(),
            precision: next(),
            specificity: next(),
            f1: next(),
            matthews: next(),
            kappa: next(),
            balanced_accuracy: next(),
            log_loss: no_more_than(MOST_LOG_LOSS, next()),
            brier: no_more_than(1.0, next()),
            auc: rest.auc,
            partial_auc: rest.partial_auc,
            average_precision: rest.average_precision,
            brier_parts: rest.brier_parts,
            calibration_intercept: rest.calibration_intercept,
            calibration_slope: rest.calibration_slope,
            reliability: rest.reliability,
        });
    }
    Ok(of)
}

/// A figure whose upper limit is kept to what it can reach at all.
fn no_more_than(most: f64, merit: Option<Merit>) -> Option<Merit> {
    merit.map(|merit| Merit {
        high: merit.high.map(|high| high.min(most)),
        ..merit
    })
}

/// What groups bring to the figures of one class.
struct OfClass {
    truly: GroupTrials,
    so_called: GroupTrials,
    rest: GroupTrials,
}

impl OfClass {
    fn new(predictions: &Predictions, called: &[usize], class: usize) -> Self {
        let trials = |keep: &dyn Fn(usize) -> bool| trials(predictions, keep);
        OfClass {
            truly: trials(&|i| predictions.labels[i] == class),
            so_called: trials(&|i| called[i] == class),
            rest: trials(&|i| predictions.labels[i] != class),
        }
    }

    fn scarce(&self) -> &GroupTrials {
        scarcer(&self.truly, &self.rest)
    }
}

fn scarcer<'a>(one: &'a GroupTrials, other: &'a GroupTrials) -> &'a GroupTrials {
    match one.effective_groups() <= other.effective_groups() {
        true => one,
        false => other,
    }
}

fn merits(
    bootstrap: &ClusterBootstrap,
    units: &Units,
    sums: &UnitSums,
    statistics: &[Statistic],
) -> Vec<Option<Merit>> {
    let figures: Vec<Figure> = statistics.iter().map(|(figure, _)| *figure).collect();
    let values = sums.total(&units.once());
    bootstrap
        .intervals(units, &figures, |times| {
            let totals = sums.total(times);
            statistics.iter().map(|(_, of)| of(&totals)).collect()
        })
        .into_iter()
        .zip(statistics)
        .map(|(interval, (_, of))| Merit::of(of(&values), interval))
        .collect()
}

/// At most [`CURVE_POINTS`] points, the ends among them.
fn thinned(points: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    if points.len() <= CURVE_POINTS {
        return points;
    }
    let last = points.len() - 1;
    (0..CURVE_POINTS)
        .map(|i| points[i * last / (CURVE_POINTS - 1)])
        .collect()
}

/// Group by group.
pub(super) fn by_group(predictions: &Predictions, terms: Terms) -> Result<Vec<GroupEvaluation>> {
    let in_field = predictions.p_positive_at(terms.prevalence);
    let walked = predictions.walked_to(&in_field, terms.cut);
    let positive = predictions.is_positive();
    let p = predictions.p_positive();
    let mut groups = Vec::new();
    for (group, name) in predictions.group_names.iter().enumerate() {
        let rows: Vec<usize> = (0..predictions.len())
            .filter(|&i| predictions.groups[i] == group)
            .collect();
        if rows.is_empty() {
            continue;
        }
        let weights: Vec<f64> = rows.iter().map(|&i| predictions.weights[i]).collect();
        let total: f64 = weights.iter().sum();
        let score: Vec<f64> = rows.iter().map(|&i| in_field[i]).collect();
        let is_positive: Vec<bool> = rows.iter().map(|&i| positive[i]).collect();
        let scores = Scores::new(&score, &is_positive)?.weighted(&weights)?;
        let loss: f64 = rows
            .iter()
            .map(|&i| predictions.weights[i] * log_loss_of(p[i], positive[i]))
            .sum();
        // A share of weights, Wilson's interval at the effective number of patches.
        let rate = |hit: &dyn Fn(usize) -> bool, of: &dyn Fn(usize) -> bool| -> Option<Merit> {
            let of: Vec<usize> = (0..rows.len()).filter(|&k| of(k)).collect();
            let all: f64 = of.iter().map(|&k| weights[k]).sum();
            let hits: f64 = of.iter().filter(|&&k| hit(k)).map(|&k| weights[k]).sum();
            let effective = super::clusters::kish_effective_size(of.iter().map(|&k| weights[k]))?;
            let share = (hits / all).clamp(0.0, 1.0);
            proportion::wilson(share * effective, effective, terms.bootstrap.confidence)
                .map(Merit::from)
        };
        let flagged = |k: usize| walked[rows[k]];
        groups.push(GroupEvaluation {
            group: name.clone(),
            patches: rows.len(),
            positives: is_positive.iter().filter(|p| **p).count(),
            log_loss: Some(loss / total),
            auc: roc::auc(&scores),
            recall: rate(&flagged, &|k| is_positive[k]),
            false_alarm_rate: rate(&flagged, &|k| !is_positive[k]),
            precision: rate(&|k| is_positive[k], &flagged),
        });
    }
    Ok(groups)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluation::LEAST_PROBABILITY;

    #[test]
    fn no_log_loss_exceeds_that_of_the_least_probability() {
        assert!((MOST_LOG_LOSS + LEAST_PROBABILITY.ln()).abs() < 1e-12);
        assert_eq!(log_loss_of(0.0, true), -LEAST_PROBABILITY.ln());
    }
}
