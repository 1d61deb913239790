//! Ground checks to `evaluation.json`, `model.json` and `thresholds.json`.

use super::learning::{Groups, Learning, MeasuredLedger, other_column};
use super::marking::{NOT_CALIBRATED, marked};
use super::{Outcome, Progress, drift, inputs, score};
use crate::calibration::Rig;
use crate::classify::{Method, Model};
use crate::evaluation::{
    self, ClusterBootstrap, Evaluated, Evaluation, Folds, Inside, Merit, OutOfGroup, Recipe,
};
use crate::files::{self, Document};
use crate::numeric::{at_most_digits, decimal, probability};
use crate::season::Season;
use crate::strip::median_patches_per_hectare;
use crate::threshold::{self, Request, Thresholds};
use crate::{Error, Result};
use serde_json::json;

/// Tests the season's classifiers on groups they have not seen; writes `evaluation.json` and
/// `predictions.csv`.
pub fn evaluate(season: &Season, progress: &dyn Progress) -> Result<Outcome> {
    let ledger = MeasuredLedger::read(season)?;
    let (outcome, _) = evaluated(season, &ledger, progress)?;
    Ok(outcome.warn(inputs::edited(season, &["rig.json"])))
}

/// As [`evaluate`] of a ledger that is measured already; also gives the out-of-group predictions, for
/// the threshold.
pub(super) fn evaluated(
    season: &Season,
    ledger: &MeasuredLedger,
    progress: &dyn Progress,
) -> Result<(Outcome, Evaluated)> {
    let learning = ledger.learning(season, Groups::Open)?;
    let plan = &season.plan;
    progress.start("evaluating", 1000);
    let evaluated = evaluation::evaluate(
        &learning.data,
        learning.survey(),
        &plan.classify,
        &plan.threshold,
        &|p| progress.reach((1000 * p.done / p.of.max(1)) as u64),
    );
    progress.finish();
    let mut evaluated = evaluated?;
    if let Some(others) = &learning.other_groups {
        evaluated.evaluation.other_split = evaluation::other_split(
            &learning.data,
            evaluated.chosen(),
            &plan.ledger.group,
            (other_column(season), others),
            &plan.classify,
        )?;
    }
    evaluated.evaluation.warnings = cautions(&ledger.rig, &learning, &evaluated.evaluation);
    let found = &evaluated.evaluation;
    let predictions =
        evaluation::predictions_to_csv(&evaluated.predictions, found.prevalence.value);
    files::write_whole(
        &season.result("predictions.csv"),
        &marked(predictions, ledger.rig.calibrated)?,
    )?;
    Document::new(
        evaluation::FORMAT,
        inputs::of_learning(season)?,
        found.clone(),
    )
    .of_rig(ledger.rig.calibrated)
    .write(&season.result("evaluation.json"))?;
    let outcome = describe(found).warn(drift::of_patches(season, ledger));
    Ok((outcome, evaluated))
}

/// What the rig and the ledger say first, then what the evaluation itself found, each once.
fn cautions(rig: &Rig, learning: &Learning, found: &Evaluation) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    if !rig.calibrated {
        all.push(NOT_CALIBRATED.into());
    } else if !rig.passed {
        all.push("The calibration failed its limit.".into());
    }
    for warning in learning.warnings.iter().chain(&found.warnings) {
        if !all.contains(warning) {
            all.push(warning.clone());
        }
    }
    all
}

/// What to say of a rig that is not calibrated.
pub(super) fn not_calibrated(rig: &Rig) -> Option<String> {
    (!rig.calibrated).then(|| NOT_CALIBRATED.to_string())
}

pub(super) fn with_interval(merit: &Merit) -> String {
    match (merit.low, merit.high) {
        (Some(low), Some(high)) => format!(
            "{} ({} to {})",
            decimal(merit.value, 3),
            decimal(low, 3),
            decimal(high, 3)
        ),
        _ => format!("{} (no interval)", decimal(merit.value, 3)),
    }
}

fn cut_with_interval(cut: &Merit) -> String {
    match (cut.low, cut.high) {
        (Some(low), Some(high)) => format!(
            "{} ({} to {})",
            probability(cut.value),
            probability(low),
            probability(high)
        ),
        _ => format!("{} (no interval)", probability(cut.value)),
    }
}

