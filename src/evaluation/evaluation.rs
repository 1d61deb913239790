//! What `evaluation.json` holds.

use serde::{Deserialize, Serialize};

/// Name and version of the format of `evaluation.json`.
pub const FORMAT: &str = "boneglow-evaluation/1";

/// A figure of merit as it is stated: its value, its interval and how the interval was made.
///
/// Where the data cannot tell an interval (one group), `low` and `high` are absent and `method` says
/// why. A figure that is undefined altogether is an absent `Merit`, never a NaN.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Merit {
    /// The value on all out-of-group patches.
    pub value: f64,
    /// Lower limit at the stated confidence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// Upper limit at the stated confidence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// How the interval was made.
    pub method: String,
}

/// The content of `evaluation.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evaluation {
    /// How the figures were made.
    pub protocol: Protocol,
    /// Class names, sorted; the order of every table by class.
    pub labels: Vec<String>,
    /// The classes that are worth a walk.
    pub positive: Vec<String>,
    /// The classifiers asked for, then the plain rules that were not among them.
    pub classifiers: Vec<ClassifierEvaluation>,
    /// Name of the chosen classifier.
    pub chosen: String,
    /// Why it was chosen, a sentence.
    pub choice: String,
    /// The choice made anew inside every fold, and what so chosen classifiers reach.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub selection: Option<Selection>,
    /// Patches of the chosen classifier: rows truth, columns decision, out-of-group.
    pub confusion: Vec<Vec<u64>>,
    /// How the decisions of `confusion` are made.
    pub confusion_rule: String,
    /// The chosen classifier against the best plain rule.
    pub baseline: Baseline,
    /// The chosen classifier group by group.
    pub groups: Vec<GroupEvaluation>,
    /// Recall and false alarm rate under each assumption about the unchecked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verification: Option<Verification>,
    /// How often known and unknown glows are called novel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub novelty: Option<NoveltyReport>,
    /// Share of positives among glowing patches of the field.
    pub prevalence: FieldPrevalence,
    /// What the chosen classifier pretends to reach when patches of a group are on both sides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leak: Option<Leak>,
    /// The chosen classifier with another column's values left out too (see
    /// [`other_split`](super::other_split())).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other_split: Option<OtherSplit>,
    /// Plain sentences.
    pub warnings: Vec<String>,
}

/// How the figures of an [`Evaluation`] were made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Protocol {
    /// How patches were split, a sentence.
    pub folds: String,
    /// How settings, probability calibration and standardization were learnt, a sentence.
    pub inside: String,
    /// Number of folds.
    pub fold_count: usize,
    /// Number of groups.
    pub groups: usize,
    /// Number of checked patches.
    pub patches: usize,
    /// Number of checked patches of positive classes.
    pub positives: usize,
    /// Names of the features.
    pub features: Vec<String>,
    /// Whether patches carry weights (inverse inclusion probabilities) that differ.
    pub weighted: bool,
    /// The cut on `p_positive_field` at which recall, precision and the like are taken.
    pub cut: f64,
    /// Where that cut comes from, a sentence.
    pub cut_rule: String,
    /// The declared rule of choice, a sentence.
    pub choice_rule: String,
    /// Confidence of every interval.
    pub confidence: f64,
    /// Bootstrap replicates.
    pub replicates: usize,
    /// Whether patches were resampled within resampled groups too.
    #[serde(default)]
    pub two_stage: bool,
    /// Seed of everything drawn at random.
    pub seed: u64,
}

/// One classifier's figures, all from out-of-group predictions.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ClassifierEvaluation {
    /// Its name.
    pub name: String,
    /// Whether it is one of the plain rules that are always evaluated.
    pub plain: bool,
    /// Whether it was asked for and may be chosen.
    pub candidate: bool,
    /// Mean negative natural logarithm of the probability of what was found, positive against rest; a probability below
    /// [`LEAST_PROBABILITY`](super::LEAST_PROBABILITY) counts as that.
    pub log_loss: Option<Merit>,
    /// ... over all classes.
    pub log_loss_classes: Option<Merit>,
    /// Area under the receiver operating characteristic, positive against rest.
    pub auc: Option<Merit>,
    /// Area under it up to a false alarm rate of 0.1, scaled so that chance is 0.5 (McClish 1989).
    pub partial_auc: Option<Merit>,
    /// Average precision.
    pub average_precision: Option<Merit>,
    /// Share of positives at or above the cut.
    pub recall: Option<Merit>,
    /// Share of positives among patches at or above the cut.
    pub precision: Option<Merit>,
    /// Share of the others below the cut.
    pub specificity: Option<Merit>,
    /// Harmonic mean of recall and precision.
    pub f1: Option<Merit>,
    /// Matthews correlation at the cut.
    pub matthews: Option<Merit>,
    /// Cohen's kappa at the cut.
    pub kappa: Option<Merit>,
    /// Mean of recall and specificity.
    pub balanced_accuracy: Option<Merit>,
    /// Mean squared difference between probability and finding.
    pub brier: Option<Merit>,
    /// Murphy's parts of the Brier score.
    pub brier_parts: Option<BrierParts>,
    /// Intercept of the logistic recalibration with slope 1 (0 is ideal).
    pub calibration_intercept: Option<Merit>,
    /// Slope of the logistic recalibration (1 is ideal, below 1 overconfident).
    pub calibration_slope: Option<Merit>,
    /// Mean over classes of recall, by the rule of `confusion_rule`.
    pub macro_recall: Option<Merit>,
    /// Share of patches whose most probable class is right.
    pub accuracy: Option<Merit>,
    /// Class by class.
    pub classes: Vec<ClassEvaluation>,
    /// What was learnt inside each fold.
    pub folds: Vec<FoldChoice>,
    /// Points of the receiver operating characteristic: false alarm rate, recall.
    pub roc: Vec<[f64; 2]>,
    /// Points of the precision-recall curve: recall, precision.
    pub precision_recall: Vec<[f64; 2]>,
    /// Stated probability against observed share.
    pub reliability: Vec<ReliabilityPoint>,
}

