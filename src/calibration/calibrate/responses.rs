//! Whether another standard response fits the captures clearly better than the season's.
//!
//! Two things tell: a step series, in which signal and exposure must be in proportion, and the targets,
//! which a fit without them must predict. A wrong response changes the ratios of the channels from bright
//! to dim targets, so that no mapping fits them all.

use super::{Captures, Fitting, Signals};
use crate::calibration::choice::{self, Judged};
use crate::calibration::rig::StepResult;
use crate::signal::Response;

/// The response that is doubted must put steps further out of proportion than this ...
const OUT_OF_PROPORTION: f64 = 0.05;
/// ... and so many times as far as the other.
const TIMES: f64 = 3.0;
/// By the targets, the other must lower the errors of those left out by so many standard errors of the difference,
/// and to less than `SHARE` of what they are. Of 240 simulated rigs with ten targets the right response was doubted on
/// one; a linear one that is none was doubted on 95 of 120 with the camera's curves and on 22 of 120 without.
const STANDARD_ERRORS: f64 = 2.0;
/// See `STANDARD_ERRORS`.
const SHARE: f64 = 0.5;

/// What one response makes of the captures.
struct Fit {
    /// Distance in u'v' of each target from its prediction without it.
    errors: Vec<f64>,
    /// How far the steps are out of proportion; absent without steps.
    steps: Option<f64>,
}

impl Fitting<'_> {
    /// Says which standard responses fit better than the stated one; a measured one is not doubted.
    pub(super) fn check_response(&mut self, steps: &[StepResult], fit: &Judged) {
        if matches!(self.response, Response::Measured(_)) {
            return;
        }
        let stated = Fit {
            errors: fit.errors.clone(),
            steps: self.out_of_proportion(steps),
        };
        let others = [Response::Srgb, Response::Bt709, Response::Linear];
        let better: Vec<String> = others
            .into_iter()
            .filter(|other| *other != self.response)
            .filter_map(|other| Some((other.name(), self.under(other)?)))
            .filter(|(_, other)| is_clearly_better(other, &stated))
            .map(|(name, other)| format!("with \"{name}\" {}", other.beside(&stated)))
            .collect();
        if !better.is_empty() {
            self.warnings.push(format!(
                "The response \"{}\" does not fit these captures: {}. Pictures that a camera saves for the eye are not in proportion to \
                 light, most are \"srgb\"; raw data are \"linear\". Correct rig.response, or measure it from a step series.",
                self.response.name(),
                better.join("; ")
            ));
        }
    }

    /// The captures under another response; absent where they cannot be fitted.
    fn under(&self, response: Response) -> Option<Fit> {
        let plan = &self.season.plan;
        let path = self.season.resolve(plan.calibration.captures.as_ref()?);
        let folder = self.season.folder();
        let mut other = Fitting {
            season: self.season,
            depth: self.depth,
            captures: Captures::read(&path, folder, &response, self.depth).ok()?,
            response,
            reference: self.reference.clone(),
            camera: self.camera.clone(),
            warnings: Vec::new(),
        };
        let Signals {
            measured, steps, ..
        } = other.signals().ok()?;
        let channels = other.channels(&measured).ok()?;
        let computed = other.computed(&measured, channels);
        let found = other.choice(&measured, channels, computed.as_ref()).ok()?;
        Some(Fit {
            errors: found.judged[found.chosen].as_ref()?.errors.clone(),
            steps: other.out_of_proportion(&steps),
        })
    }

    /// How far the steps are out of proportion to their exposures, as a share; absent without steps or
    /// without a dark level to take off.
    fn out_of_proportion(&self, steps: &[StepResult]) -> Option<f64> {
        let off = steps.iter().flat_map(|s| s.ratio).map(|r| (r - 1.0).abs());
        off.reduce(f64::max)
            .filter(|_| !self.captures.dark.is_empty())
    }
}

impl Fit {
    /// What it makes of the captures, beside what the stated response does.
    fn beside(&self, stated: &Fit) -> String {
        match self.steps.zip(stated.steps) {
            Some((own, stated)) => format!(
                "signal and exposure of the steps are out of proportion by up to {:.1} % instead of {:.1} %",
                100.0 * own,
                100.0 * stated
            ),
            None => format!(
                "targets left out of the fit are off by {:.4} in u'v' in the mean instead of {:.4}",
                mean(&self.errors),
                mean(&stated.errors)
            ),
        }
    }
}

/// Whether a response fits clearly better than the stated one: by the steps where there are some, which tell
/// more, else by the targets.
fn is_clearly_better(other: &Fit, stated: &Fit) -> bool {
    if let Some((own, stated)) = other.steps.zip(stated.steps) {
        return stated > OUT_OF_PROPORTION && stated > TIMES * own;
    }
    let pairs = stated.errors.iter().zip(&other.errors);
    let gains: Vec<f64> = pairs.map(|(a, b)| a - b).collect();
    let (gain, error) = choice::mean_and_error(&gains);
    gain > STANDARD_ERRORS * error && mean(&other.errors) < SHARE * mean(&stated.errors)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
