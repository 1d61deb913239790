//! Whether the white captures of one calibration agree, which a fixed exposure and white balance
//! make them do.
//!
//! Each white is compared with the median of all, channel by channel, in logarithms. The median of
//! its three channels is its brightness, and a channel away from that is one that moved.

use super::captures::Shot;
use super::levels::Reduction;
use crate::numeric::median;

/// A channel that is off by more than this and what chance allows has moved.
const BALANCE: f64 = 0.02;
/// A brightness that is off by more than this and what chance allows was not set up alike.
const BRIGHTNESS: f64 = 0.08;
/// Standard deviations that chance is allowed: 0.1 % in both directions.
const CHANCE: f64 = 3.29;
/// A channel with so little leak that noise is above this share of it says nothing.
const USELESS: f64 = 0.3;

/// Log signal of a channel of each white, less that of the usual white, with its standard error.
struct Channel {
    name: &'static str,
    off: Vec<f64>,
    error: Vec<f64>,
}

/// Says which whites differ from the others, in exposure or in a channel.
pub(super) fn compare(
    shots: &[Shot],
    nets: &[[(f64, f64); 3]],
    reduction: &Reduction<'_>,
    warnings: &mut Vec<String>,
) {
    let mut channels: Vec<Channel> = (0..3)
        .filter_map(|c| channel(c, shots, nets, reduction))
        .collect();
    if shots.len() < 2 || channels.is_empty() {
        return;
    }
    let brightness: Vec<(f64, f64)> = (0..shots.len())
        .map(|i| {
            let mut all: Vec<(f64, f64)> =
                channels.iter().map(|c| (c.off[i], c.error[i])).collect();
            all.sort_by(|a, b| a.0.total_cmp(&b.0));
            match all.len() {
                2 => ((all[0].0 + all[1].0) / 2.0, all[0].1.max(all[1].1)),
                count => all[count / 2],
            }
        })
        .collect();
    for channel in &mut channels {
        let scatter = scatter(channel.off.iter().zip(&brightness).map(|(o, b)| o - b.0));
        for error in &mut channel.error {
            *error = error.max(scatter);
        }
    }
    // Of two that differ nobody knows which is right: the later one is told.
    let first = if shots.len() == 2 { 1 } else { 0 };
    for (i, (shot, &(bright, error))) in shots.iter().zip(&brightness).enumerate().skip(first) {
        if bright.abs() > BRIGHTNESS + CHANCE * error {
            warnings.push(format!(
                "The white capture in line {} is {:.0} % of the usual white after height and exposure \
                 are allowed for: an automatic exposure was at work, or the height is wrong.",
                shot.line,
                100.0 * bright.exp()
            ));
        }
        for channel in &channels {
            let off = channel.off[i] - bright;
            if off.abs() > BALANCE + CHANCE * channel.error[i].hypot(error) {
                warnings.push(format!(
                    "The white balance moved between captures: in line {} the {} channel of the white \
                     is {:.0} % of what the other whites let expect. Fix the white balance.",
                    shot.line,
                    channel.name,
                    100.0 * off.exp()
                ));
            }
        }
    }
}

fn channel(
    c: usize,
    shots: &[Shot],
    nets: &[[(f64, f64); 3]],
    reduction: &Reduction<'_>,
) -> Option<Channel> {
    let count = nets.len();
    if nets.iter().any(|n| n[c].0 <= 0.0) {
        return None;
    }
    let logs: Vec<f64> = nets.iter().map(|n| n[c].0.ln()).collect();
    let noise: Vec<f64> = nets.iter().map(|n| n[c].1 / (n[c].0 * n[c].0)).collect();
    // What a dark level off by one standard uncertainty does to each logarithm.
    let dark: Vec<f64> = shots
        .iter()
        .zip(nets)
        .map(|(shot, n)| reduction.black.sd[c] / reduction.light(&shot.reading.capture) / n[c].0)
        .collect();
    if noise.iter().any(|n| n.sqrt() > USELESS) {
        return None;
    }
    // Of two, the first stands for what is usual; the median of more has 1.57 times the variance
    // of their mean.
    let (usual, usual_dark, usual_noise) = match count {
        2 => (logs[0], dark[0], noise[0]),
        _ => (
            median(logs.iter().copied())?,
            median(dark.iter().copied())?,
            1.57 * noise.iter().sum::<f64>() / (count * count) as f64,
        ),
    };
    Some(Channel {
        name: ["red", "green", "blue"][c],
        off: logs.iter().map(|l| l - usual).collect(),
        error: (0..count)
            .map(|i| (noise[i] + usual_noise).sqrt().hypot(dark[i] - usual_dark))
            .collect(),
    })
}

/// Standard deviation by the median distance from 0, which one outlier does not move; 0 for fewer
/// than three.
fn scatter(values: impl Iterator<Item = f64>) -> f64 {
    let distances: Vec<f64> = values.map(f64::abs).collect();
    match distances.len() {
        0..3 => 0.0,
        _ => median(distances.into_iter()).map_or(0.0, |m| 1.4826 * m),
    }
}
