//! What is checked on the way, and said of the result.

use super::Fitting;
use crate::calibration::choice::{Candidate, distance};
use crate::calibration::curves;
use crate::calibration::rig::*;
use crate::calibration::targets::Measured;
use crate::signal::{MeasuredResponse, Response};
use crate::{Error, Result};
use nalgebra::{DMatrix, Matrix2};

/// A target whose leverage is above this pulls too hard.
const PULLS_HARD: f64 = 0.9;
/// Signals that differ so little between targets leave the mapping open.
const ILL_CONDITIONED: f64 = 100.0;
/// Leak above this share of the dimmest target is worth a warning.
const LEAK_SHARE: f64 = 0.05;
/// Ratios of channels that scatter more than this between targets are not those of the camera's curves.
const DISAGREE: f64 = 0.1;
/// What to say where the channels look exchanged.
pub(super) const EXCHANGED: &str = "The captures agree with the camera's curves once red and blue are exchanged: \
     check the order of the columns r, g, b, and of the channels in the pictures.";
/// No filter for glows passes so little everywhere.
const DENSE: f64 = 0.1;
/// Targets no further apart than this in u'v' are of one hue.
const ONE_HUE: f64 = 0.03;

impl Fitting<'_> {
    /// The step series against the response: an error if it is not monotone, a warning if exposure
    /// and linear signal are not proportional.
    pub(super) fn check_steps(&mut self, black: &Black) -> Result<Vec<StepResult>> {
        if let Response::Measured(measured) = &self.response {
            for exposure in &measured.left_out {
                self.warnings.push(format!(
                    "The step of relative exposure {exposure} is clipped and was left out of the \
                     measured response where it is."
                ));
            }
        }
        let steps = self.captures.steps();
        if steps.is_empty() {
            return Ok(Vec::new());
        }
        MeasuredResponse::check_rising(&steps, self.depth)?;
        let mut results: Vec<StepResult> = Vec::new();
        for step in &steps {
            let signal = self.response.signal(step.codes, self.depth)?.0;
            if step.relative_exposure > 0.0 {
                results.push(StepResult {
                    relative_exposure: step.relative_exposure,
                    code: step.codes.0,
                    ratio: std::array::from_fn(|c| {
                        (signal[c] - black.signal[c]) / step.relative_exposure
                    }),
                });
            }
        }
        let mut worst: f64 = 0.0;
        for c in 0..3 {
            let mut ratios: Vec<f64> = results.iter().map(|r| r.ratio[c]).collect();
            ratios.sort_by(f64::total_cmp);
            let Some(&middle) = ratios.get(ratios.len() / 2).filter(|m| **m > 0.0) else {
                continue;
            };
            for r in &mut results {
                r.ratio[c] /= middle;
                worst = worst.max((r.ratio[c] - 1.0).abs());
            }
        }
        if worst > 0.05 && !self.captures.dark.is_empty() {
            self.warnings.push(format!(
                "The step series does not fit the response \"{}\": linear signal and exposure are \
                 out of proportion by up to {:.0} %. Set response to a table of these steps.",
                self.response.name(),
                100.0 * worst
            ));
        }
        Ok(results)
    }

    pub(super) fn check_hues(&mut self, measured: &[Measured]) -> Result<()> {
        let uv = |m: &Measured| self.reference.targets[m.reference].uv;
        let mut widest: f64 = 0.0;
        for (i, a) in measured.iter().enumerate() {
            for b in &measured[..i] {
                widest = widest.max(distance(uv(a), uv(b)));
            }
        }
        if widest < ONE_HUE {
            return Err(Error::input(format!(
                "all targets are of one hue: their chromaticities are at most {widest:.4} apart in \
                 u'v', expected at least {ONE_HUE}"
            ))
            .remedy("add targets of other hues, best from blue-green to red"));
        }
        let n = measured.len() as f64;
        let mean = [0, 1].map(|k: usize| measured.iter().map(|m| uv(m)[k]).sum::<f64>() / n);
        let mut spread = Matrix2::zeros();
        for m in measured {
            let away = nalgebra::Vector2::new(uv(m)[0] - mean[0], uv(m)[1] - mean[1]);
            spread += away * away.transpose() / n;
        }
        let narrow = spread.symmetric_eigenvalues().min().max(0.0).sqrt();
        if narrow < 0.004 {
            self.warnings.push(format!(
                "The targets' chromaticities lie almost on one line in u'v' (standard deviation \
                 across it {narrow:.4}): colors beside the line are extrapolated."
            ));
        }
        Ok(())
    }

    /// The channels that carry something: above three standard uncertainties on three targets.
    pub(super) fn channels(&mut self, measured: &[Measured]) -> Result<[bool; 3]> {
        let carries = |c: usize| {
            let seen = measured
                .iter()
                .filter(|m| {
                    let sd = m.steps.iter().map(|s| s[c] * s[c]).sum::<f64>().sqrt();
                    m.net[c] > 3.29 * sd && m.net[c] > 0.0
                })
                .count();
            seen >= 3
        };
        let channels = [0, 1, 2].map(carries);
        let missing: Vec<&str> = ["red", "green", "blue"]
            .into_iter()
            .zip(channels)
            .filter_map(|(name, on)| (!on).then_some(name))
            .collect();
        match missing.len() {
            0 => {}
            1 => self.warnings.push(format!(
                "The {} channel carries nothing: fewer than three targets exceed its noise, dark \
                 level and leak. The mapping uses the other two channels, so it tells hues along one \
                 curve of the diagram only; glows that differ in the missing channel alone look alike.",
                missing[0]
            )),
            _ => {
                return Err(Error::too_little(format!(
                    "the {} channels carry nothing: fewer than three targets exceed their noise, dark \
                     level and leak",
                    missing.join(" and ")
                ))
                .remedy("capture brighter targets, or with a longer exposure"));
            }
        }
        Ok(channels)
    }

    pub(super) fn tell_computed(&mut self, disagreement: f64, candidate: &Candidate<'_>) {
        if disagreement > DISAGREE {
            self.warnings.push(format!(
                "The camera's curves and the captures disagree: ratios of channels scatter by {:.0} % \
                 between targets. Check that sensitivities and filter are this rig's{}.",
                100.0 * disagreement,
                match self.captures.dark.is_empty() || self.captures.white.is_empty() {
                    true => ", and capture dark and white: what is not taken off counts as color",
                    false => "",
                }
            ));
        }
        if candidate.computed.is_empty() {
            self.warnings.push(
                "With glows computed from the camera's curves, left-out targets are predicted worse than \
                 without, so the curves were not used."
                    .to_string(),
            );
        }
    }

    /// Whether captures that disagree with the camera's curves agree with them once red and blue are exchanged.
    pub(super) fn agrees_exchanged(
        &self,
        disagreement: f64,
        measured: &[Measured],
        [r, g, b]: [bool; 3],
    ) -> bool {
        let Some(camera) = self.camera.as_ref().filter(|_| disagreement > DISAGREE) else {
            return false;
        };
        let turn = |[r, g, b]: [f64; 3]| [b, g, r];
        let exchanged: Vec<Measured> = measured
            .iter()
            .map(|m| Measured {
                net: turn(m.net),
                steps: m.steps.iter().copied().map(turn).collect(),
                ..m.clone()
            })
            .collect();
        let laser = self.season.plan.rig.laser_nm;
        curves::compute(&self.reference, camera, &exchanged, laser, [b, g, r])
            .is_ok_and(|other| other.disagreement < 0.5 * disagreement)
    }

    /// Asks about a filter that passes next to nothing.
    pub(super) fn ask_about_filter(&mut self) {
        let peak = self.reference.filter.peak();
        if peak < DENSE {
            self.warnings.push(format!(
                "The filter's curve passes {:.1} % at most: is it a share of 1, of this filter, and of one pass?",
                100.0 * peak
            ));
        }
    }

    /// Says what it costs that nothing is known of the camera's curves.
    pub(super) fn tell_of_curves(&mut self) {
        if self.camera.is_some() {
            return;
        }
        let spectra = self.reference.targets.iter().all(|t| t.spectrum.is_some());
        let also = match spectra {
            true => "",
            false => ", and the targets' emission as spectra",
        };
        self.warnings.push(format!(
            "The camera's curves are not given: on simulated rigs with ten targets that makes the median error of \
             color more than twice as large as with them, and larger than that of a chart of 24 known patches. Name them as \
             rig.sensitivities{also}."
        ));
    }

    /// Says which targets are farther off than the others, and what to do about them.
    fn tell_strays(&mut self, rig: &Rig) {
        for target in &rig.targets {
            let Some(stray) = target.stray(rig.detection.confidence) else {
                continue;
            };
            let name = &target.target;
            let off = match target.left_out_error() {
                Some(error) => {
                    format!("is off by {error:.4} in u'v' when it is left out of the fit")
                }
                None => "has no color when it is left out of the fit".to_string(),
            };
            self.warnings.push(match stray {
                Stray::Unexplained => format!(
                    "The target {name} {off}: neither how the other targets scatter nor its own noise and leak explain that. Check its \
                     name, its box and its reference, clean it and capture it again. If it stays off, glows of its hue are measured \
                     wrongly by as much."
                ),
                Stray::Uncertain => format!(
                    "The target {name} {off}, farther than the other targets let expect; its own noise and leak explain that, which \
                     leave its color uncertain by {:.4}. It tests the calibration little. Capture it brighter (a longer exposure, \
                     from nearer), and expect as much of glows as dim in its hue.",
                    target.own_sd()
                ),
            });
        }
    }

    pub(super) fn tell(&mut self, rig: &Rig) {
        self.warnings.extend(hidden_noise(&rig.noise_points));
        for target in rig.targets.iter().filter(|t| t.leverage > PULLS_HARD) {
            self.warnings.push(format!(
                "The fit follows the target {} whatever it says (leverage {:.2}): an error of this \
                 target goes into every color near it. Add targets of similar hue.",
                target.target, target.leverage
            ));
        }
        if let Some(condition) = rig.condition_number.filter(|c| *c > ILL_CONDITIONED) {
            self.warnings.push(format!(
                "The channels tell the targets apart poorly (condition number {condition:.0}): small \
                 errors of the weakest channel become large errors of color."
            ));
        }
        if let Some(share) = rig.leak.share_of_dimmest.filter(|s| *s > LEAK_SHARE) {
            self.warnings.push(format!(
                "Laser light that leaks through the filter is {:.0} % of the dimmest target's signal; \
                 dim ground will be uncertain by its unknown share.",
                100.0 * share
            ));
        }
        self.tell_strays(rig);
        self.warnings.extend(rig.unscreened());
        self.warnings.extend(rig.never_bright_enough());
        let Some(errors) = rig.errors else { return };
        let limit = self.season.plan.calibration.max_error_uv;
        if !rig.passed {
            self.warnings.push(format!(
                "The calibration failed its limit: targets left out are off by {:.4} in u'v' in the \
                 mean, the season allows {limit:.4}. Farthest off are {}.",
                errors.cross_validated_mean_uv,
                farthest(rig)
            ));
        }
        if rig.targets.len() < 8 {
            self.warnings.push(format!(
                "There are {} targets only; the error that they show is itself known to no better \
                 than about a third.",
                rig.targets.len()
            ));
        }
    }
}

