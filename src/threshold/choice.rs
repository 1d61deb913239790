//! The cut that a policy asks for, and how far it could as well lie.

use super::cases::{Cases, Stakes, Step, expit, logit};
use crate::evaluation::proportion;
use crate::evaluation::{ClusterBootstrap, Figure, Interval, Scale, Units};
use crate::numeric::probability;
use crate::season::{Policy, ThresholdPlan};
use crate::{Error, Result};

/// A cut with its interval, how it was found, and what went against the policy.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Choice {
    pub cut: f64,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub method: String,
    pub warnings: Vec<String>,
}

/// Why the cost ratio is not the least of the cost found.
const LOWEST_POINT: &str = "The lowest point of the cost found at each cut may lie elsewhere, but hangs on single patches.";
/// How the interval of the cost ratio was made.
const RECALIBRATED: &str = "Probabilities are of patches out of group; the cut's interval is from recalibrating them on resampled groups.";
/// How the interval of a cut was made that any resample can choose anew.
const BY_THE_RULE: &str = "The cut's interval is that of cuts chosen likewise on resampled groups.";

/// What a choice is made by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Terms<'a> {
    pub plan: &'a ThresholdPlan,
    pub stakes: Stakes,
    pub patches_per_hectare: Option<f64>,
    pub bootstrap: ClusterBootstrap,
    pub groups: usize,
}

impl Terms<'_> {
    /// What resamples of these cases draw.
    fn units(&self, cases: &Cases) -> Units {
        self.bootstrap.units(&cases.group, self.groups)
    }
}

pub(super) fn choose(cases: &Cases, terms: Terms) -> Result<Choice> {
    if cases.rates(0.5).is_none() {
        return Err(Error::too_little(
            "a cut needs checked positives and others out of group, and one side is missing",
        )
        .remedy("add ground checks of the missing side"));
    }
    match terms.plan.policy {
        Policy::Cost => Ok(by_cost(cases, terms)),
        Policy::Recall => Ok(by_recall(cases, terms)),
        Policy::Walks => by_walks(cases, terms),
        Policy::Precision => Ok(by_precision(cases, terms)),
    }
}

/// The cost ratio on calibrated probabilities, kept within the interval of where a recalibration on
/// the out-of-group patches would put it.
///
/// The cut with the least cost on the patches themselves is fragile: one odd, bone-rich site moves it
/// far. What cuts cost at new sites, as a multiple of the best cut in hindsight, on 60 simulated seasons of 12
/// sites (`tests/seasons/evaluation.rs` makes the table and holds the first row to its bars):
///
/// | cut | median | mean | ninth decile | worst |
/// | --- | --- | --- | --- | --- |
/// | the cost ratio (this one) | 1.02 | 1.04 | 1.08 | 1.26 |
/// | least cost on the patches | 1.04 | 1.08 | 1.20 | 1.38 |
/// | its mean over resampled groups | 1.03 | 1.07 | 1.18 | 1.48 |
/// | least cost of kernel-smoothed scores | 1.03 | 1.06 | 1.13 | 1.39 |
fn by_cost(cases: &Cases, terms: Terms) -> Choice {
    let ratio = terms.stakes.cost_ratio_cut();
    let mut choice = Choice {
        cut: ratio,
        low: None,
        high: None,
        method: LOWEST_POINT.to_string(),
        warnings: Vec::new(),
    };
    let Some(recalibrated) = recalibrated_cut(cases, terms) else {
        choice.warnings.push(
            "Whether the stated probabilities hold out of group cannot be told: they part positives from the rest without \
             an exception, or do not rise with the share of positives at all. The cut is the cost ratio as it stands."
                .to_string(),
        );
        return choice;
    };
    let (low, high) = (recalibrated.low, recalibrated.high);
    let wanted = logit(ratio);
    let kept = wanted.clamp(low, high);
    if kept != wanted {
        choice.warnings.push(format!(
            "The stated probabilities do not hold out of group: the cut was moved from {} to {}, the nearest that they allow.",
            probability(ratio),
            probability(expit(kept))
        ));
        choice.cut = expit(kept);
    }
    choice.method = format!("{RECALIBRATED} {LOWEST_POINT}");
    choice.low = Some(expit(low.min(kept)));
    choice.high = Some(expit(high.max(kept)));
    choice
}