/// Murphy's (1973) parts over ten bins of about equally many patches: Brier = reliability - resolution + uncertainty +
/// within_bins.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BrierParts {
    /// Squared distance of stated from observed shares (0 is ideal).
    pub reliability: f64,
    /// Squared distance of the observed shares from the mean (large is good).
    pub resolution: f64,
    /// Variance of the finding itself.
    pub uncertainty: f64,
    /// What differs within a bin (Stephenson et al. 2008); may be below 0.
    #[serde(default)]
    pub within_bins: f64,
}

/// One class's figures.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ClassEvaluation {
    /// The class.
    pub class: String,
    /// Its patches.
    pub patches: usize,
    /// The groups that hold it.
    pub groups: usize,
    /// Share of its patches that are called so, by the rule of `confusion_rule`.
    pub recall: Option<Merit>,
    /// Share of patches called so that are.
    pub precision: Option<Merit>,
    /// Share of the other patches that are not called so.
    pub specificity: Option<Merit>,
    /// Harmonic mean of recall and precision.
    pub f1: Option<Merit>,
    /// Matthews correlation.
    pub matthews: Option<Merit>,
    /// Cohen's kappa.
    pub kappa: Option<Merit>,
    /// Mean of recall and specificity.
    pub balanced_accuracy: Option<Merit>,
    /// Log loss, this class against rest.
    pub log_loss: Option<Merit>,
    /// Mean squared difference between probability and finding, this class against rest.
    pub brier: Option<Merit>,
    /// Area under the receiver operating characteristic, this class against rest.
    pub auc: Option<Merit>,
    /// Area under it up to a false alarm rate of 0.1, scaled so that chance is 0.5 (McClish 1989).
    pub partial_auc: Option<Merit>,
    /// Average precision, this class against rest, where every fold holds it as often as the rest.
    pub average_precision: Option<Merit>,
    /// Murphy's parts of the Brier score.
    pub brier_parts: Option<BrierParts>,
    /// Intercept of the logistic recalibration with slope 1 (0 is ideal), this class against rest.
    pub calibration_intercept: Option<Merit>,
    /// Slope of the logistic recalibration (1 is ideal, below 1 overconfident).
    pub calibration_slope: Option<Merit>,
    /// Stated probability against observed share.
    #[serde(default)]
    pub reliability: Vec<ReliabilityPoint>,
}

/// What was learnt inside one fold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FoldChoice {
    /// The groups left out.
    pub groups: Vec<String>,
    /// The settings chosen without them.
    pub settings: String,
    /// The probability calibration chosen without them: none, platt or isotonic.
    pub calibration: String,
}

/// The choice among the classifiers made anew inside every fold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Selection {
    /// What each fold's training part chooses.
    pub by_fold: Vec<ChosenInside>,
    /// Log loss of positive against rest, each fold predicted by its own choice.
    pub log_loss: Option<Merit>,
    /// Area under the receiver operating characteristic, likewise.
    pub auc: Option<Merit>,
    /// Recall at the cut, likewise.
    pub recall: Option<Merit>,
    /// Precision at the cut, likewise.
    pub precision: Option<Merit>,
    /// What it comes to, a sentence.
    pub sentence: String,
}

/// The classifier that is chosen without some groups.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChosenInside {
    /// The groups left out.
    pub groups: Vec<String>,
    /// Its name.
    pub classifier: String,
}

/// One point of a reliability diagram.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReliabilityPoint {
    /// Mean stated probability in the bin.
    pub stated: f64,
    /// Observed share of positives in the bin.
    pub observed: f64,
    /// Lower limit of `observed`.
    pub low: f64,
    /// Upper limit of `observed`.
    pub high: f64,
    /// Patches in the bin.
    pub patches: usize,
}

/// The chosen classifier against the best plain rule, on the same patches.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    /// The plain rule with the least log loss.
    pub rule: String,
    /// Log loss of the rule minus that of the chosen (above 0: the chosen is better).
    pub log_loss_gain: Option<Merit>,
    /// AUC of the chosen minus that of the rule.
    pub auc_gain: Option<Merit>,
    /// Recall at the cut of the chosen minus that of the rule.
    pub recall_gain: Option<Merit>,
    /// Whether the interval of `log_loss_gain` lies above 0.
    pub better: bool,
    /// A sentence.
    pub sentence: String,
}

