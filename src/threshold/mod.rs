//! Where to set the cut, what it will cost and how sure that is.
//!
//! In: out-of-group predictions, which only cross-validation makes, and the season's policy.
//! Out: [`Thresholds`] (`thresholds.json`) and the [`Decision`] on a glow.

mod cases;
mod choice;
#[cfg(test)]
mod coverage;
mod decision;
mod expected;
mod recommend;
mod region;
mod thresholds;

pub use decision::{Decision, decide};
pub use recommend::{Request, recommend};
pub use region::{Window, contours};
pub use thresholds::*;