fn describe(found: &Evaluation) -> Outcome {
    let protocol = &found.protocol;
    let mut outcome = Outcome::new("evaluate")
        .warn(found.warnings.iter().cloned())
        .result(json!({"chosen": found.chosen, "baseline": found.baseline}))
        .say(format!(
            "Evaluated on {} patches of {} groups, {} of them positive. {}",
            protocol.patches, protocol.groups, protocol.positives, protocol.folds
        ));
    for classifier in &found.classifiers {
        let figure = |name: &str, merit: &Option<Merit>| {
            merit
                .as_ref()
                .map(|m| format!("{name} {}", with_interval(m)))
        };
        let figures: Vec<String> = [
            figure("log loss", &classifier.log_loss),
            figure("AUC", &classifier.auc),
            figure("recall", &classifier.recall),
            figure("precision", &classifier.precision),
        ]
        .into_iter()
        .flatten()
        .collect();
        let mark = if classifier.name == found.chosen {
            " [chosen]"
        } else {
            ""
        };
        outcome = outcome.say(format!(
            "  {}{mark}: {}",
            classifier.name,
            figures.join(", ")
        ));
    }
    outcome = outcome.say(found.choice.clone());
    if let Some(selection) = &found.selection {
        outcome = outcome.say(selection.sentence.clone());
    }
    if let Some(split) = &found.other_split {
        outcome = outcome.say(split.sentence.clone());
    }
    outcome.say(found.baseline.sentence.clone())
}

pub(super) fn evaluation_of(season: &Season) -> Result<Evaluation> {
    inputs::earlier(season, "evaluation.json", evaluation::FORMAT, "evaluate")
}

/// Fits the chosen classifier to all patches that are not locked away; writes `model.json`.
pub fn train(season: &Season, progress: &dyn Progress) -> Result<Outcome> {
    let ledger = MeasuredLedger::read(season)?;
    let outcome = trained(season, &ledger, progress)?;
    Ok(outcome
        .warn(inputs::edited(season, &["rig.json", "evaluation.json"]))
        .warn(inputs::out_of_date(season, &["evaluation.json"])?)
        .warn(drift::of_patches(season, &ledger)))
}

/// As [`train`] on a ledger that is measured already.
pub(super) fn trained(
    season: &Season,
    ledger: &MeasuredLedger,
    progress: &dyn Progress,
) -> Result<Outcome> {
    let found = evaluation_of(season)?;
    let learning = ledger.learning(season, Groups::Open)?;
    progress.start("training", 1);
    let model = evaluation::train(
        &learning.data,
        &Recipe::tuned(Method::parse(&found.chosen)?),
        &Folds::by_group(&learning.data.groups)?,
        inside(season, true),
        season.plan.threshold.novelty_rate,
    );
    progress.finish();
    let model = model?;
    let inputs = inputs::with_result(season, inputs::of_learning(season)?, "evaluation.json")?;
    Document::new(Model::FORMAT, inputs, model)
        .of_rig(ledger.rig.calibrated)
        .write(&season.result("model.json"))?;
    Ok(Outcome::new("train")
        .warn(not_calibrated(&ledger.rig))
        .say(format!(
            "Fitted \"{}\" to {} patches of {} groups.",
            found.chosen,
            learning.data.len(),
            learning.data.group_names.len()
        ))
        .result(json!({"classifier": found.chosen, "patches": learning.data.len()})))
}

fn inside(season: &Season, nested: bool) -> Inside {
    let plan = &season.plan.classify;
    Inside {
        balance_classes: plan.balance_classes,
        nested,
        seed: plan.seed,
    }
}

/// Recommends the cut; writes `thresholds.json`.
pub fn threshold(season: &Season, progress: &dyn Progress) -> Result<Outcome> {
    let outcome = recommended(season, &MeasuredLedger::read(season)?, None, progress)?;
    let results = ["evaluation.json", "model.json"];
    Ok(outcome
        .warn(inputs::edited(season, &["rig.json"]))
        .warn(inputs::edited(season, &results))
        .warn(inputs::out_of_date(season, &results)?))
}

