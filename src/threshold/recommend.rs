//! From out-of-group predictions and a policy to `thresholds.json`.

use super::cases::{Cases, Stakes, logit};
use super::choice::{Choice, Terms, choose};
use super::expected::{Walked, in_words};
use super::region::{Window, contours, within_locus};
use super::thresholds::*;
use crate::Result;
use crate::classify::Model;
use crate::evaluation::{ClusterBootstrap, FieldPrevalence, Merit, OutOfGroup, prior};
use crate::numeric::{at_most_digits, probability};
use crate::season::{Policy, ThresholdPlan};
use rayon::prelude::*;

/// Points of the curve over cuts.
const CURVE_POINTS: usize = 200;
/// Grid points along each side of the window that `region_uv` is drawn in.
const REGION_POINTS: usize = 141;
/// How far in u'v' that window goes beyond the checked patches.
const REGION_MARGIN: f64 = 0.03;

/// What a recommendation needs besides the predictions.
#[derive(Debug, Clone, Copy)]
pub struct Request<'a> {
    /// The season's policy and costs.
    pub plan: &'a ThresholdPlan,
    /// The field's prevalence.
    pub prior: &'a FieldPrevalence,
    /// Squared distance beyond which a glow is novel (the model's own).
    pub novelty: Option<f64>,
    /// Whether each checked patch is below the detection limit; empty if none is.
    pub too_faint: &'a [bool],
    /// Log luminance below which a glow of a strip is too faint, for the record.
    pub min_luminance: Option<f64>,
    /// Fewest pixels of a candidate, for the record.
    pub min_pixels: u64,
    /// Glowing patches per hectare as strips measured them, for the policy `walks`.
    pub patches_per_hectare: Option<f64>,
    /// How groups are drawn at random for the intervals.
    pub bootstrap: ClusterBootstrap,
}

/// Recommends a cut and says what it will find and cost in the field.
///
/// Takes [`OutOfGroup`] and nothing else: scores of patches that the model was fitted to would promise
/// too much. Recall counts a positive as found only if the decision is to walk there.
///
/// # Errors
/// `too_faint` of another length, no checked positive or nothing else, the policy `walks` without patches
/// per hectare.
pub fn recommend(predictions: &OutOfGroup, request: &Request) -> Result<Thresholds> {
    let never = predictions.never_walked(request.too_faint, request.novelty)?;
    let plan = request.plan;
    let stakes = Stakes::new(plan, request.prior.value);
    let bootstrap = request.bootstrap;
    let groups = predictions.group_names().len();
    let terms = Terms {
        plan,
        stakes,
        patches_per_hectare: request.patches_per_hectare,
        bootstrap,
        groups,
    };
    let rows: Vec<usize> = (0..predictions.len()).collect();
    let p = predictions.p_positive_at(stakes.prevalence);
    let cases = Cases::new(predictions, &rows, &p, &never);
    let choice = choose(&cases, terms)?;
    let expected = walked(&cases, choice.cut).expected(stakes, request.prior, groups, &bootstrap);
    let everywhere = stakes.net_benefit(1.0, 1.0);
    let (transfer, transfer_pooled) = transfer(predictions, request.prior, terms, &p, &never)?;
    let mut warnings = choice.warnings.clone();
    warnings.extend(cautions(predictions, &cases, &choice, request, &expected));
    Ok(Thresholds {
        classifier: predictions.classifier().to_string(),
        policy: plan.policy,
        policy_sentence: policy_sentence(plan),
        probability: Merit {
            value: choice.cut,
            low: choice.low,
            high: choice.high,
            method: match choice.low {
                Some(_) => {
                    "bootstrap over groups, with the standard error and Student's t, on the log odds"
                }
                None => "no interval: the data cannot tell one",
            }
            .to_string(),
        },
        method: choice.method,
        min_luminance: request.min_luminance,
        min_pixels: request.min_pixels,
        novelty: request.novelty,
        prior: request.prior.clone(),
        in_words: in_words(&expected, stakes.wasted, stakes.missed),
        expected,
        net_benefit_everywhere: Some(everywhere),
        transfer,
        transfer_pooled,
        curve: curve(&cases, stakes),
        sensitivity: sensitivity(&cases, stakes),
        decision_curve: decision_curve(&cases, stakes),
        region_uv: Vec::new(),
        region_log_luminance: None,
        warnings,
    })
}