/// In log odds: where a logistic recalibration of log likelihood ratios puts the cost ratio, with its
/// interval over resampled groups. Absent where it does not exist or falls.
fn recalibrated_cut(cases: &Cases, terms: Terms) -> Option<Interval> {
    let prior = logit(terms.stakes.prevalence);
    let wanted = logit(terms.stakes.cost_ratio_cut()) - prior;
    let evidence: Vec<f64> = cases.p.iter().map(|&p| logit(p) - prior).collect();
    let whole = Recalibration::fit(cases, &evidence)?;
    let units = terms.units(cases);
    let mut sums = vec![[[0.0; 6]; 2]; units.len()];
    for (i, &z) in evidence.iter().enumerate() {
        let q = expit(whole.intercept + whole.slope * z);
        let side = usize::from(cases.positive[i]);
        let g = side as f64 - q;
        let v = q * (1.0 - q);
        let step = [1.0, g, g * z, v, v * z, v * z * z];
        for (sum, x) in sums[units.of(i)][side].iter_mut().zip(step) {
            *sum += cases.weight[i] * x;
        }
    }
    // One Newton step a resample, each side weighing the same as in the whole.
    let statistic = |times: &[f64]| -> Option<f64> {
        let mut s = [[0.0; 6]; 2];
        for (unit, t) in sums.iter().zip(times) {
            for side in 0..2 {
                for (sum, x) in s[side].iter_mut().zip(&unit[side]) {
                    *sum += t * x;
                }
            }
        }
        if s[0][0] <= 0.0 || s[1][0] <= 0.0 {
            return None;
        }
        let both = |k: usize| s[0][k] / s[0][0] + s[1][k] / s[1][0];
        let (g0, g1, h00, h01, h11) = (both(1), both(2), both(3), both(4), both(5));
        let determinant = h00 * h11 - h01 * h01;
        if determinant <= 1e-12 * h00 * h11 {
            return None;
        }
        let intercept = whole.intercept + (h11 * g0 - h01 * g1) / determinant;
        let slope = whole.slope + (h00 * g1 - h01 * g0) / determinant;
        (slope > 0.1 * whole.slope).then(|| prior + (wanted - intercept) / slope)
    };
    interval_of_cut(cases, terms, &units, statistic)
}

/// log odds of a positive, both sides weighing the same = intercept + slope x log likelihood ratio.
struct Recalibration {
    intercept: f64,
    slope: f64,
}

impl Recalibration {
    /// Newton's method; absent where the sides are separated or the curve falls.
    fn fit(cases: &Cases, evidence: &[f64]) -> Option<Self> {
        let mut side = [0.0; 2];
        for i in 0..cases.len() {
            side[usize::from(cases.positive[i])] += cases.weight[i];
        }
        let (mut intercept, mut slope) = (0.0, 1.0);
        for _ in 0..50 {
            let (mut g0, mut g1, mut h00, mut h01, mut h11) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for (i, z) in evidence.iter().enumerate() {
                let truth = usize::from(cases.positive[i]);
                let w = cases.weight[i] / side[truth];
                let q = expit(intercept + slope * z);
                let (g, v) = (w * (truth as f64 - q), w * q * (1.0 - q));
                g0 += g;
                g1 += g * z;
                h00 += v;
                h01 += v * z;
                h11 += v * z * z;
            }
            let determinant = h00 * h11 - h01 * h01;
            if determinant <= 1e-12 * h00 * h11 || !determinant.is_finite() {
                return None;
            }
            let a = (h11 * g0 - h01 * g1) / determinant;
            let b = (h00 * g1 - h01 * g0) / determinant;
            // Long first steps overshoot; the objective is concave, so short ones always arrive.
            let shorten = 1.0_f64.min(2.0 / (a.abs() + b.abs()).max(1e-300));
            intercept += shorten * a;
            slope += shorten * b;
            if a.abs() + b.abs() < 1e-10 {
                return (slope > 0.0 && slope < 50.0).then_some(Recalibration { intercept, slope });
            }
        }
        None
    }
}

/// The highest cut whose recall's lower limit reaches the asked.
fn by_recall(cases: &Cases, terms: Terms) -> Choice {
    let wanted = terms.plan.min_recall;
    let units = terms.units(cases);
    let heaviest = proportion::heaviest(&cases.weight);
    let lower = |cut: f64| -> f64 {
        let recall = terms.bootstrap.share(
            &units,
            |i| cases.weight_if(i, true),
            |i| !cases.never[i] && cases.p[i] >= cut,
            heaviest,
        );
        recall.map_or(0.0, |interval| interval.low)
    };
    let cuts: Vec<f64> = cases
        .sweep(|_| 1.0)
        .unwrap_or_default()
        .iter()
        .map(|s| s.cut)
        .collect();
    // The lower limit grows as the cut falls: the first of the falling cuts that reaches it.
    let at = cuts.partition_point(|&cut| lower(cut) < wanted);
    let mut warnings = Vec::new();
    let cut = match cuts.get(at) {
        Some(&cut) => cut,
        None => {
            warnings.push(format!(
                "No cut can be shown to reach a recall of {wanted}: with every known glow walked to, the lower limit is {:.3}. \
                 The lowest cut is taken; more checked positives at more sites would tell.",
                cuts.last().map_or(0.0, |&c| lower(c))
            ));
            cuts.last().copied().unwrap_or(0.0)
        }
    };
    let recall = cases.rates(cut).map_or(0.0, |r| r.0);
    let spread = resampled_cut(cases, terms, &|sweep| {
        sweep.iter().find(|s| s.recall >= recall).map(|s| s.cut)
    });
    let choice = finish(
        cut,
        spread,
        "The cut's interval is that of cuts of equal recall on resampled groups.".to_string(),
        warnings,
    );
    // No lower cut finds less where this one finds all.
    match recall < 1.0 {
        true => choice,
        false => Choice {
            low: choice.low.map(|_| 0.0),
            ..choice
        },
    }
}

