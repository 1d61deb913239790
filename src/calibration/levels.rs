//! Dark level, white target and leak from their captures.

use super::captures::{Captures, Shot};
use super::{Black, Exposure, Flat, Leak, Noise, WhiteRecord, whites};
use crate::season::{CalibrationPlan, IrradianceLaw};
use crate::signal::{BitDepth, Capture, LinearSignal, Reading, Response};

/// What turns a recorded signal into one at the reference height and the calibration's exposure.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reduction<'a> {
    pub black: Black,
    pub exposure: Exposure,
    pub irradiance: IrradianceLaw,
    pub height_m: f64,
    pub flat: Option<&'a Flat>,
}

impl Reduction<'_> {
    /// Signal per recorded signal: relative exposure times relative irradiance, with the fan of the
    /// line and the fall-off of the lens.
    pub fn light(&self, capture: &Capture) -> f64 {
        let irradiance = capture
            .height_m
            .map_or(1.0, |h| self.irradiance.relative(h, self.height_m));
        let across = self.flat.map_or(1.0, |f| f.of(capture));
        irradiance * across * self.exposure.relative(capture)
    }

    /// Net signal, leak included, with the variance that noise leaves in it.
    pub fn net(&self, shot: &Shot, noise: Grain<'_>) -> [(f64, f64); 3] {
        let light = self.light(&shot.reading.capture);
        let mean = Mean::of(&shot.reading);
        std::array::from_fn(|c| {
            let net = shot.reading.signal.0[c] - self.black.signal[c];
            let variance = noise.of_mean(&mean, c, net);
            (net / light, variance / (light * light))
        })
    }
}

/// The dark level; without captures of it 0, with an uncertainty that reaches to the dimmest
/// signal there is.
pub(super) fn dark(
    captures: &Captures,
    response: &Response,
    depth: BitDepth,
    warnings: &mut Vec<String>,
) -> Black {
    let shots = &captures.dark;
    if shots.is_empty() {
        warnings.push(
            "There is no dark capture: the dark level was taken to be 0 and its uncertainty such \
             that it may be as high as the dimmest signal recorded. Cap the lens and capture it."
                .to_string(),
        );
        let dimmest = |c: usize| {
            captures
                .target
                .iter()
                .chain(&captures.white)
                .map(|s| s.reading.signal.0[c])
                .fold(f64::INFINITY, f64::min)
        };
        return Black {
            signal: [0.0; 3],
            // A rectangular distribution from 0 to the dimmest (JCGM 100:2008, 4.3.7).
            sd: [0, 1, 2].map(|c| dimmest(c).max(0.0) / 3_f64.sqrt()),
        };
    }
    warnings.extend(near_zero(shots, response, depth));
    let count = shots.len() as f64;
    let mean: [f64; 3] =
        std::array::from_fn(|c| shots.iter().map(|s| s.reading.signal.0[c]).sum::<f64>() / count);
    let sd = std::array::from_fn(|c| {
        let between = match shots.len() {
            1 => 0.0,
            _ => {
                shots
                    .iter()
                    .map(|s| (s.reading.signal.0[c] - mean[c]).powi(2))
                    .sum::<f64>()
                    / (count - 1.0)
                    / count
            }
        };
        let within = shots
            .iter()
            .map(|s| own_variance(s, c, response, depth))
            .sum::<f64>();
        between.max(within / count / count).sqrt()
    });
    if let Some(odd) = shots.iter().find(|s| {
        (0..3).any(|c| {
            let own = own_variance(s, c, response, depth).sqrt();
            let code = response.codes(LinearSignal(mean), depth).0[c];
            let width = response.code_width(c, code, depth);
            (s.reading.signal.0[c] - mean[c]).abs() > DARK_ERRORS * own + width
        })
    }) {
        warnings.push(format!(
            "The dark captures differ: that in line {} is off the mean of all by more than a code and its noise. \
             Was the lens capped, and the laser off?",
            odd.line
        ));
    }
    Black { signal: mean, sd }
}

/// Says which channels are so dark without light that the camera cuts off part of their noise at code 0.
fn near_zero(shots: &[Shot], response: &Response, depth: BitDepth) -> Option<String> {
    let cut_off = |channel: usize| {
        shots.iter().any(|shot| {
            let code = shot.reading.code.0[channel];
            let width = response.code_width(channel, code, depth);
            let sd = shot.reading.pixel_sd.map_or(0.0, |sd| sd[channel] / width);
            code < f64::max(CUT_OFF * sd, 0.5)
        })
    };
    let found = CHANNELS.iter().enumerate().filter(|(c, _)| cut_off(*c));
    let named: Vec<&str> = found.map(|(_, name)| *name).collect();
    (!named.is_empty()).then(|| {
        format!(
            "The dark captures are so near code 0 in {} that the camera cuts off part of their noise: dark level, leak \
             and noise are biased there, and so are the colors of dim glows. Raise the camera's black level, if it has one to set.",
            named.join(" and ")
        )
    })
}