/// As [`threshold`] from a ledger that is measured already, and from predictions where there are some.
pub(super) fn recommended(
    season: &Season,
    ledger: &MeasuredLedger,
    evaluated: Option<&Evaluated>,
    progress: &dyn Progress,
) -> Result<Outcome> {
    let chosen = evaluation_of(season)?.chosen;
    let learning = ledger.learning(season, Groups::Open)?;
    let own;
    let predictions = match evaluated {
        Some(evaluated) => evaluated.chosen(),
        None => {
            own = out_of_group(season, &learning, &chosen, progress)?;
            &own
        }
    };
    let model = Model::read(&season.result("model.json"))?;
    let colors = learning.colors();
    let mut brightness: Vec<f64> = colors.iter().map(|c| c[2]).collect();
    brightness.sort_by(f64::total_cmp);
    let chromaticities: Vec<[f64; 2]> = colors.iter().map(|c| [c[0], c[1]]).collect();
    let novelty = model.novelty().cut();
    let thresholds = recommendation(season, &ledger.rig, &learning, predictions, novelty)?
        .with_region(&model, &chromaticities, brightness[brightness.len() / 2])?;
    let thresholds = Thresholds {
        warnings: not_calibrated(&ledger.rig)
            .into_iter()
            .chain(ledger.rig.unscreened())
            .chain(thresholds.warnings)
            .collect(),
        ..thresholds
    };
    let inputs = inputs::with_result(season, inputs::of_learning(season)?, "model.json")?;
    Document::new(threshold::FORMAT, inputs, thresholds.clone())
        .of_rig(ledger.rig.calibrated)
        .write(&season.result("thresholds.json"))?;
    Ok(describe_thresholds(&thresholds))
}

/// Predictions of one classifier for groups left out.
pub(super) fn out_of_group(
    season: &Season,
    learning: &Learning,
    classifier: &str,
    progress: &dyn Progress,
) -> Result<OutOfGroup> {
    let recipe = Recipe::tuned(Method::parse(classifier)?);
    let folds = Folds::by_group(&learning.data.groups)?;
    progress.start("predicting left-out groups", 1000);
    let predictions = evaluation::cross_validate(
        &learning.data,
        &[recipe],
        &folds,
        inside(season, true),
        None,
        &|p| progress.reach((1000 * p.done / p.of.max(1)) as u64),
    );
    progress.finish();
    Ok(predictions?.remove(0))
}

/// What the season's policy recommends for these predictions.
fn recommendation(
    season: &Season,
    rig: &Rig,
    learning: &Learning,
    predictions: &OutOfGroup,
    novelty: Option<f64>,
) -> Result<Thresholds> {
    let plan = &season.plan;
    let found = evaluation_of(season)?;
    let prior = found
        .prevalence
        .restated(plan.threshold.prevalence)
        .ok_or_else(|| {
            Error::input(
                "season.toml states no prevalence any more, and this result took the one it stated",
            )
            .at(season.result("evaluation.json"))
            .key("threshold.prevalence")
            .remedy("call `boneglow evaluate` again, which estimates it, or state it")
        })?;
    let request = Request {
        plan: &plan.threshold,
        prior: &prior,
        novelty,
        too_faint: &learning.too_faint,
        min_luminance: rig.detection.faintest().filter(|limit| limit.is_finite()),
        min_pixels: plan.strips.min_pixels,
        patches_per_hectare: plan.threshold.patches_per_hectare.or(on_strips(season)?),
        bootstrap: ClusterBootstrap::of_season(&plan.classify, &plan.threshold),
    };
    threshold::recommend(predictions, &request).map_err(|e| e.at(season.file()))
}

/// The cut that the season's policy recommends for these predictions.
pub(super) fn recommended_cut(
    season: &Season,
    rig: &Rig,
    learning: &Learning,
    predictions: &OutOfGroup,
) -> Result<f64> {
    let found = recommendation(season, rig, learning, predictions, None)?;
    Ok(found.probability.value)
}

/// Glowing patches per hectare as those of the season's strips that were scored earlier measured them.
fn on_strips(season: &Season) -> Result<Option<f64>> {
    Ok(median_patches_per_hectare(&score::scored_earlier(season)?))
}

fn describe_thresholds(found: &Thresholds) -> Outcome {
    let mut outcome = Outcome::new("threshold")
        .warn(found.warnings.iter().cloned())
        .say(format!(
            "Walk where the probability at a prevalence of {} is at least {}. {}",
            at_most_digits(found.prior.value, 4),
            cut_with_interval(&found.probability),
            found.policy_sentence
        ))
        .result(json!({
            "probability": found.probability,
            "prior": found.prior,
            "expected": found.expected,
        }));
    for sentence in &found.in_words {
        outcome = outcome.say(sentence.clone());
    }
    outcome
}