/// One group's figures.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct GroupEvaluation {
    /// The group.
    pub group: String,
    /// Its checked patches.
    pub patches: usize,
    /// ... of positive classes.
    pub positives: usize,
    /// Log loss, positive against rest.
    pub log_loss: Option<f64>,
    /// Area under the receiver operating characteristic within the group.
    pub auc: Option<f64>,
    /// Share of positives at or above the cut, with Wilson's interval.
    pub recall: Option<Merit>,
    /// Share of the others at or above the cut, with Wilson's interval.
    pub false_alarm_rate: Option<Merit>,
    /// Share of positives among patches at or above the cut, with Wilson's interval.
    pub precision: Option<Merit>,
}

/// Recall and false alarm rate by each way to deal with patches that nobody checked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verification {
    /// Checked patches.
    pub checked: usize,
    /// Patches without a ground check.
    pub unchecked: usize,
    /// Share of the unchecked that have a checked patch of the same score and decision beside them.
    pub overlap: Option<f64>,
    /// Area under ROC with which a discriminant of the features tells checked from unchecked patches at groups that it has
    /// not seen (near 1: a rule decided who was checked); absent where patches were drawn, or groups are too few.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub told_apart: Option<f64>,
    /// The estimates side by side.
    pub estimates: Vec<VerificationEstimate>,
    /// What if the unchecked held `factor` times as many positives as assumed.
    pub sensitivity: Vec<UncheckedAssumption>,
}

/// One estimate and what it takes for granted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VerificationEstimate {
    /// `naive`, `weighted` or `begg-greenes`.
    pub method: String,
    /// What it assumes, a sentence.
    pub assumption: String,
    /// Why it is not given, a sentence; absent where it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_given: Option<String>,
    /// Recall.
    pub recall: Option<Merit>,
    /// Share of the others at or above the cut.
    pub false_alarm_rate: Option<Merit>,
}

/// Recall if the unchecked hold more or fewer positives than the checked suggest.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct UncheckedAssumption {
    /// How many times as much bone unchecked patches hold as checked ones of the same score and decision; a share
    /// stops at 1.
    pub factor: f64,
    /// Recall under that assumption.
    pub recall: f64,
    /// False alarm rate under that assumption.
    pub false_alarm_rate: f64,
}

/// How often glows are called novel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoveltyReport {
    /// Cut on the squared distance to the nearest class, set on all known glows; decisions are made by it.
    pub cut: f64,
    /// The share of known glows that it was set for.
    pub stated_rate: f64,
    /// Share of known glows out of group beyond a cut that was set without their fold, with its interval.
    pub known_rate: Option<Merit>,
    /// Each class in turn treated as never seen.
    pub left_out: Vec<LeftOutClass>,
}

/// One class treated as never seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LeftOutClass {
    /// The class.
    pub class: String,
    /// Its patches.
    pub patches: usize,
    /// Share of them called novel when the class is not known, with its interval over groups.
    pub called_novel: Option<Merit>,
}

/// Where the field's prevalence comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PrevalenceSource {
    /// The season file.
    Stated,
    /// Estimated from patches without a ground check (Saerens et al. 2002).
    Estimated,
    /// Neither: the ledger's own weighted share.
    Ledger,
}

/// Share of positives among glowing patches of the field.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FieldPrevalence {
    /// The share.
    pub value: f64,
    /// Lower limit, where it was estimated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// Upper limit, where it was estimated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// Where it comes from.
    pub source: PrevalenceSource,
    /// The ledger's weighted share, for comparison.
    pub ledger: f64,
    /// A sentence.
    pub method: String,
}

/// The chosen classifier at its usual settings where patches are kept apart by another column too.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OtherSplit {
    /// The other column: `night` or `site`.
    pub column: String,
    /// How many values it has.
    pub values: usize,
    /// Checked patches that share theirs with another group.
    pub shared: usize,
    /// Log loss, positive against rest, of patches predicted from those that share neither group nor value;
    /// absent where some patch shares one of them with every other.
    pub log_loss: Option<f64>,
    /// Area under the receiver operating characteristic, likewise.
    pub auc: Option<f64>,
    /// Log loss of patches predicted from all of other groups, at the same settings.
    pub own_log_loss: Option<f64>,
    /// Area, likewise.
    pub own_auc: Option<f64>,
    /// What it comes to, a sentence.
    pub sentence: String,
}

/// The same classifier with patches of a group on both sides: what a careless split pretends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Leak {
    /// The classifier.
    pub classifier: String,
    /// Log loss with groups kept apart.
    pub grouped_log_loss: f64,
    /// Log loss with groups split.
    pub ungrouped_log_loss: f64,
    /// AUC with groups kept apart.
    pub grouped_auc: Option<f64>,
    /// AUC with groups split.
    pub ungrouped_auc: Option<f64>,
}
