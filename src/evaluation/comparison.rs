//! An old model against a new one on the same out-of-group patches (`comparison.json`).

use super::assessment::Terms;
use super::evaluation::Merit;
use super::gains::paired_gains;
use super::out_of_group::OutOfGroup;
use super::{ClusterBootstrap, McNemar, Scores, delong, roc};
use crate::numeric::decimal;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Name and version of the format of `comparison.json`.
pub const COMPARISON_FORMAT: &str = "boneglow-comparison/1";

/// The rule of the verdict, declared before any figure is known.
pub const VERDICT_RULE: &str = "The new model is favored if the interval of its gain in log loss lies above 0 and that of its gain in recall does \
     not lie below 0; the old one if the interval of the gain in log loss lies below 0; else nothing is shown. Nothing is \
     replaced by this.";

/// The content of `comparison.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// The old classifier.
    pub old: String,
    /// The new classifier.
    pub new: String,
    /// What the old side is: the finished model, or its recipe learnt again. A sentence.
    pub basis: String,
    /// Patches that both predict out of group.
    pub patches: usize,
    /// ... of positive classes.
    pub positives: usize,
    /// Cut of the old model on the probability in the field.
    pub old_cut: f64,
    /// Cut of the new model on the probability in the field.
    pub new_cut: f64,
    /// Old, new and paired difference of each figure.
    pub figures: Vec<FigureChange>,
    /// Decisions that are right by one model only; absent if they never differ so.
    pub mcnemar: Option<Disagreement>,
    /// The gain in area if patches were independent; absent with fewer than two positives or others.
    #[serde(default)]
    pub auc_of_patches: Option<AucOfPatches>,
    /// Patches whose decision changes.
    pub changed: Vec<ChangedDecision>,
    /// Whom the figures favor.
    pub verdict: Verdict,
    /// The rule that the verdict follows.
    pub rule: String,
    /// Why, a sentence.
    pub sentence: String,
    /// Plain sentences.
    pub warnings: Vec<String>,
}

/// One figure of both models.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FigureChange {
    /// `log_loss`, `auc`, `recall` or `precision`.
    pub name: String,
    /// By the old model.
    pub old: Option<f64>,
    /// By the new model.
    pub new: Option<f64>,
    /// How much better the new one is (above 0: better, whatever the figure).
    pub gain: Option<Merit>,
}

/// Right decisions that only one model makes (McNemar 1947).
///
/// The test takes patches as independent; within groups they are not, so it is too sure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Disagreement {
    /// Right by the old model only.
    pub old_only: u64,
    /// Right by the new model only.
    pub new_only: u64,
    /// Mid-P value (Fagerland, Lydersen and Laake 2013).
    pub p_value: f64,
}

impl Disagreement {
    /// The counts, and why the verdict does not rest on them, in sentences.
    pub fn in_words(&self) -> String {
        let p = match self.p_value {
            p if p < 0.001 => "below 0.001".to_string(),
            p => format!("{p:.3}"),
        };
        format!(
            "Each at its own cut, the new model alone decides rightly on {} patches and the old one alone on {} (McNemar 1947, mid-P \
             {p}, as if patches were independent). The verdict does not rest on this count: patches of a group are alike, so that a \
             few groups can make it, and a cut that moved changes decisions where the probabilities are no better. It rests on log \
             loss and recall, whose intervals are over whole groups.",
            self.new_only, self.old_only
        )
    }
}

/// How much more area the new model has, its interval by DeLong, DeLong and Clarke-Pearson (1988).
///
/// As with McNemar's test patches are taken as independent, so it is too sure; the interval over groups
/// counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AucOfPatches {
    /// New less old.
    pub gain: Merit,
    /// Two-sided; absent where the two rank all patches alike.
    pub p_value: Option<f64>,
}

/// A patch that one model walks to and the other does not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChangedDecision {
    /// The patch.
    pub patch_id: String,
    /// Its group.
    pub group: String,
    /// What it is.
    pub label: String,
    /// Whether the old model walks there.
    pub old_walks: bool,
    /// Whether the new model walks there.
    pub new_walks: bool,
    /// Probability in the field by the old model.
    pub p_old: f64,
    /// Probability in the field by the new model.
    pub p_new: f64,
}

/// Whom a comparison favors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The new model.
    New,
    /// The old model.
    Old,
    /// Neither is shown to be better.
    Undecided,
}

