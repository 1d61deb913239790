//! The command as scripts and people call it.

#[path = "../support/mod.rs"]
mod support;

mod compare;
mod conventions;
mod drift;
mod locked;
mod marks;
mod plan;
mod readme;
mod report;
mod score;
mod simulate;
mod stack;

use support::TrialSeason;

/// Evaluation, model and thresholds of what the season file says now.
fn learn(season: &TrialSeason) {
    for step in ["evaluate", "train", "threshold"] {
        season.succeeds(&[step]);
    }
}

fn json(season: &TrialSeason, name: &str) -> serde_json::Value {
    serde_json::from_str(&season.read(name)).unwrap()
}
