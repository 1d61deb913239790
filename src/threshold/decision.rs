//! What to do about a glow.

use serde::{Deserialize, Serialize};
use std::fmt;

/// What to do about a glow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// Walk there.
    Walk,
    /// Leave it.
    Pass,
    /// Unlike anything in the ledger: not forced into a class.
    Novel,
    /// Below the detection limit: its color is not to be relied upon.
    TooFaint,
    /// Overexposed: it has no color to go by.
    Clipped,
}

impl Decision {
    /// As tables spell it: `walk`, `pass`, `novel`, `too-faint`, `clipped`.
    pub fn name(self) -> &'static str {
        match self {
            Decision::Walk => "walk",
            Decision::Pass => "pass",
            Decision::Novel => "novel",
            Decision::TooFaint => "too-faint",
            Decision::Clipped => "clipped",
        }
    }
}

impl fmt::Display for Decision {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Decides on one glow: too faint before novel, novel before the cut.
///
/// `p_positive_field` is the probability at the field's prevalence; the cut itself is a walk.
///
/// ```
/// use boneglow::threshold::{Decision, decide};
/// assert_eq!(decide(0.3, false, false, 0.3), Decision::Walk);
/// assert_eq!(decide(0.2, false, false, 0.3), Decision::Pass);
/// assert_eq!(decide(0.9, true, false, 0.3), Decision::Novel);
/// assert_eq!(decide(0.9, true, true, 0.3), Decision::TooFaint);
/// ```
pub fn decide(p_positive_field: f64, novel: bool, too_faint: bool, cut: f64) -> Decision {
    if too_faint {
        Decision::TooFaint
    } else if novel {
        Decision::Novel
    } else if p_positive_field >= cut {
        Decision::Walk
    } else {
        Decision::Pass
    }
}
