//! The whole evaluation of a season's classifiers.

use super::assessment::{Terms, assess, by_group};
use super::choice::BlockLoss;
use super::clusters::kish_effective_size;
use super::cross_validation::{Inside, Progress, Recipe, cross_validate, demonstrate_leak};
use super::evaluation::*;
use super::field_prevalence::field_prevalence;
use super::folds::{Folds, SHARED_FOLDS};
use super::gains::paired_gains;
use super::novelty_report::novelty_report;
use super::out_of_group::{OutOfGroup, Predictions};
use super::selection::selection;
use super::survey::Survey;
use super::too_few::too_few;
use super::training::known_classes;
use super::unit_sums::{UnitSums, column};
use super::verification_report::verification_report;
use super::{ClusterBootstrap, Scores, Units, roc, simplest_within_one_standard_error};
use crate::classify::{Method, Settings};
use crate::features::Dataset;
use crate::numeric::decimal;
use crate::season::{ClassifyPlan, ThresholdPlan};
use crate::{Error, Result};

/// An evaluation with the predictions it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluated {
    /// The content of `evaluation.json`.
    pub evaluation: Evaluation,
    /// One entry a classifier, in the order of `evaluation.classifiers`.
    pub predictions: Vec<OutOfGroup>,
}

impl Evaluated {
    /// The out-of-group predictions of the chosen classifier.
    pub fn chosen(&self) -> &OutOfGroup {
        self.predictions
            .iter()
            .find(|p| p.classifier() == self.evaluation.chosen)
            .unwrap_or(&self.predictions[0])
    }
}

/// Below this share of the patches that are there, the effective number of them is told.
const LEAST_EFFECTIVE_SHARE: f64 = 0.1;

/// The rule of choice, declared before any figure is known.
pub const CHOICE_RULE: &str = "The best classifier has the least log loss of positive against rest, out of group and weighted as the ledger was sampled; \
     of those within one standard error of the best (paired, over groups) the simplest is chosen, in the order of the \
     classifiers' declared complexity.";