/// The lowest cut with no more walks per hectare than asked.
fn by_walks(cases: &Cases, terms: Terms) -> Result<Choice> {
    let Some(density) = terms.plan.patches_per_hectare.or(terms.patches_per_hectare) else {
        return Err(Error::input(
            "the policy \"walks\" needs the number of glowing patches per hectare, and no strip has measured it",
        )
        .key("threshold.patches_per_hectare")
        .remedy("state it, or score a strip with a row table first"));
    };
    let most = terms.plan.max_walks_per_hectare;
    let stakes = terms.stakes;
    let lowest = move |sweep: &[Step]| {
        sweep
            .iter()
            .take_while(|s| stakes.at(s).walks_per_1000 / 1000.0 * density <= most)
            .last()
            .map(|s| s.cut)
    };
    let sweep = cases.sweep(|_| 1.0).unwrap_or_default();
    let cut = lowest(&sweep).unwrap_or(1.0);
    let mut warnings = Vec::new();
    if sweep.first().is_some_and(|s| s.cut == cut) {
        warnings.push(format!(
            "Even the most probable glows alone would be more than {most} walks per hectare: at this cut nothing is walked to."
        ));
    }
    let spread = resampled_cut(cases, terms, &lowest);
    Ok(finish(
        cut,
        spread,
        format!("There were {density:.0} glowing patches per hectare. {BY_THE_RULE}"),
        warnings,
    ))
}

/// The lowest cut that reaches the asked precision in the field.
fn by_precision(cases: &Cases, terms: Terms) -> Choice {
    let wanted = terms.plan.min_precision;
    let stakes = terms.stakes;
    let lowest = move |sweep: &[Step]| {
        sweep
            .iter()
            .rfind(|s| stakes.at(s).precision.is_some_and(|p| p >= wanted))
            .map(|s| s.cut)
    };
    let sweep = cases.sweep(|_| 1.0).unwrap_or_default();
    let mut warnings = Vec::new();
    let cut = lowest(&sweep).unwrap_or_else(|| {
        warnings.push(format!(
            "No cut reaches a precision of {wanted} in the field: the one with the best precision is taken."
        ));
        let precision =
            |s: &Step| stakes.at(s).precision.unwrap_or(0.0);
        sweep
            .iter()
            .max_by(|a, b| precision(a).total_cmp(&precision(b)))
            .map_or(1.0, |s| s.cut)
    });
    let spread = resampled_cut(cases, terms, &lowest);
    finish(cut, spread, BY_THE_RULE.to_string(), warnings)
}

/// The rule's cut, in log odds, on resampled groups, around the cut on all.
fn resampled_cut(
    cases: &Cases,
    terms: Terms,
    rule: &(dyn Fn(&[Step]) -> Option<f64> + Sync),
) -> Option<Interval> {
    let units = terms.units(cases);
    interval_of_cut(cases, terms, &units, |times| {
        rule(&cases.sweep(|i| times[units.of(i)])?).map(logit)
    })
}

/// The interval of a cut in log odds. Where leaving out single groups moves the cut further than
/// resampling them does, the jackknife's standard error counts (Efron and Tibshirani 1993, chapter 11):
/// `coverage` shows what the two together hold.
fn interval_of_cut(
    cases: &Cases,
    terms: Terms,
    units: &Units,
    statistic: impl Fn(&[f64]) -> Option<f64> + Sync,
) -> Option<Interval> {
    let positives = units.trials(|i| cases.weight_if(i, true));
    let figure = Figure::new(Scale::Identity, &positives);
    let interval = terms.bootstrap.interval(units, figure, &statistic)?;
    let without: Vec<f64> = (0..terms.groups)
        .filter_map(|group| statistic(&units.without(group)))
        .collect();
    let n = without.len() as f64;
    let mean = without.iter().sum::<f64>() / n;
    let squares: f64 = without.iter().map(|x| (x - mean).powi(2)).sum();
    let error = ((n - 1.0) / n * squares).sqrt();
    let jackknife = terms
        .bootstrap
        .interval_of_error(figure, interval.value, error)?;
    Some(match jackknife.width() > interval.width() {
        true => jackknife,
        false => interval,
    })
}

fn finish(cut: f64, spread: Option<Interval>, method: String, warnings: Vec<String>) -> Choice {
    let at = logit(cut);
    Choice {
        cut,
        low: spread.map(|s| expit(at - (s.value - s.low))),
        high: spread.map(|s| expit(at + (s.high - s.value))),
        method,
        warnings,
    }
}
