//! What a pattern of shifts speaks for.

use super::Brightness;
use super::night::{Joint, p_value};
use crate::numeric::least_squares::{Normal, damped};

/// Explanations tried, and what each leaves.
pub(super) struct Explained {
    /// Factors on red, green (1) and blue that explain most.
    pub factors: [f64; 3],
    /// p value of what such factors leave.
    channels: f64,
    /// Whether the white target's channels moved by the same factors; absent if unknown.
    white_agrees: Option<bool>,
    /// Exposure of the white over that of the targets, where its leak taken off too strong or too
    /// weak explains all shifts and its brightness moved that way.
    white_exposure: Option<f64>,
    /// Whether the white's channels kept their ratios; absent if unknown.
    white_same: Option<bool>,
    /// The one target without which nothing is left to explain.
    one_target: Option<String>,
    /// The target that moved most.
    most: Option<String>,
    level: f64,
}

pub(super) fn explain(
    joint: &Joint<'_>,
    white: Option<[(f64, f64); 3]>,
    bright: Option<Brightness>,
    level: f64,
) -> Explained {
    let factors = factors(joint);
    let shifts = joint.shifts(factors);
    let (rest, degrees) = joint.chi_squared(&shifts, |_| true);
    let plain = joint.shifts([1.0; 3]);
    let count = joint.pairs.len();
    let one_target = (count > 2)
        .then(|| {
            (0..count).find(|out| {
                let (rest, degrees) = joint.chi_squared(&plain, |i| i != *out);
                p_value(rest, degrees) >= level
            })
        })
        .flatten();
    let most = (0..count).max_by(|a, b| {
        let length = |i: usize| plain[2 * i].hypot(plain[2 * i + 1]);
        length(*a).total_cmp(&length(*b))
    });
    let name = |i: usize| joint.pairs[i].target.target.clone();
    Explained {
        factors,
        channels: match degrees {
            0..=2 => 0.0,
            _ => p_value(rest, degrees - 2),
        },
        white_agrees: white.and_then(|w| white_agrees(joint, w, factors)),
        white_same: white.and_then(|w| white_agrees(joint, w, [1.0; 3])),
        white_exposure: white
            .zip(bright)
            .and_then(|(white, bright)| white_exposure(joint, white, bright, level)),
        one_target: one_target.map(name),
        most: most.map(name),
        level,
    }
}

/// Factors on red and blue of least chi squared.
fn factors(joint: &Joint<'_>) -> [f64; 3] {
    let whole = |x: &[f64]| [x[0].exp(), 1.0, x[1].exp()];
    let found = damped(vec![0.0, 0.0], 30, |x| {
        if x.iter().any(|v| v.abs() > 3.0) {
            return None;
        }
        let at = joint.whitened(&joint.shifts(whole(x)));
        let mut slopes = Vec::new();
        for k in 0..2 {
            let mut moved = [x[0], x[1]];
            moved[k] += 1e-5;
            let there = joint.whitened(&joint.shifts(whole(&moved)));
            slopes.push((there - &at) / 1e-5);
        }
        let mut normal = Normal::zero(2);
        for i in 0..at.len() {
            normal.add(at[i], &[slopes[0][i], slopes[1][i]], 1.0);
        }
        Some(normal)
    });
    found.map_or([1.0; 3], |x| whole(&x))
}

