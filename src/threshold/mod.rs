//! Where to set the cut, what it will cost and how sure that is.
//!
//! In: out-of-group predictions, which only cross-validation makes, and the season's policy.
//! Out: [`Thresholds`] (`thresholds.json`) and the [`Decision`] on a glow.

mod decision;
mod thresholds;

pub use decision::{Decision, decide};
pub use thresholds::*;