/// Evaluates the season's classifiers, and beside them the plain rules, on patches of groups that
/// their models have not seen; chooses one by [`CHOICE_RULE`].
///
/// A glow is found only if it is walked to: not one that is too faint, nor one that is novel.
///
/// # Errors
/// An unknown classifier, fewer than three groups, a survey of other patches, what a fit may refuse.
pub fn evaluate(
    data: &Dataset,
    survey: Survey<'_>,
    classify: &ClassifyPlan,
    threshold: &ThresholdPlan,
    progress: &(dyn Fn(Progress<'_>) + Sync),
) -> Result<Evaluated> {
    survey.check(data.len())?;
    let mut warnings = Vec::new();
    let methods = methods(&classify.classifiers, &data.feature_names, &mut warnings)?;
    let folds = Folds::by_group(&data.groups)?;
    let inside = Inside {
        balance_classes: classify.balance_classes,
        nested: true,
        seed: classify.seed,
    };
    let recipes: Vec<Recipe> = methods.iter().map(|(m, _)| Recipe::tuned(*m)).collect();
    let predictions = cross_validate(data, &recipes, &folds, inside, survey.unchecked, progress)?;
    let bootstrap = ClusterBootstrap::of_season(classify, threshold);
    let novelty = known_classes(
        data,
        predictions[0].novelty_distances(),
        threshold.novelty_rate,
    )?;
    let never = predictions[0].never_walked(survey.too_faint, novelty.cut())?;
    let predictions: Vec<OutOfGroup> = predictions
        .into_iter()
        .map(|p| p.without_walks_to(never.clone()))
        .collect();
    let candidates: Vec<usize> = (0..methods.len()).filter(|&i| methods[i].1).collect();
    let from_simple = from_simple(&methods, &candidates);
    let chosen = choose(&predictions, &from_simple)?;
    let best = &predictions[chosen];
    let prevalence = field_prevalence(best, survey, threshold, &bootstrap, &mut warnings)?;
    let cut =
        threshold.wasted_walk_cost / (threshold.wasted_walk_cost + threshold.missed_bone_cost);
    let terms = Terms {
        cut,
        prevalence: prevalence.value,
        bootstrap,
    };
    let classifiers = predictions
        .iter()
        .zip(&methods)
        .map(|(p, (_, candidate))| {
            Ok(ClassifierEvaluation {
                candidate: *candidate,
                ..assess(p, terms)?
            })
        })
        .collect::<Result<Vec<_>>>()?;
    let baseline = baseline(&predictions, &methods, &classifiers, chosen, terms)?;
    let figures = &classifiers[chosen];
    let selection = selection(&predictions, &from_simple, chosen, figures, terms)?;
    let groups = by_group(best, terms)?;
    let verification = verification_report(data, best, survey, &novelty, terms, &mut warnings)?;
    let novelty = novelty_report(data, best, &novelty, &folds, threshold, &bootstrap)?;
    let leak = leak(data, best, methods[chosen].0, inside, &classifiers[chosen])?;
    cautions(best, &baseline, &methods, chosen, &mut warnings);
    let evaluation = Evaluation {
        protocol: protocol(best, data, classify, threshold, cut),
        labels: data.classes.clone(),
        positive: positive_names(data),
        choice: choice_sentence(&predictions, &candidates, chosen),
        chosen: best.classifier().to_string(),
        selection,
        confusion: confusion(best),
        confusion_rule: "Each patch is called the class whose probability exceeds its share in training most, so \
                         that a frequent class has no advantage."
            .to_string(),
        classifiers,
        baseline,
        groups,
        verification,
        novelty,
        prevalence,
        leak,
        other_split: None,
        warnings,
    };
    Ok(Evaluated {
        evaluation,
        predictions,
    })
}

/// The classifiers asked for (true), then the plain rules that were not (false); warns of a plain rule
/// that the features do not allow.
fn methods(
    names: &[String],
    features: &[String],
    warnings: &mut Vec<String>,
) -> Result<Vec<(Method, bool)>> {
    let mut methods = Vec::new();
    for name in names {
        methods.push((Method::parse(name)?, true));
    }
    for plain in Method::PLAIN {
        let missing = plain
            .needs()
            .iter()
            .find(|f| !features.iter().any(|has| has == *f));
        match missing {
            _ if methods.iter().any(|(m, _)| *m == plain) => {}
            None => methods.push((plain, false)),
            Some(feature) => warnings.push(format!(
                "The plain rule \"{}\" is no rival here: it takes {feature}, which is not among the features.",
                plain.name()
            )),
        }
    }
    if methods.iter().all(|(m, _)| !m.is_plain()) {
        return Err(Error::input(format!(
            "no plain rule can be learnt from {}, and a classifier needs one as its rival",
            features.join(", ")
        ))
        .key("classify.features")
        .remedy(
            "add log_luminance (for the brightness cut) or u and v (for the nearest mean color)",
        ));
    }
    Ok(methods)
}

/// The candidates from simple to complex.
fn from_simple(methods: &[(Method, bool)], candidates: &[usize]) -> Vec<usize> {
    let mut order = candidates.to_vec();
    order.sort_by_key(|&i| Method::ALL.iter().position(|m| *m == methods[i].0));
    order
}

fn choose(predictions: &[OutOfGroup], order: &[usize]) -> Result<usize> {
    let losses: Vec<Vec<BlockLoss>> = order.iter().map(|&i| losses(&predictions[i])).collect();
    simplest_within_one_standard_error(&losses)
        .map(|at| order[at])
        .ok_or_else(|| {
            Error::input("there is no classifier to choose from").key("classify.classifiers")
        })
}

/// Log loss of positive against rest, by group.
fn losses(predictions: &Predictions) -> Vec<BlockLoss> {
    let none = vec![false; predictions.len()];
    let groups = Units::new(&predictions.groups, predictions.group_names.len(), false);
    let sums = UnitSums::new(
        predictions,
        &groups,
        &none,
        &predictions.decided_class(false),
    );
    sums.of(column::LOSS)
        .into_iter()
        .zip(sums.of(column::WEIGHT))
        .map(|(loss, weight)| BlockLoss { loss, weight })
        .collect()
}

fn mean_loss(predictions: &Predictions) -> f64 {
    let blocks = losses(predictions);
    let weight: f64 = blocks.iter().map(|b| b.weight).sum();
    blocks.iter().map(|b| b.loss).sum::<f64>() / weight
}

fn choice_sentence(predictions: &[OutOfGroup], candidates: &[usize], chosen: usize) -> String {
    let best = candidates
        .iter()
        .copied()
        .min_by(|&a, &b| mean_loss(&predictions[a]).total_cmp(&mean_loss(&predictions[b])))
        .unwrap_or(chosen);
    let name = |i: usize| predictions[i].classifier();
    if best == chosen {
        return format!(
            "{} has the least log loss ({:.3}), and nothing simpler comes within one standard error of it.",
            name(chosen),
            mean_loss(&predictions[chosen])
        );
    }
    format!(
        "{} is the simplest within one standard error of the best: its log loss is {:.3}, that of {} {:.3}.",
        name(chosen),
        mean_loss(&predictions[chosen]),
        name(best),
        mean_loss(&predictions[best])
    )
}

fn baseline(
    predictions: &[OutOfGroup],
    methods: &[(Method, bool)],
    classifiers: &[ClassifierEvaluation],
    chosen: usize,
    terms: Terms,
) -> Result<Baseline> {
    let rule = (0..methods.len())
        .filter(|&i| methods[i].0.is_plain())
        .min_by(|&a, &b| mean_loss(&predictions[a]).total_cmp(&mean_loss(&predictions[b])))
        .unwrap_or(chosen);
    let gains = paired_gains(&predictions[rule], &predictions[chosen], terms.cut, terms)?;
    let (name, rival) = (&classifiers[chosen].name, &classifiers[rule].name);
    let better = gains.log_loss.as_ref().and_then(|m| m.low) > Some(0.0);
    let sentence = if rule == chosen {
        format!("The chosen classifier is itself a plain rule ({name}).")
    } else {
        let figure = |m: &Option<Merit>| match m {
            Some(Merit {
                value,
                low: Some(low),
                high: Some(high),
                ..
            }) => format!(
                "{} ({} to {})",
                decimal(*value, 3),
                decimal(*low, 3),
                decimal(*high, 3)
            ),
            Some(m) => decimal(m.value, 3),
            None => "unknown".to_string(),
        };
        format!(
            "{name} {} the best plain rule ({rival}): its gain in log loss is {}, its gain in recall at the cut {}; a loss is negative.",
            match better {
                true => "is better than",
                false => "is not shown to be better than",
            },
            figure(&gains.log_loss),
            figure(&gains.recall)
        )
    };
    Ok(Baseline {
        rule: rival.clone(),
        log_loss_gain: gains.log_loss,
        auc_gain: gains.auc,
        recall_gain: gains.recall,
        better: better && rule != chosen,
        sentence,
    })
}

/// The chosen classifier at its most frequent settings, groups split: what a careless split pretends.
fn leak(
    data: &Dataset,
    best: &OutOfGroup,
    method: Method,
    inside: Inside,
    figures: &ClassifierEvaluation,
) -> Result<Option<Leak>> {
    let Some(settings) = usual_settings(best, method) else {
        return Ok(None);
    };
    let folds = Folds::leaking(data.len(), SHARED_FOLDS.min(data.len()), inside.seed)?;
    let leaking = demonstrate_leak(data, &[Recipe::fixed(settings)], &folds, inside)?;
    let positive = best.is_positive();
    let p = leaking[0].p_positive_at(best.ledger_share());
    let scores = Scores::new(&p, &positive)?.weighted(best.weights())?;
    Ok(figures.log_loss.as_ref().map(|loss| Leak {
        classifier: best.classifier().to_string(),
        grouped_log_loss: loss.value,
        ungrouped_log_loss: mean_loss(&leaking[0]),
        grouped_auc: figures.auc.as_ref().map(|a| a.value),
        ungrouped_auc: roc::auc(&scores),
    }))
}

/// The settings that were chosen in most folds.
pub(super) fn usual_settings(predictions: &Predictions, method: Method) -> Option<Settings> {
    let times = |s: &str| {
        let choices = predictions.choices().iter();
        choices.filter(|c| c.settings == s).count()
    };
    method
        .grid()
        .into_iter()
        .max_by_key(|s| times(&s.to_string()))
}

fn confusion(predictions: &Predictions) -> Vec<Vec<u64>> {
    let classes = predictions.classes.len();
    let mut counts = vec![vec![0; classes]; classes];
    for (truth, decided) in predictions
        .labels
        .iter()
        .zip(predictions.decided_class(true))
    {
        counts[*truth][decided] += 1;
    }
    counts
}

fn positive_names(data: &Dataset) -> Vec<String> {
    data.classes
        .iter()
        .zip(&data.positive)
        .filter(|(_, p)| **p)
        .map(|(c, _)| c.clone())
        .collect()
}

fn protocol(
    best: &OutOfGroup,
    data: &Dataset,
    classify: &ClassifyPlan,
    threshold: &ThresholdPlan,
    cut: f64,
) -> Protocol {
    let mut present = data.groups.clone();
    present.sort_unstable();
    present.dedup();
    let first = data.weights.first().copied().unwrap_or(1.0);
    Protocol {
        folds: best.split_sentence().to_string(),
        inside: "Standardization, settings and the correction of probabilities were learnt without the groups left out, on \
                 predictions of groups left out in their turn. Settings were the simplest within one standard error of the \
                 least log loss over classes; so was the correction, which is none, a logistic curve (Platt 1999) or an \
                 isotonic one (Zadrozny and Elkan 2002). Patches of a large group counted less the more alike the labels of a \
                 group were (Kish 1965)."
            .to_string(),
        fold_count: best.folds(),
        groups: present.len(),
        patches: data.len(),
        positives: (0..data.len()).filter(|&i| data.is_positive(i)).count(),
        features: data.feature_names.clone(),
        weighted: data.weights.iter().any(|w| *w != first),
        cut,
        cut_rule: format!(
            "It is that of the stated costs ({} for a wasted walk, {} for a missed bone) whatever the policy; the recommended cut and \
             what to expect at it are in thresholds.json.",
            threshold.wasted_walk_cost, threshold.missed_bone_cost
        ),
        choice_rule: CHOICE_RULE.to_string(),
        confidence: threshold.confidence,
        replicates: classify.replicates,
        two_stage: classify.two_stage,
        seed: classify.seed,
    }
}

/// What the data cannot tell.
fn cautions(
    best: &OutOfGroup,
    baseline: &Baseline,
    methods: &[(Method, bool)],
    chosen: usize,
    warnings: &mut Vec<String>,
) {
    let positive = best.is_positive();
    let distinct = |keep: &dyn Fn(usize) -> bool| {
        let mut groups: Vec<usize> = (0..best.len())
            .filter(|&i| keep(i))
            .map(|i| best.groups()[i])
            .collect();
        groups.sort_unstable();
        groups.dedup();
        groups.len()
    };
    let groups = distinct(&|_| true);
    let positives = positive.iter().filter(|p| **p).count();
    warnings.extend(too_few(groups, positives));
    warnings.extend(few_carry_the_weight(best));
    let with_positives = distinct(&|i| positive[i]);
    if with_positives < 5.min(groups) {
        warnings.push(format!(
            "Positives come from only {with_positives} of {groups} groups: recall at a new site is little more than a guess."
        ));
    }
    for (class, name) in best.classes().iter().enumerate() {
        let of_class = distinct(&|i| best.labels()[i] == class);
        if of_class == 1 {
            warnings.push(format!(
                "The class \"{name}\" is known from one group only: with that group left out it cannot be learnt, so its figures say nothing."
            ));
        }
    }
    if !methods[chosen].0.is_plain() && !baseline.better {
        warnings.push(format!(
            "The chosen classifier is not shown to be better than the plain rule \"{}\".",
            baseline.rule
        ));
    }
    if best.novelty_distances().is_empty() {
        warnings.push(
            "With some group left out only one class remains: novelty cannot be judged."
                .to_string(),
        );
    }
}

/// Says so where a few patches carry nearly all the weight.
fn few_carry_the_weight(best: &OutOfGroup) -> Option<String> {
    let weights = best.weights();
    let effective = kish_effective_size(weights.iter().copied())?;
    if effective >= LEAST_EFFECTIVE_SHARE * weights.len() as f64 {
        return None;
    }
    let heaviest = (0..weights.len()).max_by(|&a, &b| weights[a].total_cmp(&weights[b]))?;
    let share = weights[heaviest] / weights.iter().sum::<f64>();
    Some(format!(
        "A few patches carry most of the weight: the {} checked patches tell no more than {effective:.1} of equal weight would (Kish 1965), and \
         \"{}\" alone carries {:.0} % of it. Look at its inclusion_probability; if it is right, only more audited places help.",
        weights.len(),
        best.ids()[heaviest],
        100.0 * share
    ))
}
