//! How faint a glow may be: Currie's limits of brightness and the limit of color.
//!
//! Currie 1968, Anal. Chem. 40:586: with a blank of standard deviation s0, the critical level is
//! k s0 and the detection limit is where the distribution of a real signal, with its own noise,
//! leaves only 1 - confidence below the critical level.

use super::{Detection, Rig};
use crate::numeric::normal_quantile;
use crate::season::Plan;
use crate::signal::listed;

/// Currie's critical level for a blank of this standard deviation.
///
/// ```
/// use boneglow::calibration::critical_level;
/// // A paired blank of 100 counts: 2.33 root 100, the printed constant of the paper.
/// assert!((critical_level(200_f64.sqrt(), 0.95) - 23.26).abs() < 0.01);
/// ```
pub fn critical_level(blank_sd: f64, confidence: f64) -> f64 {
    normal_quantile(confidence) * blank_sd
}

/// Currie's detection limit for a blank of this standard deviation, where the variance of a signal
/// grows by `gain` per unit: k^2 gain + 2 k s0.
///
/// ```
/// use boneglow::calibration::detection_limit;
/// // A well-known blank of no counts: 2.71 counts.
/// assert!((detection_limit(0.0, 1.0, 0.95) - 2.71).abs() < 0.005);
/// ```
pub fn detection_limit(blank_sd: f64, gain: f64, confidence: f64) -> f64 {
    let k = normal_quantile(confidence);
    k * k * gain + 2.0 * k * blank_sd
}

impl Detection {
    /// log10 luminance below which a glow of `pixels` pixels is too faint for a decision, infinite where no glow
    /// is bright enough; absent where nothing is known of noise.
    pub fn faintest(&self) -> Option<f64> {
        match self.without_color.is_empty() {
            true => self
                .detection_limit
                .into_iter()
                .chain(self.color_limit)
                .reduce(f64::max),
            false => Some(f64::INFINITY),
        }
    }

    /// What a season asks for, before any limit is known.
    pub(super) fn wanted(plan: &Plan) -> Self {
        Detection {
            pixels: plan.strips.min_pixels,
            confidence: plan.calibration.confidence,
            critical_level: None,
            detection_limit: None,
            color_uv: plan.calibration.detection_uv,
            color_limit: None,
            without_color: Vec::new(),
        }
    }
}

impl Rig {
    /// What to know of faint glows where the noise is not known: nothing tells them from noise.
    pub fn unscreened(&self) -> Option<String> {
        (!self.noise.measured).then(|| {
            "The rig's noise is not known, and so neither are its detection limits nor the uncertainty of a color: only what the \
             rounding of code values hides is called too faint, and a faint glow whose color is mostly noise is judged, and may be \
             called worth a walk, as a bright one is."
                .to_string()
        })
    }

    /// That no glow of a strip is bright enough, where it is so.
    pub fn never_bright_enough(&self) -> Option<String> {
        let Detection {
            without_color,
            color_uv,
            ..
        } = &self.detection;
        (!without_color.is_empty()).then(|| {
            format!(
                "Noise and leak leave the color of {} uncertain by more than {color_uv} in u'v' even at full scale, so \
                 that every glow of a strip is too faint for its color. Raise calibration.detection_uv or \
                 strips.min_pixels, or take off the leak with white captures.",
                listed(without_color)
            )
        })
    }

    /// The limits for the mean of `detection.pixels` pixels of ground, at the reference height and
    /// exposure. The color limit is that of the worst hue of the targets (of white if there are none).
    pub fn detection_limits(&self) -> Detection {
        let blank_sd = self.blank_sd_of_ground(self.detection.pixels);
        let pixels = self.detection.pixels.max(1) as f64;
        let hues: Vec<(&str, [f64; 3])> = if self.targets.is_empty() {
            vec![("white", [1.0; 3])]
        } else {
            let targets = self.targets.iter();
            targets.map(|t| (t.target.as_str(), t.net_signal)).collect()
        };
        let confidence = self.detection.confidence;
        let mut worst: [Option<f64>; 3] = [None; 3];
        let mut without_color = Vec::new();
        for (name, hue) in hues {
            let sum: f64 = hue.iter().sum();
            let hue = hue.map(|c| c / sum);
            let luminance = self.mapping.xyz(hue)[1] * self.luminance.scale;
            if sum.is_nan() || sum <= 0.0 || luminance <= 0.0 {
                continue;
            }
            let shares = hue.iter().zip(self.noise.gain);
            let gain: f64 = shares
                .map(|(share, gain)| share.max(0.0) * gain / pixels)
                .sum();
            let color_limit = self.color_limit(hue);
            if color_limit.is_none() {
                without_color.push(name.to_string());
            }
            let found = [
                Some(critical_level(blank_sd, confidence)),
                Some(detection_limit(blank_sd, gain, confidence)),
                color_limit,
            ];
            for (kept, limit) in worst.iter_mut().zip(found) {
                let log = limit.map(|l| (l * luminance).log10());
                *kept = (*kept).into_iter().chain(log).reduce(f64::max);
            }
        }
        Detection {
            critical_level: worst[0],
            detection_limit: worst[1],
            color_limit: worst[2].filter(|_| without_color.is_empty()),
            without_color,
            ..self.detection.clone()
        }
    }

    /// Sum of the net signal of this hue at which noise and leak leave u'v' as wide as
    /// `detection.color_uv`, by bisection of its logarithm; absent if full scale is not enough.
    fn color_limit(&self, hue: [f64; 3]) -> Option<f64> {
        let wide = |sum: f64| self.color_too_faint(hue.map(|c| c * sum));
        let brightest = hue.iter().copied().fold(0.0, f64::max);
        let (mut low, mut high) = (1e-7_f64, 1.0 / brightest);
        if wide(high) {
            return None;
        }
        for _ in 0..50 {
            let middle = (low * high).sqrt();
            if wide(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(high)
    }
}
