//! Out-of-group predictions and honest figures of merit with intervals.
//!
//! In: a [`Dataset`](crate::features::Dataset) and the classifiers to try. Out: [`Evaluation`]
//! (`evaluation.json`) and the out-of-group predictions that the threshold is chosen from.
//!
//! Figures of merit are functions of [`Scores`] or of a [`Confusion`]; every patch may weigh
//! 1 / its inclusion probability. A figure that the data do not define is `None`, never NaN.

mod against_rest;
mod agreement;
mod assessment;
mod bootstrap;
mod choice;
pub mod clusters;
mod comparison;
mod confusion;
mod cross_validation;
mod cut_decided;
pub mod delong;
mod evaluate;
#[allow(clippy::module_inception)]
mod evaluation;
mod field_prevalence;
mod folds;
mod frozen;
mod gains;
mod inside;
mod interval;
mod locked;
pub mod net_benefit;
mod novelty_report;
mod other_split;
mod out_of_group;
pub mod precision_recall;
mod predictions_table;
pub mod prior;
pub mod probability;
pub mod proportion;
mod ranked;
pub mod recalibration;
pub mod roc;
mod score_bootstrap;
mod scores;
mod selection;
pub mod spatial;
mod survey;
mod too_few;
mod training;
mod two_by_two;
mod unit_sums;
mod units;
pub mod verification;
mod verification_report;

pub use agreement::McNemar;
pub use assessment::{Terms, assess};
pub use bootstrap::{ASSUMED_CORRELATION, ClusterBootstrap, Figure, GroupTrials, Scale};
pub use choice::{BlockLoss, simplest_within_one_standard_error};
pub use comparison::*;
pub use confusion::{Confusion, Decision, Truth};
pub use cross_validation::{Inside, Progress, Recipe, cross_validate, demonstrate_leak};
pub use evaluate::{CHOICE_RULE, Evaluated, evaluate};
pub use evaluation::*;
pub use folds::{Folds, MOST_GROUPS_ONE_BY_ONE, SHARED_FOLDS, Split};
pub use frozen::predict_unseen;
pub use interval::{Interval, IntervalMethod};
pub use locked::{LOCKED_FORMAT, Opening, Openings, open_locked, split_locked};
pub use other_split::other_split;
pub use out_of_group::{LEAST_PROBABILITY, OutOfGroup, Predictions};
pub use predictions_table::predictions_to_csv;
pub use probability::Probabilities;
pub use score_bootstrap::{ScoreFigures, ScoreIntervals};
pub use scores::Scores;
pub use survey::{Survey, Unchecked};
pub use training::train;
pub use two_by_two::TwoByTwo;
pub use units::Units;