/// Compares two models on the same patches, each at its own cut, at the field's prevalence.
///
/// For last month's model give its recipe, evaluated on the same folds: a model that was fitted to these
/// patches would have seen them.
///
/// # Errors
/// Predictions of other patches, folds, classes or positives.
pub fn compare(
    old: &OutOfGroup,
    new: &OutOfGroup,
    cuts: (f64, f64),
    prevalence: f64,
    bootstrap: ClusterBootstrap,
) -> Result<Comparison> {
    check(old, new)?;
    let terms = Terms {
        cut: cuts.1,
        prevalence,
        bootstrap,
    };
    let gains = paired_gains(old, new, cuts.0, terms)?;
    let (p_old, p_new) = (old.p_positive_at(prevalence), new.p_positive_at(prevalence));
    let (old_walks, new_walks) = (old.walked_to(&p_old, cuts.0), new.walked_to(&p_new, cuts.1));
    let positive = new.is_positive();
    let (mut old_only, mut new_only) = (0, 0);
    let mut changed = Vec::new();
    for i in 0..new.len() {
        let (was, is) = (old_walks[i], new_walks[i]);
        if was == is {
            continue;
        }
        match was == positive[i] {
            true => old_only += 1,
            false => new_only += 1,
        }
        changed.push(ChangedDecision {
            patch_id: new.ids()[i].clone(),
            group: new.group_names()[new.groups()[i]].clone(),
            label: new.classes()[new.labels()[i]].clone(),
            old_walks: was,
            new_walks: is,
            p_old: p_old[i],
            p_new: p_new[i],
        });
    }
    let old_scores = Scores::new(&p_old, &positive)?.weighted(new.weights())?;
    let new_scores = Scores::new(&p_new, &positive)?.weighted(new.weights())?;
    let auc_of_patches =
        delong::paired(&new_scores, &old_scores, bootstrap.confidence)?.map(|pair| AucOfPatches {
            gain: pair.difference.into(),
            p_value: pair.p_value,
        });
    let change =
        |name: &str, sides: (Option<f64>, Option<f64>), gain: &Option<Merit>| FigureChange {
            name: name.to_string(),
            old: sides.0,
            new: sides.1,
            gain: gain.clone(),
        };
    let figures = vec![
        change("log_loss", gains.sides[0], &gains.log_loss),
        change(
            "auc",
            (roc::auc(&old_scores), roc::auc(&new_scores)),
            &gains.auc,
        ),
        change("recall", gains.sides[1], &gains.recall),
        change("precision", gains.sides[2], &gains.precision),
    ];
    let (verdict, sentence) = judge(&gains.log_loss, &gains.recall);
    let mut warnings = Vec::new();
    let positives = positive.iter().filter(|p| **p).count();
    if positives < 20 {
        warnings.push(format!(
            "There are only {positives} checked positives: a real difference could well go unseen."
        ));
    }
    Ok(Comparison {
        old: old.classifier().to_string(),
        new: new.classifier().to_string(),
        basis: String::new(),
        patches: new.len(),
        positives,
        old_cut: cuts.0,
        new_cut: cuts.1,
        figures,
        mcnemar: McNemar::of(old_only, new_only).map(|test| Disagreement {
            old_only,
            new_only,
            p_value: test.p_mid,
        }),
        auc_of_patches,
        changed,
        verdict,
        rule: VERDICT_RULE.to_string(),
        sentence,
        warnings,
    })
}

fn check(old: &OutOfGroup, new: &OutOfGroup) -> Result<()> {
    let differs = if old.ids() != new.ids() {
        "patches"
    } else if old.classes() != new.classes() || old.labels() != new.labels() {
        "labels"
    } else if old.positive_classes() != new.positive_classes() {
        "positive classes"
    } else if old.fold_of() != new.fold_of() {
        "folds"
    } else {
        return Ok(());
    };
    Err(Error::input(format!(
        "the two models are predicted on different {differs}"
    ))
    .remedy("evaluate both on the same ledger, positive classes and folds"))
}

fn judge(log_loss: &Option<Merit>, recall: &Option<Merit>) -> (Verdict, String) {
    let (Some(low), Some(high)) = (
        log_loss.as_ref().and_then(|m| m.low),
        log_loss.as_ref().and_then(|m| m.high),
    ) else {
        let reason = "The gain in log loss has no interval, so nothing is shown.";
        return (Verdict::Undecided, reason.to_string());
    };
    let loses_recall = recall
        .as_ref()
        .and_then(|m| m.high)
        .is_some_and(|h| h < 0.0);
    let span = format!("({} to {})", decimal(low, 4), decimal(high, 4));
    match (low > 0.0, high < 0.0) {
        (true, _) if loses_recall => (
            Verdict::Undecided,
            format!("The new model's log loss is less {span}, but it loses recall at its cut."),
        ),
        (true, _) => (
            Verdict::New,
            format!("The new model's log loss is less {span}, and recall is not shown to be lost."),
        ),
        (_, true) => (
            Verdict::Old,
            format!("The new model's log loss is greater {span}."),
        ),
        _ => (
            Verdict::Undecided,
            format!(
                "The interval of the gain in log loss {span} holds 0: neither is shown to be better."
            ),
        ),
    }
}