const CHANNELS: [&str; 3] = ["red", "green", "blue"];
/// Of a normal distribution, less than this many standard deviations below its mean is 0.1 %.
const CUT_OFF: f64 = 3.0;
/// So many standard errors off is no chance.
const DARK_ERRORS: f64 = 5.0;

/// Variance of a reading's mean by the deviation of its pixels and the decimals it was written with; where
/// the deviation is too small to shake the rounding, or unknown, by the rounding of the mean itself.
fn own_variance(shot: &Shot, channel: usize, response: &Response, depth: BitDepth) -> f64 {
    let reading = &shot.reading;
    let code = response.codes(LinearSignal(reading.signal.0), depth).0[channel];
    let width = response.code_width(channel, code, depth);
    match (reading.pixel_sd, reading.pixels) {
        (Some(sd), Some(pixels)) if sd[channel] > 0.3 * width => {
            sd[channel].powi(2) / pixels.max(1) as f64 + reading.written_sd[channel].powi(2)
        }
        _ => width * width / 12.0,
    }
}

/// The white target as recorded and what is taken for the leak.
pub(super) fn leak(
    captures: &Captures,
    reduction: &Reduction<'_>,
    noise: Grain<'_>,
    plan: &CalibrationPlan,
    warnings: &mut Vec<String>,
) -> (Leak, Option<WhiteRecord>) {
    let shots = &captures.white;
    let mut leak = Leak {
        signal: [0.0; 3],
        sd: [0.0; 3],
        ground_share: plan.ground_leak_share,
        ground_share_sd: plan.ground_leak_share_sd,
        target_share: plan.target_leak_share,
        target_share_sd: plan.target_leak_share_sd,
        share_of_dimmest: None,
        ground_patches: 0,
    };
    if shots.is_empty() {
        warnings.push(
            "There is no capture of a white target that does not fluoresce: laser light that leaks \
             through the filter is not known, was not taken off and is in no uncertainty, and later \
             nights cannot be judged for brightness."
                .to_string(),
        );
        return (leak, None);
    }
    let nets: Vec<[(f64, f64); 3]> = shots.iter().map(|s| reduction.net(s, noise)).collect();
    let count = nets.len() as f64;
    let mut record = WhiteRecord {
        net_signal: [0.0; 3],
        sd: [0.0; 3],
        captures: shots.len(),
    };
    for c in 0..3 {
        let mean = nets.iter().map(|n| n[c].0).sum::<f64>() / count;
        let within = nets.iter().map(|n| n[c].1).sum::<f64>() / count / count;
        let between = match shots.len() {
            1 => 0.0,
            _ => nets.iter().map(|n| (n[c].0 - mean).powi(2)).sum::<f64>() / (count - 1.0) / count,
        };
        record.net_signal[c] = mean;
        record.sd[c] = (within.max(between) + reduction.black.sd[c].powi(2)).sqrt();
        leak.signal[c] = mean.max(0.0);
        leak.sd[c] = record.sd[c];
    }
    // A dark level that nobody knows is most of a white's signal and does not follow height or exposure.
    let light = |shot: &Shot| reduction.light(&shot.reading.capture);
    let alike = shots.iter().all(|s| light(s) == light(&shots[0]));
    if alike || !captures.dark.is_empty() {
        whites::compare(shots, &nets, reduction, warnings);
    }
    (leak, Some(record))
}

/// What a mean signal was taken over, and how it was written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mean {
    pixels: f64,
    written_sd: [f64; 3],
}

impl Mean {
    /// Of a reading; pixels that are not counted count as one.
    pub fn of(reading: &Reading) -> Self {
        Mean {
            written_sd: reading.written_sd,
            ..Mean::over(reading.pixels.unwrap_or(1))
        }
    }

    /// Over so many pixels, as exact as they are.
    pub fn over(pixels: u64) -> Self {
        Mean {
            pixels: pixels.max(1) as f64,
            written_sd: [0.0; 3],
        }
    }
}

/// What noise and rounding make of single pixels and of their means.
#[derive(Debug, Clone, Copy)]
pub(super) struct Grain<'a> {
    pub noise: &'a Noise,
    pub black: &'a Black,
    pub response: &'a Response,
    pub depth: BitDepth,
}

impl Grain<'_> {
    /// Variance of one pixel's linear signal at a net signal, rounding included.
    pub fn of_pixel(&self, channel: usize, net: f64) -> f64 {
        let total = LinearSignal(self.black.signal.map(|black| black + net.max(0.0)));
        let code = self.response.codes(total, self.depth).0[channel];
        let width = self.response.code_width(channel, code, self.depth);
        let read = self.noise.read_sd[channel];
        read * read + self.noise.gain[channel] * net.max(0.0) + width * width / 12.0
    }

    /// ... of a mean signal. Pixels average their noise, and their rounding with it; rounding without a noise
    /// that is known may be the same for all, and what the written mean lacks is no pixel's.
    pub fn of_mean(&self, mean: &Mean, channel: usize, net: f64) -> f64 {
        let averaged = match self.noise.measured {
            true => mean.pixels,
            false => 1.0,
        };
        self.of_pixel(channel, net) / averaged + mean.written_sd[channel].powi(2)
    }
}
