//! Rigs on paper: what they would record, and how far they would set bone from the rest.

use super::{Outcome, learning};
use crate::Result;
use crate::files::Table;
use crate::season::Season;
use crate::simulation::{
    ComparisonPlan, Noise, OptionPrediction, RigComparison, RunnerUp, compare_rigs, read_options,
};
use serde_json::json;

/// What a simulation supposes in place of what the season says.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Supposed {
    /// Electrons that full scale stands for.
    pub full_scale_electrons: Option<f64>,
    /// Standard deviation of reading a pixel, in electrons.
    pub read_electrons: Option<f64>,
    /// Pixels of a patch.
    pub pixels: Option<u64>,
    /// Share of full scale that the strongest channel of the brightest class reaches.
    pub brightest_signal: Option<f64>,
}

impl Supposed {
    fn apply(&self, plan: &mut ComparisonPlan) {
        for noise in &mut plan.noise {
            let full = self.full_scale_electrons;
            noise.full_scale_electrons = full.unwrap_or(noise.full_scale_electrons);
            noise.read_electrons = self.read_electrons.unwrap_or(noise.read_electrons);
        }
        plan.pixels = self.pixels.unwrap_or(plan.pixels);
        plan.brightest_signal = self.brightest_signal.unwrap_or(plan.brightest_signal);
    }
}

/// What rigs would record of the spectra, and how far apart they would set bone from the rest.
///
/// A season that is calibrated gives the noise, the dark level and the leak's share.
pub fn simulate(
    season: &Season,
    spectra: &Table,
    rigs: &Table,
    supposed: &Supposed,
) -> Result<(RigComparison, Outcome)> {
    let rig = match season.result("rig.json").is_file() {
        true => Some(learning::rig(season)?).filter(|rig| rig.calibrated),
        false => None,
    };
    let mut plan = ComparisonPlan::of_season(season, rig.as_ref())?;
    supposed.apply(&mut plan);
    let options = read_options(rigs, season.folder(), Some(spectra))?;
    let found = compare_rigs(&plan, &options)?;
    let stated = supposed.full_scale_electrons.is_some() || supposed.read_electrons.is_some();
    let source = match rig.as_ref().and_then(Noise::of_rig) {
        _ if stated => "as stated",
        Some(_) => "as calibrated",
        None => "supposed, for want of a calibration that measured it",
    };
    let listed = |of: fn(&Noise) -> f64, decimals: usize| {
        let values = plan
            .noise
            .iter()
            .map(|noise| format!("{:.decimals$}", of(noise)));
        values.collect::<Vec<_>>().join(", ")
    };
    let mut outcome = Outcome::new("simulate").result(json!(found)).say(format!(
        "Noise is {source}: full scale is {} electrons in red, green and blue, reading adds {}. \
             A patch has {} pixels; the strongest channel of the brightest class is at {:.0} % of \
             full scale.",
        listed(|noise| noise.full_scale_electrons, 0),
        listed(|noise| noise.read_electrons, 1),
        plan.pixels,
        100.0 * plan.brightest_signal
    ));
    outcome = outcome.say(
        "Best first, by the pair of a class worth a walk and another that is hardest to tell apart; distances are in \
         standard uncertainties of a patch's color, areas are those under the ROC curve of the best rule on color:",
    );
    for (option, rank) in found.options.iter().zip(1..) {
        outcome = outcome.say(format!("  {rank}. {}", of_option(option)));
    }
    if let Some(best) = &found.best {
        let next = found.runner_up.as_ref().map_or(String::new(), beside);
        outcome = outcome.say(format!("Best is \"{best}\".{next}"));
    }
    let outcome = outcome.say(
        "These are predictions from the spectra named: how samples of a class differ counts only where the table holds \
         three or more (bone:1, bone:2, bone:3). `boneglow simulate --help` explains the columns.",
    );
    Ok((found, outcome))
}

fn of_option(option: &OptionPrediction) -> String {
    match option.hardest() {
        Some(pair) => format!(
            "{}: {} and {}, {:.1} apart (area {:.3})",
            option.option,
            pair.positive,
            pair.other,
            pair.mahalanobis.unwrap_or(0.0),
            pair.ideal_auc.unwrap_or(0.5),
        ),
        None => format!(
            "{}: no distance, because a class has no hue behind this filter",
            option.option
        ),
    }
}

/// The next option beside the best one.
fn beside(next: &RunnerUp) -> String {
    let name = &next.option;
    if !next.ahead.is_empty() {
        return format!(
            " The next, \"{name}\", would be ahead {}: the two cannot be told apart on paper.",
            next.ahead.join(" and ")
        );
    }
    match next.really_worse {
        true => format!(
            " The next, \"{name}\", is really worse: it stays behind also at half the light, at twice the noise and \
             with a leak that differs twice as much."
        ),
        false => format!(
            " The next, \"{name}\", is behind, but by less than 0.01 of the area: not enough to choose by."
        ),
    }
}