/// Says where pixels differ so little that whole codes hide their noise.
fn hidden_noise(points: &[NoisePoint]) -> Option<String> {
    let hidden = |p: &&NoisePoint| p.variance < QUIET * QUIET * 12.0 * p.rounding;
    let channels = ["red", "green", "blue"].into_iter().enumerate();
    let named: Vec<&str> = channels
        .filter(|(c, _)| points.iter().filter(hidden).any(|p| p.channel == *c))
        .map(|(_, name)| name)
        .collect();
    (!named.is_empty()).then(|| {
        format!(
            "The pixels of some captures differ by less than {QUIET} of a code in {} (standard deviation): whole codes hide \
             their noise, and what was fitted to it is not to be trusted. Record with more gain, or more bits.",
            named.join(" and ")
        )
    })
}

/// With less noise than this share of a code, its variance is no longer that of its codes less 1/12.
const QUIET: f64 = 0.3;

/// The two targets that are farthest off when they are left out: two exchanged names look so.
fn farthest(rig: &Rig) -> String {
    let off = |t: &TargetResult| {
        t.left_out_uv
            .map_or(f64::INFINITY, |uv| distance(uv, t.reference_uv))
    };
    let mut targets: Vec<&TargetResult> = rig.targets.iter().collect();
    targets.sort_by(|a, b| off(b).total_cmp(&off(a)));
    let told = targets.iter().take(2).map(|t| match t.left_out_uv {
        Some(_) => format!("{} ({:.4})", t.target, off(t)),
        None => format!("{} (without a color)", t.target),
    });
    told.collect::<Vec<_>>().join(" and ")
}

/// The largest channel of a target's leak over that of the dimmest target's net signal.
pub(super) fn dimmest_share(leak: &Leak, measured: &[Measured]) -> Option<f64> {
    let largest = |v: [f64; 3]| v.into_iter().fold(0.0, f64::max);
    let dimmest = measured
        .iter()
        .map(|m| largest(m.net))
        .fold(f64::INFINITY, f64::min);
    let share = leak.target_share * largest(leak.signal) / dimmest;
    share.is_finite().then_some(share)
}

pub(super) fn condition(measured: &[Measured], channels: [bool; 3]) -> Option<f64> {
    let used: Vec<usize> = (0..3).filter(|c| channels[*c]).collect();
    let matrix = DMatrix::from_fn(measured.len(), used.len(), |i, j| {
        let length = measured[i].net.iter().map(|v| v * v).sum::<f64>().sqrt();
        measured[i].net[used[j]] / length
    });
    let values = matrix.singular_values();
    let ratio = values.max() / values.min();
    ratio.is_finite().then_some(ratio)
}