/// How many times the targets' exposure the white seems to have had.
fn white_exposure(
    joint: &Joint<'_>,
    white: [(f64, f64); 3],
    bright: Brightness,
    level: f64,
) -> Option<f64> {
    let share = joint.rig.leak.target_share;
    let shifts = |excess: f64| {
        let added = white.map(|(leak, _)| excess * share * leak.max(0.0));
        joint.shifts_with([1.0; 3], added)
    };
    let found = damped(vec![0.0], 30, |x| {
        if !(-4.0..0.9).contains(&x[0]) {
            return None;
        }
        let at = joint.whitened(&shifts(x[0]));
        let slope = (joint.whitened(&shifts(x[0] + 1e-4)) - &at) / 1e-4;
        let mut normal = Normal::zero(1);
        for i in 0..at.len() {
            normal.add(at[i], &[slope[i]], 1.0);
        }
        Some(normal)
    })?;
    let (rest, degrees) = joint.chi_squared(&shifts(found[0]), |_| true);
    let times = 1.0 / (1.0 - found[0]);
    let that_way = (times > 1.0) == (bright.value > 1.0);
    (that_way && degrees > 1 && p_value(rest, degrees - 1) >= level).then_some(times)
}

/// Whether the white's channel ratios moved as the targets' did, within 3 standard errors and 3 %.
fn white_agrees(joint: &Joint<'_>, white: [(f64, f64); 3], factors: [f64; 3]) -> Option<bool> {
    let then = joint.rig.white?;
    // Only channels with a good deal of leak can tell.
    let told = |c: usize| {
        let relative = (white[c].1.sqrt() / white[c].0).hypot(then.sd[c] / then.net_signal[c]);
        (relative > 0.0 && relative < 0.1).then(|| {
            (
                (white[c].0 / then.net_signal[c]).ln() - factors[c].ln(),
                relative,
            )
        })
    };
    let known: Vec<(f64, f64)> = (0..3).filter_map(told).collect();
    if known.len() < 2 {
        return None;
    }
    let mean = known.iter().map(|k| k.0).sum::<f64>() / known.len() as f64;
    Some(
        known
            .iter()
            .all(|(value, error)| (value - mean).abs() < 0.03 + 3.0 * error),
    )
}

/// The cause in a sentence.
pub(super) fn sentence(found: &Explained, drifted: bool, brightness: Option<Brightness>) -> String {
    let bright = brightness.map(|b| {
        format!(
            "The white is at {:.0} % of its brightness at the same exposure: laser power, height or \
             aperture changed.",
            100.0 * b.value
        )
    });
    if !drifted && found.white_same == Some(false) {
        let color = "The targets are as they were, but the white sends back another color: the \
                     laser's wavelength or the filter's edge moved, so that another share of the \
                     laser leaks through.";
        return match bright {
            Some(bright) => format!("{color} {bright}"),
            None => color.to_string(),
        };
    }
    if !drifted {
        return bright.unwrap_or_else(|| "Nothing has changed beyond chance.".to_string());
    }
    let [red, _, blue] = found.factors;
    let most = found.most.as_deref().unwrap_or("");
    let one_target = found.one_target.as_ref();
    let color = if let Some(target) = one_target.filter(|_| found.white_same != Some(false)) {
        format!(
            "Only the target {target} moved: it is soiled, bleached or mistaken for another, and the \
             rig may be as it was."
        )
    } else if let Some(times) = found.white_exposure {
        format!(
            "The shifts are those of a leak that was taken off too {}: the white was captured at about \
             {times:.1} times the exposure of the targets. Fix the exposure, or state it for every \
             capture.",
            if times > 1.0 { "much" } else { "little" }
        )
    } else if found.channels >= found.level && found.white_agrees != Some(false) {
        format!(
            "One factor a channel explains all shifts (red {red:.3}, blue {blue:.3} of green), on the \
             targets as on the white: the white balance or the channels' gain changed, or the filter \
             grew darker evenly."
        )
    } else if found.channels >= found.level {
        format!(
            "One factor a channel explains the targets' shifts (red {red:.3}, blue {blue:.3} of green) \
             but not the white's: the filter or the laser's wavelength changed, so that another share \
             of the laser leaks through."
        )
    } else {
        format!(
            "The targets moved in ways that no factor on the channels explains, {most} most of all: the \
             filter, the laser's wavelength or the lens changed, or captures of this night differ in \
             exposure. Calibrate anew."
        )
    };
    match bright {
        Some(bright) => format!("{color} {bright}"),
        None => color,
    }
}