impl Thresholds {
    /// Adds the region of u'v' in which a glow of this log luminance is worth a walk, as far as there is light of
    /// such colors.
    ///
    /// `model` at any prior; it is moved to the thresholds' own. The window covers `chromaticities` (u', v' of
    /// the checked patches) and a margin. Without u' or v' among the model's features there is no region.
    ///
    /// # Errors
    /// A prior that is not between 0 and 1.
    pub fn with_region(
        mut self,
        model: &Model,
        chromaticities: &[[f64; 2]],
        log_luminance: f64,
    ) -> Result<Self> {
        let components = model.components();
        if chromaticities.is_empty() || !components.iter().any(|c| *c < 2) {
            return Ok(self);
        }
        let mut model = model.clone();
        model.adjust_prior(self.prior.value)?;
        let range = |k: usize| {
            let of = || chromaticities.iter().map(|c| c[k]);
            [
                of().fold(f64::INFINITY, f64::min) - REGION_MARGIN,
                of().fold(f64::NEG_INFINITY, f64::max) + REGION_MARGIN,
            ]
        };
        let window = Window {
            u: range(0),
            v: range(1),
            points: REGION_POINTS,
        };
        let grid = window.grid();
        let features = ndarray::Array2::from_shape_fn((grid.len(), components.len()), |(i, j)| {
            [grid[i][0], grid[i][1], log_luminance][components[j]]
        });
        let p = model.positive_share(&model.probabilities(features.view()));
        let cut = logit(self.probability.value);
        let mut values: Vec<f64> = p.iter().map(|&p| logit(p) - cut).collect();
        // The cut itself is a walk; contours take what is above 0.
        values.iter_mut().for_each(|v| *v += 1e-12);
        if let Some(novelty) = self.novelty {
            let distances = model.novelty().squared_distances_of(features.view());
            for (value, distance) in values.iter_mut().zip(distances) {
                *value = value.min(1.0 - distance / novelty);
            }
        }
        within_locus(&window, &mut values);
        self.region_uv = contours(&window, &values);
        self.region_log_luminance = components.contains(&2).then_some(log_luminance);
        Ok(self)
    }
}

fn walked(cases: &Cases, cut: f64) -> Walked {
    let mut walked = Walked::default();
    for i in 0..cases.len() {
        let walks = !cases.never[i] && cases.p[i] >= cut;
        walked.add(cases.group[i], cases.positive[i], walks, cases.weight[i]);
    }
    walked
}

/// For each group: the cut chosen without its fold, by predictions that have not seen it, applied to it.
fn transfer(
    predictions: &OutOfGroup,
    prior: &FieldPrevalence,
    terms: Terms,
    p: &[f64],
    never: &[bool],
) -> Result<(Vec<Transfer>, Option<Expected>)> {
    let groups = predictions.group_names().len();
    let cuts = (0..predictions.folds())
        .into_par_iter()
        .map(|fold| {
            let Some((rows, p)) = predictions.inside(fold, terms.stakes.prevalence) else {
                return Ok(None);
            };
            let cases = Cases::new(predictions, rows, &p, never);
            match choose(&cases, terms) {
                Ok(choice) => Ok(Some(choice.cut)),
                Err(e) if e.is_too_little() => Ok(None),
                Err(e) => Err(e),
            }
        })
        .collect::<Result<Vec<Option<f64>>>>()?;
    let mut walked = Walked::default();
    let mut transfer = Vec::new();
    let positive = predictions.is_positive();
    for group in 0..groups {
        let rows: Vec<usize> = (0..predictions.len())
            .filter(|&i| predictions.groups()[i] == group)
            .collect();
        let Some(&first) = rows.first() else { continue };
        let Some(cut) = cuts[predictions.fold_of()[first]] else {
            continue;
        };
        for &i in &rows {
            let walks = !never[i] && p[i] >= cut;
            walked.add(group, positive[i], walks, predictions.weights()[i]);
        }
        let (recall, false_alarm_rate) = walked.of_group(group);
        let of_group: Vec<f64> = rows.iter().map(|&i| p[i]).collect();
        let cases = Cases::new(predictions, &rows, &of_group, never);
        let cost = |cut: f64| {
            let (recall, rate) = cases.rates(cut)?;
            Some(terms.stakes.point(cut, recall, rate).cost)
        };
        let hindsight_cost = cases.sweep(|_| 1.0).and_then(|sweep| {
            sweep
                .iter()
                .map(|s| terms.stakes.at(s).cost)
                .min_by(f64::total_cmp)
        });
        let positives = rows.iter().filter(|&&i| positive[i]).count();
        transfer.push(Transfer {
            group: predictions.group_names()[group].clone(),
            cut,
            positives,
            others: rows.len() - positives,
            recall,
            false_alarm_rate,
            cost: cost(cut),
            hindsight_cost,
        });
    }
    let pooled = (!transfer.is_empty())
        .then(|| walked.expected(terms.stakes, prior, groups, &terms.bootstrap));
    Ok((transfer, pooled))
}

fn curve(cases: &Cases, stakes: Stakes) -> Vec<CutPoint> {
    let sweep = cases.sweep(|_| 1.0).unwrap_or_default();
    let last = sweep.len().saturating_sub(1);
    let count = sweep.len().min(CURVE_POINTS);
    (0..count)
        .map(|i| stakes.at(&sweep[i * last / (count - 1).max(1)]))
        .collect()
}

