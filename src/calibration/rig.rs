//! A rig's calibration: the content of `rig.json`.

use super::flat::Flat;
use super::mapping::{Coefficients, Mapping, MappingKind};
use crate::numeric::Covariance3;
use crate::season::{ChromaticityKind, IrradianceLaw, StripsPlan};
use crate::signal::{BitDepth, Capture, Response};
use serde::{Deserialize, Serialize};

/// What color a rig measures, how well and how faint: the content of `rig.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rig {
    /// The rig's name.
    pub rig: String,
    /// Wavelength of the laser in nm.
    pub laser_nm: f64,
    /// Wavelength in nm at which the filter passes half.
    pub filter_cut_on_nm: f64,
    /// False where the mapping was assumed and not measured: everything after is then marked.
    pub calibrated: bool,
    /// Whether the cross-validated mean error is within the season's limit; false if not calibrated.
    pub passed: bool,
    /// Which chromaticity is claimed.
    pub chromaticity: ChromaticityKind,
    /// Code values to linear signal.
    pub response: Response,
    /// Bits per channel of the code values.
    pub bit_depth: BitDepth,
    /// Net signal to XYZ.
    pub mapping: Mapping,
    /// Dark level.
    pub black: Black,
    /// Laser light that passes the filter.
    pub leak: Leak,
    /// XYZ (Y = 1) of the white that color differences refer to: D65.
    pub white_point: [f64; 3],
    /// Noise of one pixel.
    pub noise: Noise,
    /// What luminance is relative to.
    pub luminance: LuminanceScale,
    /// The settings that signal is referred to.
    pub exposure: Exposure,
    /// The fan of the line and the fall-off of the lens across the picture; absent without flats.
    #[serde(default)]
    pub flat: Option<Flat>,
    /// How well the mapping is known.
    pub uncertainty: Uncertainty,
    /// The faintest glow.
    pub detection: Detection,
    /// Errors over the targets.
    pub errors: Option<Errors>,
    /// The targets one by one.
    pub targets: Vec<TargetResult>,
    /// The white target as it was recorded, for brightness on later nights.
    pub white: Option<WhiteRecord>,
    /// The mappings that were tried.
    #[serde(default)]
    pub candidates: Vec<CandidateResult>,
    /// Ratio of the largest to the smallest singular value of the targets' signals, each of length
    /// 1, over the channels used: how far their hues are apart for the camera.
    #[serde(default)]
    pub condition_number: Option<f64>,
    /// What the noise was fitted to.
    #[serde(default)]
    pub noise_points: Vec<NoisePoint>,
    /// The step series against the response.
    #[serde(default)]
    pub steps: Vec<StepResult>,
    /// Plain sentences on what to mind.
    pub warnings: Vec<String>,
}

/// One mapping that was tried.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CandidateResult {
    /// Matrix or root polynomial.
    pub kind: MappingKind,
    /// Glows computed from the camera's curves that it was fitted to beside the targets.
    pub computed_glows: usize,
    /// Mean u'v' distance of each target from its prediction by a fit without it.
    pub cross_validated_mean_uv: f64,
    /// Its standard error over targets.
    pub standard_error: f64,
    /// Whether it was chosen: the first within one standard error (of the difference) of the best,
    /// of those with computed glows if one of them is, and of these the first that is as near the best
    /// on computed glows that no fit saw.
    pub chosen: bool,
}

/// One channel of one capture, as the noise was fitted to it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoisePoint {
    /// 0 red, 1 green, 2 blue.
    pub channel: usize,
    /// Net linear signal.
    pub signal: f64,
    /// Variance of its pixels.
    pub variance: f64,
    /// The part of it that rounding to whole codes explains.
    pub rounding: f64,
    /// Number of pixels.
    pub pixels: u64,
}

/// One step of the series: what the response makes of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StepResult {
    /// Exposure relative to the other steps.
    pub relative_exposure: f64,
    /// Mean code values.
    pub code: [f64; 3],
    /// Net linear signal over what the exposure lets expect, 1 if the response is right.
    pub ratio: [f64; 3],
}

/// Dark level: linear signal without light.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Black {
    /// Linear signal of each channel.
    pub signal: [f64; 3],
    /// Standard uncertainty of each.
    pub sd: [f64; 3],
}

