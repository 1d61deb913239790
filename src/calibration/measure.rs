//! From a reading to a calibrated color with its uncertainty.
//!
//! Each input quantity is moved by its standard uncertainty to both sides and half the difference
//! taken, the numerical form of the law of propagation (JCGM 100:2008, 5.1.3 note 2; Kragten 1994,
//! Analyst 119:2161). Where a channel is near zero a derivative at the point would mislead.

use super::detection::critical_level;
use super::levels::{Grain, Mean};
use super::mapping::{Coefficients, Mapping, MappingKind, apply, color_of};
use super::{GlowColor, Measurement, Rig};
use crate::numeric::Covariance3;
use crate::signal::{Capture, LinearSignal, Reading};

/// What a reading is of: it decides which share of the white target's leak is taken off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// A patch of ground.
    Ground,
    /// A reference target.
    Target,
}

/// Standard uncertainty of u' or v' where nothing is known: of a value anywhere in the diagram.
const UNKNOWN_UV: f64 = 0.2;
/// ... and of log10 luminance.
const UNKNOWN_LOG: f64 = 1.0;

impl Rig {
    /// The calibrated color of a reading, with the covariance of u', v' and log10 luminance: noise,
    /// dark level, leak, calibration and lack of fit combined.
    ///
    /// Pixels that are not counted count as one. A reading is too faint if its brightness is below
    /// the critical level or its noise and leak leave u'v' wider than the season's `detection_uv`. It has no
    /// color if more than a quarter of its pixels are clipped.
    ///
    /// ```
    /// use boneglow::calibration::{Rig, Role};
    /// use boneglow::season::Plan;
    /// use boneglow::signal::{BitDepth, Capture, CodeValues, Reading, Response};
    /// let plan = Plan::parse(r#"
    /// name = "old footage"
    /// [rig]
    /// name = "quad"
    /// filter_cut_on_nm = 480
    /// [calibration]
    /// assume = "srgb"
    /// [ledger]
    /// files = ["ledger/*.csv"]
    /// positive = ["bone"]
    /// "#)?;
    /// let rig = Rig::assumed_srgb(&plan, Response::Srgb)?;
    /// let white = Reading::from_code_values(CodeValues([188.0; 3]), None, Some(100),
    ///     &rig.response, BitDepth::EIGHT, Capture::default())?;
    /// let color = rig.measure(&white, Role::Ground).color.unwrap();
    /// assert!((color.u - 0.1978).abs() < 1e-4 && (color.v - 0.4683).abs() < 1e-4); // D65
    /// assert!((color.log_luminance - 0.503_f64.log10()).abs() < 1e-3); // half of full scale
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn measure(&self, reading: &Reading, role: Role) -> Measurement {
        let without_color = Measurement {
            color: None,
            too_faint: false,
            clipped: reading.clipped,
        };
        if without_color.is_clipped() {
            return without_color;
        }
        let chain = Chain::of(self, &reading.capture, role);
        let net = chain.net(reading.signal);
        let Some(color) = chain.color(&self.mapping.coefficients, net) else {
            return Measurement {
                too_faint: true,
                ..without_color
            };
        };
        let mean = Mean::of(reading);
        let moves = self.moves(&mean, &chain, net);
        let (repeatability, certain) = self.repeatability(&chain, net, color, &moves);
        let mut covariance = repeatability;
        let calibration = self.spread_of_replicates(color, |m| chain.color(m, net));
        for (i, row) in calibration.iter().enumerate() {
            for (j, value) in row.iter().enumerate() {
                covariance[i][j] += value;
            }
        }
        let width = (repeatability[0][0] + repeatability[1][1]).sqrt();
        let too_faint = !certain
            || width > self.detection.color_uv
            || !self.above_critical_level(&mean, &chain, net);
        Measurement {
            color: Some(GlowColor {
                u: color[0],
                v: color[1],
                log_luminance: color[2],
                covariance,
            }),
            too_faint,
            clipped: reading.clipped,
        }
    }

    /// Covariance of u', v' and log10 luminance by the calibration alone: replicates and lack of fit.
    fn spread_of_replicates(
        &self,
        color: [f64; 3],
        of: impl Fn(&Coefficients) -> Option<[f64; 3]>,
    ) -> Covariance3 {
        let mut covariance = Covariance3::default();
        let replicates = &self.uncertainty.replicates;
        for coefficients in replicates {
            let deviation = match of(coefficients) {
                Some(other) => std::array::from_fn(|i| other[i] - color[i]),
                None => [UNKNOWN_UV, UNKNOWN_UV, UNKNOWN_LOG],
            };
            add_outer(&mut covariance, deviation, 1.0 / replicates.len() as f64);
        }
        for (i, row) in self.uncertainty.lack_of_fit.iter().enumerate() {
            for (j, value) in row.iter().enumerate() {
                covariance[i][j] += value;
            }
        }
        covariance[2][2] += self.luminance.lack_of_fit.powi(2);
        covariance
    }

