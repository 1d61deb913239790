//! Out-of-group predictions and honest figures of merit with intervals.
//!
//! In: a [`Dataset`](crate::features::Dataset) and the classifiers to try. Out: [`Evaluation`]
//! (`evaluation.json`) and the out-of-group predictions that the threshold is chosen from.
//!
//! Figures of merit are functions of [`Scores`] or of a [`Confusion`]; every patch may weigh
//! 1 / its inclusion probability. A figure that the data do not define is `None`, never NaN.

mod agreement;
mod bootstrap;
pub mod clusters;
mod confusion;
pub mod delong;
#[allow(clippy::module_inception)]
mod evaluation;
mod folds;
mod interval;
pub mod net_benefit;
pub mod precision_recall;
pub mod prior;
pub mod probability;
pub mod proportion;
pub mod recalibration;
pub mod roc;
mod scores;
mod two_by_two;
pub mod verification;

pub use agreement::McNemar;
pub use bootstrap::{ClusterBootstrap, GroupSums, Scale};
pub use confusion::{Confusion, Decision, Truth};
pub use evaluation::*;
pub use folds::{Folds, MOST_GROUPS_ONE_BY_ONE, SHARED_FOLDS, Split};
pub use interval::{Interval, IntervalMethod};
pub use probability::Probabilities;
pub use scores::Scores;
pub use two_by_two::TwoByTwo;
