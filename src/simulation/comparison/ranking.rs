//! Which option is best, and whether the next is really worse.
//!
//! Options are ranked by the smallest Mahalanobis distance between a positive class and another: by the class
//! that is hardest to tell from a positive one. The spectra are taken as they are, so that no interval can be
//! given; instead the first two are compared again under other suppositions.

use super::{ComparisonPlan, OptionPrediction, RigOption, Separation, predictions};
use crate::Result;
use serde::Serialize;

/// Ideal areas under ROC nearer than this are not worth choosing by.
const SAME_AUC: f64 = 0.01;

/// The option after the best one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunnerUp {
    /// The option.
    pub option: String,
    /// How far it is behind in the ideal area under ROC of the class that is hardest to tell; 0 to 1.
    pub ideal_auc_behind: f64,
    /// Suppositions under which it would be ahead, such as "at half the light".
    pub ahead: Vec<String>,
    /// Whether it stays behind under all of them, and by more than 0.01 of the area.
    pub really_worse: bool,
}

impl OptionPrediction {
    /// The positive class and the other one that are hardest to tell apart; absent where a class has no hue.
    pub fn hardest(&self) -> Option<&Separation> {
        self.weakest?;
        let of = |s: &Separation| s.mahalanobis.unwrap_or(f64::INFINITY);
        self.separations
            .iter()
            .min_by(|a, b| of(a).total_cmp(&of(b)))
    }
}

/// Sorts best first; options without a distance come last.
pub(super) fn sort(options: &mut [OptionPrediction]) {
    let of = |o: &OptionPrediction| o.weakest.unwrap_or(f64::NEG_INFINITY);
    options.sort_by(|a, b| of(b).total_cmp(&of(a)));
}

/// The second of the sorted options beside the first; absent unless both have a distance.
pub(super) fn runner_up(
    plan: &ComparisonPlan,
    options: &[RigOption],
    sorted: &[OptionPrediction],
) -> Result<Option<RunnerUp>> {
    let [best, next, ..] = sorted else {
        return Ok(None);
    };
    let area = |option: &OptionPrediction| option.hardest().and_then(|s| s.ideal_auc);
    let (Some(of_best), Some(of_next)) = (area(best), area(next)) else {
        return Ok(None);
    };
    let mut ahead = Vec::new();
    for (supposition, plan) in suppositions(plan) {
        let found = predictions(&plan, options)?;
        let weakest = |name: &str| {
            let mut named = found.iter().filter(|o| o.option == name);
            named.next().and_then(|o| o.weakest)
        };
        if weakest(&next.option) > weakest(&best.option) {
            ahead.push(supposition.to_string());
        }
    }
    Ok(Some(RunnerUp {
        option: next.option.clone(),
        ideal_auc_behind: of_best - of_next,
        really_worse: ahead.is_empty() && of_best - of_next > SAME_AUC,
        ahead,
    }))
}

/// What could well be otherwise than the plan says.
fn suppositions(plan: &ComparisonPlan) -> [(&'static str, ComparisonPlan); 3] {
    let mut dim = plan.clone();
    dim.brightest_signal /= 2.0;
    let mut noisy = plan.clone();
    for noise in &mut noisy.noise {
        // Both parts of the noise are twice as large a share of full scale.
        noise.full_scale_electrons /= 4.0;
        noise.read_electrons /= 2.0;
    }
    let mut leaky = plan.clone();
    leaky.leak_share_sd *= 2.0;
    [
        ("at half the light", dim),
        ("at twice the noise", noisy),
        (
            "where the leak differs twice as much from patch to patch",
            leaky,
        ),
    ]
}