    /// As part of [`Rig::measure`], of a net signal at the reference height; `color` is u', v', Y.
    pub(super) fn calibration_covariance(&self, net: [f64; 3], color: [f64; 3]) -> Covariance3 {
        let scale = self.luminance.scale;
        let kind = self.mapping.kind;
        let at = [color[0], color[1], (scale * color[2]).log10()];
        self.spread_of_replicates(at, |m| self::color(m, kind, scale, net))
    }

    /// Covariance of u', v' and log10 luminance by noise, dark level and leak; the second value is
    /// false if one of them alone can take the hue away.
    fn repeatability(
        &self,
        chain: &Chain<'_>,
        net: [f64; 3],
        color: [f64; 3],
        moves: &[[f64; 3]; 8],
    ) -> (Covariance3, bool) {
        let mut covariance = Covariance3::default();
        let mut certain = true;
        for step in moves {
            let moved = |side: f64| {
                let at = std::array::from_fn(|c| net[c] + side * step[c]);
                chain.color(&self.mapping.coefficients, at)
            };
            let half = match (moved(1.0), moved(-1.0)) {
                (Some(up), Some(down)) => std::array::from_fn(|i| 0.5 * (up[i] - down[i])),
                (Some(one), None) | (None, Some(one)) => {
                    certain = false;
                    std::array::from_fn(|i| one[i] - color[i])
                }
                (None, None) => {
                    certain = false;
                    [UNKNOWN_UV, UNKNOWN_UV, UNKNOWN_LOG]
                }
            };
            add_outer(&mut covariance, half, 1.0);
        }
        (covariance, certain)
    }

    /// Whether a net signal of ground, averaged over `detection.pixels`, is too faint for its
    /// color to be relied upon.
    pub(super) fn color_too_faint(&self, net: [f64; 3]) -> bool {
        let chain = Chain::of(self, &Capture::default(), Role::Ground);
        let Some(color) = chain.color(&self.mapping.coefficients, net) else {
            return true;
        };
        let moves = self.moves(&Mean::over(self.detection.pixels), &chain, net);
        let (covariance, certain) = self.repeatability(&chain, net, color, &moves);
        !certain || (covariance[0][0] + covariance[1][1]).sqrt() > self.detection.color_uv
    }

    /// Whether the sum of the channels exceeds Currie's critical level of a blank that is known as
    /// well as the dark level and the leak are.
    fn above_critical_level(&self, mean: &Mean, chain: &Chain<'_>, net: [f64; 3]) -> bool {
        let blank = critical_level(self.blank_sd(mean, chain), self.detection.confidence);
        net.iter().sum::<f64>() > blank
    }

    /// Standard deviation of the sum of the channels where nothing glows: noise, that of the leak's light
    /// included, dark level and leak.
    fn blank_sd(&self, mean: &Mean, chain: &Chain<'_>) -> f64 {
        let moves = self.moves(mean, chain, [0.0; 3]);
        let squares = moves.iter().map(|step| step.iter().sum::<f64>().powi(2));
        squares.sum::<f64>().sqrt()
    }

    /// As [`Rig::blank_sd`], of so many pixels of ground at the reference height and exposure.
    pub(super) fn blank_sd_of_ground(&self, pixels: u64) -> f64 {
        let chain = Chain::of(self, &Capture::default(), Role::Ground);
        self.blank_sd(&Mean::over(pixels), &chain)
    }

    /// Variance of one pixel's linear signal at a net signal, rounding included.
    pub fn pixel_variance(&self, channel: usize, net: f64) -> f64 {
        self.grain().of_pixel(channel, net)
    }

