//! What `thresholds.json` holds.

use crate::evaluation::{FieldPrevalence, Merit};
use crate::season::Policy;
use serde::{Deserialize, Serialize};

/// Name and version of the format of `thresholds.json`.
pub const FORMAT: &str = "boneglow-thresholds/1";

/// The content of `thresholds.json`: everything that a decision needs, and what it will cost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Thresholds {
    /// The classifier whose probabilities are cut.
    pub classifier: String,
    /// What the cut was chosen for.
    pub policy: Policy,
    /// The policy's own numbers, a sentence.
    pub policy_sentence: String,
    /// The cut on `p_positive_field`, with the interval of where it could as well lie.
    pub probability: Merit,
    /// How the cut was found, a sentence.
    pub method: String,
    /// Log luminance below which a glow of a strip is too faint to call, by the higher of the rig's limits of
    /// brightness and color; absent where no limit is known, or no glow is bright enough.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub min_luminance: Option<f64>,
    /// Fewest pixels of a candidate.
    pub min_pixels: u64,
    /// Cut on the squared distance to the nearest class; absent where novelty cannot be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub novelty: Option<f64>,
    /// Share of positives in the field that probabilities are moved to.
    pub prior: FieldPrevalence,
    /// What to expect at the cut, in the field.
    pub expected: Expected,
    /// Net benefit of walking to every glow, as in `expected`; walking to none has 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub net_benefit_everywhere: Option<f64>,
    /// The same in plain words.
    pub in_words: Vec<String>,
    /// The cut chosen without each group and applied to it.
    pub transfer: Vec<Transfer>,
    /// All left-out groups of `transfer` together.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transfer_pooled: Option<Expected>,
    /// What other cuts would give.
    pub curve: Vec<CutPoint>,
    /// What other costs and prevalences would ask for.
    pub sensitivity: Vec<Sensitivity>,
    /// Net benefit of the classifier, of walking everywhere and of walking nowhere.
    pub decision_curve: Vec<NetBenefit>,
    /// Polygons in u'v' inside which a glow is worth a walk, none beyond the spectral locus; each closes on itself.
    pub region_uv: Vec<Vec<[f64; 2]>>,
    /// The log luminance at which `region_uv` is drawn, the median of the checked patches; absent where decisions
    /// do not depend on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub region_log_luminance: Option<f64>,
    /// Plain sentences.
    pub warnings: Vec<String>,
}

/// What to expect at a cut, at the field's prevalence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// Share of positives that are walked to (novel and too faint are not walks).
    pub recall: Option<Merit>,
    /// Share of walks that end at a positive.
    pub precision: Option<Merit>,
    /// Walks for each positive found.
    pub walks_per_bone: Option<Merit>,
    /// Walks per 1000 glowing patches of the field.
    pub walks_per_1000: Option<Merit>,
    /// Cost per 1000 glowing patches of the field, in the season file's unit.
    pub cost: Option<Merit>,
    /// Positives found per glowing patch, less wasted walks at what they cost in missed bones (Vickers and Elkin
    /// 2006).
    #[serde(default)]
    pub net_benefit: Option<Merit>,
}

/// The cut chosen without one group, applied to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Transfer {
    /// The group left out.
    pub group: String,
    /// The cut chosen without it.
    pub cut: f64,
    /// Its positives.
    pub positives: usize,
    /// Its other patches.
    pub others: usize,
    /// Share of its positives walked to.
    pub recall: Option<f64>,
    /// Share of its others walked to.
    pub false_alarm_rate: Option<f64>,
    /// Cost per 1000 glowing patches at the field's prevalence.
    pub cost: Option<f64>,
    /// The least cost that any cut reaches in this group, known only in hindsight.
    pub hindsight_cost: Option<f64>,
}

/// What one cut would give.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CutPoint {
    /// The cut on `p_positive_field`.
    pub probability: f64,
    /// Share of positives walked to.
    pub recall: f64,
    /// Share of the others walked to.
    pub false_alarm_rate: f64,
    /// Share of walks that end at a positive; absent where nothing is walked to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub precision: Option<f64>,
    /// Walks per 1000 glowing patches.
    pub walks_per_1000: f64,
    /// Cost per 1000 glowing patches.
    pub cost: f64,
}

/// What another cost ratio and prevalence would ask for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sensitivity {
    /// Cost of a missed bone in wasted walks.
    pub cost_ratio: f64,
    /// Share of positives in the field.
    pub prevalence: f64,
    /// The cut, on the probability at that prevalence.
    pub cut: f64,
    /// The same cut on the probability at the prevalence of `prior`.
    pub cut_at_prior: f64,
    /// Recall there.
    pub recall: f64,
    /// Walks per 1000 glowing patches there.
    pub walks_per_1000: f64,
    /// Cost per 1000 glowing patches there.
    pub cost: f64,
}

/// A point of the decision curve (Vickers and Elkin 2006), per glowing patch of the field.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NetBenefit {
    /// The probability at which a walk is just worth it.
    pub threshold: f64,
    /// Net benefit of walking where the classifier says so.
    pub classifier: f64,
    /// Net benefit of walking to every glow.
    pub everywhere: f64,
    /// Net benefit of staying at home (always 0).
    pub nowhere: f64,
}
