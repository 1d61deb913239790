//! The steps of the job: each reads the season, does one stage's work, writes to `results/`.
//!
//! In: a [`Season`](crate::season::Season). Out: files in its `results/` and an [`Outcome`] in
//! plain sentences. A step is out of date when its inputs are not those that its result names.

mod init;
mod inputs;
mod outcome;

pub use init::init;
pub use outcome::{Outcome, Progress, Silent};