/// Five cost ratios at a third of the prevalence, at it, and at three times it (half way to 1 at most),
/// each cut at its own cost ratio.
fn sensitivity(cases: &Cases, stakes: Stakes) -> Vec<Sensitivity> {
    let mut rows = Vec::new();
    let own = stakes.prevalence;
    for prevalence in [own / 3.0, own, (3.0 * own).min((1.0 + own) / 2.0)] {
        for factor in [0.2, 0.5, 1.0, 2.0, 5.0] {
            let other = Stakes {
                prevalence,
                missed: factor * stakes.missed,
                ..stakes
            };
            let cut = other.cost_ratio_cut();
            let cut_at_prior = prior::shift_probability(cut, prevalence, stakes.prevalence);
            let Some((recall, rate)) = cases.rates(cut_at_prior) else {
                continue;
            };
            let point = other.point(cut, recall, rate);
            rows.push(Sensitivity {
                cost_ratio: other.missed / other.wasted,
                prevalence,
                cut,
                cut_at_prior,
                recall,
                walks_per_1000: point.walks_per_1000,
                cost: point.cost,
            });
        }
    }
    rows
}

/// Net benefit per glowing patch at thresholds from 0.001 to 0.5 (Vickers and Elkin 2006).
fn decision_curve(cases: &Cases, stakes: Stakes) -> Vec<NetBenefit> {
    (0..=60)
        .filter_map(|i| {
            let threshold = 0.001 * 500.0_f64.powf(f64::from(i) / 60.0);
            let stakes = Stakes {
                wasted: threshold,
                missed: 1.0 - threshold,
                ..stakes
            };
            let (recall, rate) = cases.rates(threshold)?;
            Some(NetBenefit {
                threshold,
                classifier: stakes.net_benefit(recall, rate),
                everywhere: stakes.net_benefit(1.0, 1.0),
                nowhere: 0.0,
            })
        })
        .collect()
}

fn policy_sentence(plan: &ThresholdPlan) -> String {
    let (missed, wasted) = (plan.missed_bone_cost, plan.wasted_walk_cost);
    match plan.policy {
        Policy::Cost => format!(
            "The cut is the probability from which on a walk is worth its cost, where a missed bone costs {missed} and a wasted walk \
             {wasted}: {wasted} / ({wasted} + {missed}) = {}.",
            at_most_digits(wasted / (wasted + missed), 3)
        ),
        Policy::Recall => format!(
            "The cut is the highest at which the lower {:.0} % limit of recall is {} or more.",
            100.0 * plan.confidence,
            plan.min_recall
        ),
        Policy::Walks => format!(
            "The cut is the lowest with at most {} walks per hectare.",
            plan.max_walks_per_hectare
        ),
        Policy::Precision => format!(
            "The cut is the lowest at which at least {} of all walks end at a bone.",
            plan.min_precision
        ),
    }
}

fn cautions(
    predictions: &OutOfGroup,
    cases: &Cases,
    choice: &Choice,
    request: &Request,
    expected: &Expected,
) -> Vec<String> {
    let mut warnings = Vec::new();
    let lost = (0..cases.len())
        .filter(|&i| cases.positive[i] && cases.never[i] && cases.p[i] >= choice.cut)
        .count();
    let positives = cases.positive.iter().filter(|p| **p).count();
    if lost > 0 {
        warnings.push(format!(
            "{lost} of {positives} checked positives reach the cut but are novel or too faint, so they are not walks and count as missed."
        ));
    }
    if expected.recall.as_ref().is_some_and(|r| r.value == 0.0) {
        warnings.push(
            "At this cut no checked positive would have been walked to: the classifier is not fit for this policy.".to_string(),
        );
    }
    if (0..cases.len()).all(|i| cases.never[i] || cases.p[i] >= choice.cut) {
        warnings.push(
            "At this cut every checked patch that is neither novel nor too faint would be walked to: at these costs and this \
             prevalence the classifier saves no walk."
                .to_string(),
        );
    }
    if let (Some(low), Some(high)) = (choice.low, choice.high)
        && logit(high) - logit(low) > 2.0 * std::f64::consts::LN_10
    {
        warnings.push(format!(
            "The cut is poorly known: anything from {} to {} is compatible with the {} groups.",
            probability(low),
            probability(high),
            predictions.group_names().len()
        ));
    }
    if request.prior.value > 2.0 * request.prior.ledger {
        warnings.push(format!(
            "The field's prevalence ({}) is more than twice the ledger's ({}): unusual for a survey that checks what looks like bone.",
            probability(request.prior.value),
            probability(request.prior.ledger)
        ));
    }
    warnings
}