/// Laser light that passes the filter off a surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Leak {
    /// Net linear signal of the white target that does not fluoresce, at the reference height and
    /// the calibration's exposure.
    pub signal: [f64; 3],
    /// Standard uncertainty of each.
    pub sd: [f64; 3],
    /// What ground reflects as a share of the white target, its mean over patches.
    pub ground_share: f64,
    /// ... and its standard deviation between patches.
    pub ground_share_sd: f64,
    /// Patches of ground that its mean was estimated from; 0 if it is the season file's.
    #[serde(default)]
    pub ground_patches: usize,
    /// What the reference targets reflect as a share of the white target, their mean.
    pub target_share: f64,
    /// ... and its standard deviation between targets.
    pub target_share_sd: f64,
    /// The largest channel of a target's leak over that of the dimmest target's net signal.
    pub share_of_dimmest: Option<f64>,
}

/// Noise of one pixel by the mean-variance method: variance = read_sd^2 + gain x net signal, and
/// the rounding to whole codes beside.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// Standard deviation without light, in linear signal, of each channel.
    pub read_sd: [f64; 3],
    /// Variance per net signal, of each channel.
    pub gain: [f64; 3],
    /// Whether both were measured; else only rounding is known.
    pub measured: bool,
}

/// What log luminance is relative to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LuminanceScale {
    /// The target whose luminance is 1; absent if it is in the unit that targets state it in, or 1 is the camera's
    /// full scale.
    pub target: Option<String>,
    /// Targets whose stated luminance the scale is the mean of; 0 if none is stated.
    #[serde(default)]
    pub stated_targets: usize,
    /// Height in m at which it is 1.
    pub height_m: f64,
    /// How irradiance falls with height.
    pub irradiance: IrradianceLaw,
    /// Luminance per mapped Y at that height and the calibration's exposure.
    pub scale: f64,
    /// Standard deviation of log10 luminance that the targets with a stated Y leave unexplained.
    pub lack_of_fit: f64,
}

/// The exposure that signal is referred to; absent where nobody wrote it down.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Exposure {
    /// Exposure time in s.
    pub exposure_s: Option<f64>,
    /// Gain in dB.
    pub gain_db: Option<f64>,
}

impl From<&StripsPlan> for Exposure {
    fn from(plan: &StripsPlan) -> Self {
        Exposure {
            exposure_s: plan.exposure_s,
            gain_db: plan.gain_db,
        }
    }
}

impl Exposure {
    /// Signal under the settings of `capture` relative to that under these: the ratio of exposure
    /// times, times 10^(dB/20). What is not known on both sides counts as equal.
    ///
    /// ```
    /// use boneglow::{calibration::Exposure, signal::Capture};
    /// let reference = Exposure { exposure_s: Some(0.01), gain_db: Some(0.0) };
    /// let longer = Capture { exposure_s: Some(0.02), gain_db: Some(20.0), ..Capture::default() };
    /// assert_eq!(reference.relative(&longer), 20.0);
    /// ```
    pub fn relative(&self, capture: &Capture) -> f64 {
        let time = match (capture.exposure_s, self.exposure_s) {
            (Some(t), Some(reference)) => t / reference,
            _ => 1.0,
        };
        let gain = match (capture.gain_db, self.gain_db) {
            (Some(g), Some(reference)) => 10_f64.powf((g - reference) / 20.0),
            _ => 1.0,
        };
        time * gain
    }
}

/// How well the mapping is known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Uncertainty {
    /// Coefficients fitted to reweighted targets (Bayesian bootstrap, Rubin 1981, Ann. Stat. 9:130).
    pub replicates: Vec<Coefficients>,
    /// Covariance of u', v' that the mapping leaves at targets it was not fitted to, beyond what
    /// `replicates` and noise explain; where glows were computed, what it leaves at these if it is more.
    pub lack_of_fit: [[f64; 2]; 2],
    /// What left-out targets alone show; absent where nothing was calibrated.
    #[serde(default)]
    pub lack_of_fit_of_targets: Option<[[f64; 2]; 2]>,
    /// Glows computed from the camera's curves that the mapping was tried on; absent where it does not lean on
    /// such glows.
    #[serde(default)]
    pub trial_glows: Option<TrialGlows>,
}

impl Uncertainty {
    /// Whether the lack of fit is that at computed glows and not that at the targets.
    pub fn rests_on_glows(&self) -> bool {
        self.trial_glows
            .is_some_and(|glows| glows.lack_of_fit == self.lack_of_fit)
    }
}

/// Glows computed from the camera's curves that no fit saw, and what the mapping leaves at them. That glows in
/// the field are of this family is an assumption.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrialGlows {
    /// Covariance of u', v'.
    pub lack_of_fit: [[f64; 2]; 2],
    /// Number of glows.
    pub glows: usize,
    /// Least and largest width of a band at half maximum in nm.
    pub width_nm: [f64; 2],
    /// Share of glows of two bands; the others are of one.
    pub two_bands: f64,
}