    pub(super) fn grain(&self) -> Grain<'_> {
        Grain {
            noise: &self.noise,
            black: &self.black,
            response: &self.response,
            depth: self.bit_depth,
        }
    }

    /// What moves the net signal by one standard uncertainty: the noise of each channel, the dark
    /// level of each channel, the share of the leak, and the leak itself.
    fn moves(&self, mean: &Mean, chain: &Chain<'_>, net: [f64; 3]) -> [[f64; 3]; 8] {
        let mut moves = [[0.0; 3]; 8];
        for channel in 0..3 {
            let recorded = (net[channel] + chain.leak[channel]).max(0.0) * chain.exposure;
            moves[channel][channel] =
                self.grain().of_mean(mean, channel, recorded).sqrt() / chain.exposure;
            moves[3 + channel][channel] = self.black.sd[channel] / chain.exposure;
            moves[6][channel] = chain.share_sd * chain.white_leak[channel];
            moves[7][channel] = chain.share * chain.irradiance * self.leak.sd[channel];
        }
        moves
    }

    /// The transform of single pixels of a picture taken with these settings: as
    /// [`Rig::measure`] does it for ground, without the uncertainty.
    ///
    /// `height_m` is the height of the row, where it differs from that of `capture`.
    pub fn pixel_transform(&self, height_m: Option<f64>, capture: &Capture) -> PixelTransform {
        let capture = Capture {
            height_m: height_m.or(capture.height_m),
            ..*capture
        };
        let chain = Chain::of(self, &capture, Role::Ground);
        PixelTransform {
            table: self.response.table(self.bit_depth),
            offset: std::array::from_fn(|c| self.black.signal[c] + chain.leak[c] * chain.exposure),
            mapping: self.mapping.clone(),
            luminance_scale: chain.luminance_scale / chain.exposure,
            // The limits are stated at the reference height and exposure.
            min_luminance: self.detection.faintest().map(|limit| {
                limit + (chain.luminance_scale / chain.exposure / self.luminance.scale).log10()
            }),
        }
    }
}

fn add_outer(covariance: &mut Covariance3, deviation: [f64; 3], weight: f64) {
    for i in 0..3 {
        for j in 0..3 {
            covariance[i][j] += weight * deviation[i] * deviation[j];
        }
    }
}

/// From linear signal to color under one set of settings.
struct Chain<'a> {
    rig: &'a Rig,
    exposure: f64,
    irradiance: f64,
    share: f64,
    share_sd: f64,
    white_leak: [f64; 3],
    leak: [f64; 3],
    luminance_scale: f64,
}

impl<'a> Chain<'a> {
    fn of(rig: &'a Rig, capture: &Capture, role: Role) -> Self {
        let irradiance = match capture.height_m {
            Some(height) => rig
                .luminance
                .irradiance
                .relative(height, rig.luminance.height_m),
            None => 1.0,
        };
        let (share, share_sd) = match role {
            Role::Ground => (rig.leak.ground_share, rig.leak.ground_share_sd),
            Role::Target => (rig.leak.target_share, rig.leak.target_share_sd),
        };
        let white_leak = rig.leak.signal.map(|leak| leak * irradiance);
        Chain {
            rig,
            exposure: rig.exposure.relative(capture)
                * rig.flat.as_ref().map_or(1.0, |f| f.of(capture)),
            irradiance,
            share,
            share_sd,
            white_leak,
            leak: white_leak.map(|leak| share * leak),
            luminance_scale: rig.luminance.scale / irradiance,
        }
    }

    /// Net signal at the calibration's exposure.
    fn net(&self, signal: LinearSignal) -> [f64; 3] {
        std::array::from_fn(|c| {
            (signal.0[c] - self.rig.black.signal[c]) / self.exposure - self.leak[c]
        })
    }

    fn color(&self, coefficients: &Coefficients, net: [f64; 3]) -> Option<[f64; 3]> {
        color(
            coefficients,
            self.rig.mapping.kind,
            self.luminance_scale,
            net,
        )
    }
}

#[inline]
fn color(
    coefficients: &Coefficients,
    kind: MappingKind,
    scale: f64,
    net: [f64; 3],
) -> Option<[f64; 3]> {
    let [u, v, y] = color_of(apply(coefficients, kind, net))?;
    Some([u, v, (scale * y).log10()])
}

/// From a pixel to its color, all that does not change from pixel to pixel worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct PixelTransform {
    /// Linear signal of every code, for each channel.
    pub table: [Vec<f64>; 3],
    /// Dark level and leak, in linear signal as recorded.
    pub offset: [f64; 3],
    /// Net signal to XYZ.
    pub mapping: Mapping,
    /// Relative luminance per mapped Y.
    pub luminance_scale: f64,
    /// log10 luminance below which a glow of a few pixels is too faint, infinite where none is bright enough;
    /// absent where nothing is known of noise.
    pub min_luminance: Option<f64>,
}

impl PixelTransform {
    /// u', v' and log10 luminance of a linear signal as recorded; absent if it is of no hue.
    #[inline]
    pub fn color(&self, signal: LinearSignal) -> Option<[f64; 3]> {
        let net = std::array::from_fn(|c| signal.0[c] - self.offset[c]);
        color(
            &self.mapping.coefficients,
            self.mapping.kind,
            self.luminance_scale,
            net,
        )
    }

    /// As [`PixelTransform::color`], of code values of the rig's bit depth (larger codes count as
    /// the largest).
    #[inline]
    pub fn color_of_codes(&self, codes: [u16; 3]) -> Option<[f64; 3]> {
        self.color(LinearSignal(std::array::from_fn(|c| {
            let table = &self.table[c];
            table[usize::from(codes[c]).min(table.len() - 1)]
        })))
    }
}
