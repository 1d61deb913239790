//! What `plan.json` holds.

use super::RecallForecast;
use super::walk::{Reason, Walk};
use serde::{Deserialize, Serialize};

/// Name and version of the format of `plan.json`.
pub const FORMAT: &str = "boneglow-plan/1";

/// The next walk and what it can be expected to tell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NextWalk {
    /// Glows that could have been chosen.
    pub glows: usize,
    /// Stops by reason.
    pub stops: Vec<StopCount>,
    /// Glows that no rule chose, among which the audit was drawn, those of earlier audits among them.
    pub audited_among: usize,
    /// Patches of earlier audits that weigh less from now on.
    #[serde(default)]
    pub audited_before: usize,
    /// Probability of each of them to have been drawn, by this audit or an earlier one; absent without an audit.
    pub audit_probability: Option<f64>,
    /// Length in km from the start and back; absent unless every stop has a position.
    pub kilometers: Option<f64>,
    /// How many more checks until recall is known well enough; absent without a checked positive.
    pub forecast: Option<RecallForecast>,
    /// Plain sentences.
    pub warnings: Vec<String>,
}

/// Stops of one reason.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StopCount {
    /// `highest`, `near-cut`, `novel` or `audit`.
    pub reason: String,
    /// How many.
    pub count: usize,
}

impl NextWalk {
    /// Sums up a walk among so many glows.
    pub fn of(walk: &Walk, glows: usize, forecast: Option<RecallForecast>) -> Self {
        let stops = Reason::ALL
            .iter()
            .map(|reason| StopCount {
                reason: reason.name().to_string(),
                count: walk.stops.iter().filter(|s| s.reason == *reason).count(),
            })
            .collect();
        let audit = walk.stops.iter().find(|s| s.reason == Reason::Audit);
        NextWalk {
            glows,
            stops,
            audited_among: walk.audited_among,
            audited_before: walk.audited_before.len(),
            audit_probability: audit.map(|s| s.inclusion_probability),
            kilometers: walk.kilometers,
            forecast,
            warnings: walk.warnings.clone(),
        }
    }
}
