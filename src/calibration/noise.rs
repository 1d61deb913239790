//! Noise of one pixel by the mean-variance method (EMVA 1288 release 4.0, photon transfer).
//!
//! variance - rounding = read_sd^2 + gain x signal + texture^2 x signal^2. The last term is what
//! the surface and the lens add; it is fitted so that it does not pass for noise, and dropped.

use super::captures::{Captures, Shot};
use super::{Noise, NoisePoint};
use crate::numeric::least_squares::linear;
use crate::signal::{BitDepth, LinearSignal, Response};

/// Fewest readings of a channel that are worth a fit.
const FEWEST: usize = 4;
/// A reading with a larger share of clipped pixels has lost some of its variance: of a normal
/// distribution 0.02 %.
const CLIPPED: f64 = 1e-4;
/// Rounds of reweighting by the variance that the last round found.
const ROUNDS: usize = 12;

/// Read noise and gain of each channel, with the points they were fitted to; not measured where
/// too few captures give the standard deviation of their pixels.
pub(super) fn fit(
    captures: &Captures,
    black: [f64; 3],
    response: &Response,
    depth: BitDepth,
) -> (Noise, Vec<NoisePoint>) {
    let shots: Vec<&Shot> = [
        &captures.dark,
        &captures.white,
        &captures.target,
        &captures.step,
    ]
    .into_iter()
    .flatten()
    .filter(|s| s.reading.clipped <= CLIPPED)
    .collect();
    let mut points = Vec::new();
    let mut noise = Noise {
        read_sd: [0.0; 3],
        gain: [0.0; 3],
        measured: true,
    };
    for channel in 0..3 {
        let mut channel_points = Vec::new();
        for shot in &shots {
            let reading = &shot.reading;
            let (Some(sd), Some(pixels)) = (reading.pixel_sd, reading.pixels) else {
                continue;
            };
            if pixels < 10 {
                continue;
            }
            let code = response.codes(LinearSignal(reading.signal.0), depth).0[channel];
            let width = response.code_width(channel, code, depth);
            channel_points.push(NoisePoint {
                channel,
                signal: reading.signal.0[channel] - black[channel],
                variance: sd[channel].powi(2),
                rounding: width * width / 12.0,
                pixels,
            });
        }
        match fit_channel(&channel_points) {
            Some([read, gain]) => {
                noise.read_sd[channel] = read.sqrt();
                noise.gain[channel] = gain;
            }
            None => noise.measured = false,
        }
        points.extend(channel_points);
    }
    if !noise.measured {
        noise.read_sd = [0.0; 3];
        noise.gain = [0.0; 3];
    }
    (noise, points)
}

/// read_sd^2 and gain, neither below 0.
fn fit_channel(points: &[NoisePoint]) -> Option<[f64; 2]> {
    if points.len() < FEWEST {
        return None;
    }
    let mut model: Vec<f64> = points.iter().map(|p| p.variance.max(p.rounding)).collect();
    let mut found = [0.0; 3];
    for _ in 0..ROUNDS {
        found = nonnegative(points, &model)?;
        for (m, p) in model.iter_mut().zip(points) {
            let s = p.signal.max(0.0);
            *m = p.rounding + found[0] + found[1] * s + found[2] * s * s;
        }
    }
    Some([found[0], found[1]])
}

/// Weighted least squares with coefficients of at least 0: the best of all subsets of the terms.
fn nonnegative(points: &[NoisePoint], model: &[f64]) -> Option<[f64; 3]> {
    let mut best: Option<(f64, [f64; 3])> = None;
    for subset in 1..8_u32 {
        let terms: Vec<usize> = (0..3).filter(|t| subset & (1 << t) != 0).collect();
        let (mut rows, mut values) = (Vec::new(), Vec::new());
        for (p, m) in points.iter().zip(model) {
            // A variance of n pixels has a relative standard deviation of root 2 / (n - 1).
            let weight = ((p.pixels - 1) as f64 / 2.0).sqrt() / m.max(f64::MIN_POSITIVE);
            let s = p.signal.max(0.0);
            let all = [1.0, s, s * s];
            rows.push(terms.iter().map(|&t| weight * all[t]).collect::<Vec<_>>());
            values.push(weight * (p.variance - p.rounding));
        }
        let Ok(fit) = linear(&rows, &values) else {
            continue;
        };
        if fit.coefficients.iter().any(|c| *c < 0.0) {
            continue;
        }
        let cost: f64 = rows
            .iter()
            .zip(&values)
            .map(|(row, v)| {
                let fitted: f64 = row.iter().zip(&fit.coefficients).map(|(r, c)| r * c).sum();
                (v - fitted).powi(2)
            })
            .sum();
        if best.is_none_or(|(least, _)| cost < least) {
            let mut found = [0.0; 3];
            for (&t, c) in terms.iter().zip(&fit.coefficients) {
                found[t] = *c;
            }
            best = Some((cost, found));
        }
    }
    // Where no subset will do, all that was seen is rounding.
    Some(best.map_or([0.0; 3], |(_, found)| found))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rough_surface_does_not_pass_for_noise() {
        let points: Vec<NoisePoint> = [0.0, 0.01, 0.05, 0.1, 0.3, 0.6]
            .map(|signal| NoisePoint {
                channel: 0,
                signal,
                variance: 1e-6 + 5e-5 * signal + 0.02_f64.powi(2) * signal * signal + 1e-7,
                rounding: 1e-7,
                pixels: 900,
            })
            .to_vec();
        let [read, gain] = fit_channel(&points).unwrap();
        assert!((read / 1e-6 - 1.0).abs() < 1e-6 && (gain / 5e-5 - 1.0).abs() < 1e-6);
        assert!(fit_channel(&points[..3]).is_none());
    }
}
