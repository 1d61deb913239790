//! The steps of the job: each reads the season, does one stage's work, writes to `results/`.
//!
//! In: a [`Season`](crate::season::Season). Out: files in its `results/` and an [`Outcome`] in
//! plain sentences. A step is out of date when its inputs are not those that its result names.

mod calibrate;
mod compare;
mod demo;
mod drift;
mod init;
mod inputs;
mod judging;
mod learn;
mod learning;
mod locked;
mod marking;
mod outcome;
mod plan;
mod report;
mod run;
mod score;
mod simulate;
mod stack;
mod tables;

pub use calibrate::calibrate;
pub use compare::compare;
pub use demo::{lay_out_demo, regenerate_demo};
pub use drift::drift;
pub use init::init;
pub use learn::{evaluate, threshold, train};
pub use locked::open_locked;
pub use outcome::{Outcome, Progress, Silent};
pub use plan::{WalkWish, plan};
pub use report::report;
pub use run::{RunEnd, run};
pub use score::score;
pub use simulate::{Supposed, simulate};
pub use stack::{StackWish, stack};
pub use tables::{chromaticity, classify, measure};
