//! Out-of-group predictions and honest figures of merit with intervals.
//!
//! In: a [`Dataset`](crate::features::Dataset) and the classifiers to try. Out: [`Evaluation`]
//! (`evaluation.json`) and the out-of-group predictions that the threshold is chosen from.

#[allow(clippy::module_inception)]
mod evaluation;
mod folds;

pub use evaluation::*;
pub use folds::{Folds, MOST_GROUPS_ONE_BY_ONE, SHARED_FOLDS, Split};