/// The faintest glow that can be told (log10 luminance), for the mean of `pixels` pixels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Detection {
    /// Pixels that are averaged.
    pub pixels: u64,
    /// Confidence of the critical level and of the detection limit.
    pub confidence: f64,
    /// Currie's critical level: less is not told from dark ground.
    pub critical_level: Option<f64>,
    /// Currie's detection limit: a glow of this luminance is told from dark ground.
    pub detection_limit: Option<f64>,
    /// Chromaticity is wanted to within this distance in u'v' (one standard deviation).
    pub color_uv: f64,
    /// The faintest glow whose chromaticity is known so well, whatever its hue; absent where a hue is not.
    pub color_limit: Option<f64>,
    /// Targets in whose hue no glow within full scale has a chromaticity known so well ("white" where there are
    /// no targets). Where there are any, every glow of a strip is too faint.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub without_color: Vec<String>,
}

/// Errors over the targets, in u'v' unless said.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Errors {
    /// Mean distance of the fit.
    pub mean_uv: f64,
    /// Largest distance of the fit.
    pub max_uv: f64,
    /// Mean distance of each target from its prediction by a fit without it.
    pub cross_validated_mean_uv: f64,
    /// Largest of these.
    pub cross_validated_max_uv: f64,
    /// Mean CIEDE2000 of the fit, each target at its fitted brightness, the brightest at Y = 1.
    pub mean_de00: f64,
}

/// One reference target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TargetResult {
    /// Its name.
    pub target: String,
    /// Reference u', v'.
    pub reference_uv: [f64; 2],
    /// Measured u', v' by the mapping fitted to all.
    pub measured_uv: [f64; 2],
    /// ... and by the mapping fitted without it.
    pub left_out_uv: Option<[f64; 2]>,
    /// Chance that any of as many targets is so far off when left out, judged by how the errors of all
    /// scatter ...
    #[serde(default)]
    pub chance_by_scatter: Option<f64>,
    /// ... and with the noise and leak of each target allowed for beside. Absent for few targets.
    #[serde(default)]
    pub chance: Option<f64>,
    /// Standard covariance of its measured u', v', log luminance (noise, leak, calibration and lack
    /// of fit).
    pub covariance: Covariance3,
    /// Noise and leak alone, for comparison with later nights.
    pub repeatability: [[f64; 2]; 2],
    /// Measured log10 luminance.
    pub log_luminance: f64,
    /// CIEDE2000 at its fitted brightness.
    pub de00: f64,
    /// Leverage, 0 to 1: how far the fit follows this target whatever it says.
    pub leverage: f64,
    /// Captures that were averaged.
    pub captures: usize,
    /// Net signal, leak removed, at the reference height and exposure.
    pub net_signal: [f64; 3],
    /// Standard uncertainty of each channel of it by noise alone.
    #[serde(default)]
    pub signal_sd: [f64; 3],
}

/// What a target's error when it is left out speaks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stray {
    /// It is farther off than the other targets let expect, and its own noise and leak do not explain it.
    Unexplained,
    /// It is farther off than the other targets let expect, and within twice its own standard uncertainty by
    /// noise and leak.
    Uncertain,
}

impl TargetResult {
    /// Whether it is farther off than others when it is left out, at a confidence for all targets together.
    pub fn stray(&self, confidence: f64) -> Option<Stray> {
        let rare = |chance: Option<f64>| chance.is_some_and(|c| c < 1.0 - confidence);
        let own = 2.0 * self.own_sd();
        match (rare(self.chance_by_scatter), rare(self.chance)) {
            (_, true) => Some(Stray::Unexplained),
            (true, false) if self.left_out_error().is_some_and(|off| off < own) => {
                Some(Stray::Uncertain)
            }
            _ => None,
        }
    }

    /// Distance in u'v' from its reference when it is left out; absent where it has no color then.
    pub fn left_out_error(&self) -> Option<f64> {
        let [u, v] = self.left_out_uv?;
        Some((u - self.reference_uv[0]).hypot(v - self.reference_uv[1]))
    }

    /// Standard uncertainty in u'v' by its own noise and leak.
    pub fn own_sd(&self) -> f64 {
        let [[u, _], [_, v]] = self.repeatability;
        (u + v).max(0.0).sqrt()
    }
}

/// The white target as it was recorded.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WhiteRecord {
    /// Net signal (dark level removed) at the reference height and the calibration's exposure.
    pub net_signal: [f64; 3],
    /// Standard uncertainty of each.
    pub sd: [f64; 3],
    /// Number of captures.
    pub captures: usize,
}
