//! One night's shifts, their joint covariance and the tests.

use super::cause::Found;
use super::curves::Curves;
use super::hypotheses::{self, Change, Fitted, Signals, Verdict};
use super::{Brightness, DriftNight, DriftTarget, Explanation};
use crate::calibration::captures::{Captures, Shot};
use crate::calibration::levels::{self, Grain, Reduction};
use crate::calibration::{Rig, TargetResult};
use crate::numeric::normal_quantile;
use crate::{Error, Result};
use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ChiSquared, ContinuousCDF};

/// Relative standard deviation of brightness by setting up the white anew: a height of 6 m is
/// measured to a decimeter (common practice, no source).
pub(super) const SET_UP: f64 = 0.02;

/// One target's net signals, then and now.
pub(super) struct Pair<'a> {
    pub target: &'a TargetResult,
    pub now: [f64; 3],
    /// Standard deviations of `now` and of the calibration's signal by noise alone.
    pub noise: [f64; 3],
    /// What the dark level of this night goes through to `now`.
    pub dark_factor: f64,
}

/// What the signals of one night have in common.
pub(super) struct Common {
    /// Standard deviation of the dark level.
    pub dark: [f64; 3],
    /// What the dark level goes through to the white; 0 where there is none.
    pub dark_factor: f64,
    /// The white with its variance.
    pub white: Option<[(f64, f64); 3]>,
}

/// Shifts of all targets together and what they would do by chance.
struct Joint<'a> {
    rig: &'a Rig,
    pairs: Vec<Pair<'a>>,
    covariance: DMatrix<f64>,
}

impl Joint<'_> {
    fn uv(&self, net: [f64; 3]) -> [f64; 2] {
        match super::super::mapping::color_of(self.rig.mapping.xyz(net)) {
            Some([u, v, _]) => [u, v],
            // No hue is left: as far from any target as a color can be.
            None => [0.0, 0.0],
        }
    }

    /// Shifts in u'v' from the calibration.
    fn shifts(&self) -> DVector<f64> {
        let mut all = DVector::zeros(2 * self.pairs.len());
        for (i, pair) in self.pairs.iter().enumerate() {
            let now = self.uv(pair.now);
            let then = self.uv(pair.target.net_signal);
            all[2 * i] = now[0] - then[0];
            all[2 * i + 1] = now[1] - then[1];
        }
        all
    }

    /// Chi squared of shifts and its degrees of freedom, over the targets that are kept.
    fn chi_squared(&self, shifts: &DVector<f64>, keep: impl Fn(usize) -> bool) -> (f64, usize) {
        let kept: Vec<usize> = (0..shifts.len()).filter(|i| keep(i / 2)).collect();
        let covariance = self.covariance.select_rows(&kept).select_columns(&kept);
        let shifts = shifts.select_rows(&kept);
        let eigen = covariance.symmetric_eigen();
        let largest = eigen.eigenvalues.max();
        let turned = eigen.eigenvectors.transpose() * shifts;
        let mut sum = 0.0;
        let mut degrees = 0;
        for (value, variance) in turned.iter().zip(eigen.eigenvalues.iter()) {
            // A mapping of two channels leaves directions in which nothing can move.
            if *variance > 1e-9 * largest {
                sum += value * value / variance;
                degrees += 1;
            }
        }
        (sum, degrees)
    }
}

/// Probability of a chi squared at least as large by chance.
pub(super) fn p_value(chi_squared: f64, degrees: usize) -> f64 {
    ChiSquared::new(degrees.max(1) as f64).map_or(f64::NAN, |d| d.sf(chi_squared))
}

pub(super) fn compare(
    rig: &Rig,
    captures: &Captures,
    name: &str,
    curves: Option<&Curves>,
    warnings: &mut Vec<String>,
) -> Result<DriftNight> {
    let mut own = Vec::new();
    let black = match captures.dark.is_empty() {
        true => {
            own.push(
                "there is no dark capture, the calibration's dark level was taken".to_string(),
            );
            rig.black
        }
        false => levels::dark(captures, &rig.response, rig.bit_depth, &mut own),
    };
    let reduction = Reduction {
        black,
        exposure: rig.exposure,
        irradiance: rig.luminance.irradiance,
        height_m: rig.luminance.height_m,
        flat: rig.flat.as_ref(),
    };
    let grain = Grain {
        black: &black,
        ..rig.grain()
    };
    let whites: Vec<[(f64, f64); 3]> = captures
        .white
        .iter()
        .map(|s| reduction.net(s, grain))
        .collect();
    let white = average(&whites);
    let leak = white.map_or(rig.leak.signal, |w| w.map(|(value, _)| value.max(0.0)));
    if white.is_none() && rig.white.is_some() {
        own.push("there is no white capture, so brightness was not judged".to_string());
    }
    let pairs = pairs(rig, captures, &reduction, leak, grain)?;
    let light = |s: &Shot| 1.0 / reduction.light(&s.reading.capture);
    let common = Common {
        dark: black.sd,
        dark_factor: match captures.white.len() {
            0 => 0.0,
            count => captures.white.iter().map(light).sum::<f64>() / count as f64,
        },
        white,
    };
    let joint = joint(rig, pairs, &common);
    let shifts = joint.shifts();
    let (chi_squared, degrees) = joint.chi_squared(&shifts, |_| true);
    let p = p_value(chi_squared, degrees);
    let level = 1.0 - rig.detection.confidence;
    let same_exposure = captures
        .white
        .iter()
        .all(|s| (rig.exposure.relative(&s.reading.capture) - 1.0).abs() < 1e-6);
    if !same_exposure {
        own.push("the white was captured at another exposure, so brightness was not judged".into());
    }
    let brightness = white
        .filter(|_| same_exposure)
        .and_then(|w| brightness(rig, w, &common));
    let white_changed = brightness.is_some_and(|b| b.low > 1.0 || b.high < 1.0);
    let targets: Vec<DriftTarget> = joint
        .pairs
        .iter()
        .enumerate()
        .map(|(i, pair)| {
            let shift = [shifts[2 * i], shifts[2 * i + 1]];
            let own = |k: usize| joint.covariance[(2 * i + k, 2 * i + k)];
            let (alone, degrees) = joint.chi_squared(&shifts, |at| at == i);
            DriftTarget {
                target: pair.target.target.clone(),
                shift,
                shift_uv: shift[0].hypot(shift[1]),
                sd_uv: (own(0) + own(1)).sqrt(),
                p_value: p_value(alone, degrees),
            }
        })
        .collect();
    let drifted = p < level;
    let fitted = Signals::new(rig, &joint.pairs, &common).map(|s| s.fit(curves));
    let fitted = fitted.unwrap_or_default();
    let verdict = hypotheses::judge(&fitted);
    let of_glows = matches!(verdict, Verdict::One(Change::Excitation(_)));
    let names: Vec<&str> = targets.iter().map(|t| t.target.as_str()).collect();
    let most = targets
        .iter()
        .max_by(|a, b| a.shift_uv.total_cmp(&b.shift_uv));
    let cause = Found {
        verdict: &verdict,
        drifted,
        brightness: brightness.filter(|_| white_changed),
        judged: brightness.is_some(),
        targets: &names,
        most: most.map_or("", |t| t.target.as_str()),
    }
    .sentence();
    warnings.extend(own.into_iter().map(|w| format!("{name}: {w}")));
    Ok(DriftNight {
        night: name.to_string(),
        drifted,
        brightness_changed: white_changed || of_glows,
        p_value: p,
        cause,
        brightness,
        channel_factors: channel_factors(&fitted),
        explanations: fitted.iter().map(Explanation::of).collect(),
        chi_squared,
        degrees,
        targets,
    })
}

/// Factors on red and blue relative to green by the hypothesis that nothing else changed.
fn channel_factors(fitted: &[Fitted]) -> [f64; 3] {
    let of = |f: &Fitted| match f.change {
        Change::Channels([red, green, blue]) => Some([red / green, 1.0, blue / green]),
        _ => None,
    };
    let found = fitted.iter().find_map(of);
    found
        .filter(|f| f.iter().all(|v| v.is_finite()))
        .unwrap_or([1.0; 3])
}

fn average(shots: &[[(f64, f64); 3]]) -> Option<[(f64, f64); 3]> {
    let n = shots.len() as f64;
    (!shots.is_empty()).then(|| {
        std::array::from_fn(|c| {
            let mean = shots.iter().map(|s| s[c].0).sum::<f64>() / n;
            (mean, shots.iter().map(|s| s[c].1).sum::<f64>() / n / n)
        })
    })
}

fn pairs<'a>(
    rig: &'a Rig,
    captures: &Captures,
    reduction: &Reduction<'_>,
    leak: [f64; 3],
    grain: Grain<'_>,
) -> Result<Vec<Pair<'a>>> {
    let names = || rig.targets.iter().map(|t| t.target.as_str());
    for shot in &captures.target {
        let name = shot.target.as_deref().unwrap_or("");
        if !names().any(|n| n == name) {
            let error = Error::input(format!("the calibration has no target \"{name}\""))
                .line(shot.line)
                .column("target");
            return Err(match crate::files::nearest_known(name, names()) {
                Some(near) => error.remedy(format!("did you mean \"{near}\"?")),
                None => error.remedy("compare with the calibration that has it"),
            });
        }
    }
    let mut pairs = Vec::new();
    for target in &rig.targets {
        let shots: Vec<&Shot> = captures
            .target
            .iter()
            .filter(|s| s.target.as_deref() == Some(target.target.as_str()))
            .collect();
        let nets: Vec<[(f64, f64); 3]> = shots.iter().map(|s| reduction.net(s, grain)).collect();
        let Some(mean) = average(&nets) else { continue };
        let light = shots
            .iter()
            .map(|s| 1.0 / reduction.light(&s.reading.capture))
            .sum::<f64>();
        pairs.push(Pair {
            target,
            now: std::array::from_fn(|c| mean[c].0 - rig.leak.target_share * leak[c]),
            noise: mean.map(|(_, variance)| variance.sqrt()),
            dark_factor: light / shots.len() as f64,
        });
    }
    if pairs.is_empty() {
        return Err(Error::too_little("there is no capture of a target")
            .column("kind")
            .remedy(
                "capture at least one target of the calibration; four or more tell causes apart",
            ));
    }
    Ok(pairs)
}

/// Covariance of all shifts: noise of each target on both nights; dark levels and leaks, which all
/// targets of a night share. What share of the leak a tile sends back is the tile's own on both
/// nights and does not shift it.
fn joint<'a>(rig: &'a Rig, pairs: Vec<Pair<'a>>, night: &Common) -> Joint<'a> {
    let count = 2 * pairs.len();
    let mut joint = Joint {
        rig,
        pairs,
        covariance: DMatrix::zeros(count, count),
    };
    let mut covariance = DMatrix::zeros(count, count);
    let move_of = |i: usize, now: bool, step: [f64; 3]| {
        let pair = &joint.pairs[i];
        let at = if now {
            pair.now
        } else {
            pair.target.net_signal
        };
        let side = |s: f64| joint.uv(std::array::from_fn(|c| at[c] + s * step[c]));
        let (up, down) = (side(1.0), side(-1.0));
        [0.5 * (up[0] - down[0]), 0.5 * (up[1] - down[1])]
    };
    let unit = |c: usize, size: f64| {
        let mut step = [0.0; 3];
        step[c] = size;
        step
    };
    for (i, pair) in joint.pairs.iter().enumerate() {
        for c in 0..3 {
            for (now, size) in [(true, pair.noise[c]), (false, pair.target.signal_sd[c])] {
                let moved = move_of(i, now, unit(c, size));
                for a in 0..2 {
                    for b in 0..2 {
                        covariance[(2 * i + a, 2 * i + b)] += moved[a] * moved[b];
                    }
                }
            }
        }
    }
    let share = rig.leak.target_share;
    for c in 0..3 {
        let white_now = night.white.map_or(rig.leak.sd[c], |w| w[c].1.sqrt());
        for common in 0..4 {
            let mut moved = DVector::zeros(count);
            for (i, pair) in joint.pairs.iter().enumerate() {
                let (now, size) = match common {
                    0 => (
                        true,
                        (pair.dark_factor - share * night.dark_factor) * night.dark[c],
                    ),
                    1 => (false, rig.black.sd[c] * (1.0 - share)),
                    2 => (true, share * white_now),
                    _ => (false, share * rig.leak.sd[c]),
                };
                let [u, v] = move_of(i, now, unit(c, size));
                moved[2 * i] = u;
                moved[2 * i + 1] = v;
            }
            covariance += &moved * moved.transpose();
        }
    }
    // Captures without any stated noise still cannot be told apart below a millionth.
    for i in 0..count {
        covariance[(i, i)] += 1e-12;
    }
    joint.covariance = covariance;
    joint
}

/// Brightness of the white, summed over the channels.
fn brightness(rig: &Rig, white: [(f64, f64); 3], night: &Common) -> Option<Brightness> {
    let then = rig.white?;
    let sum = |of: &dyn Fn(usize) -> f64| (0..3).map(of).sum::<f64>();
    let before = sum(&|c| then.net_signal[c]);
    let now = sum(&|c| white[c].0);
    let value = now / before;
    if !(before > 0.0 && now > 0.0) {
        return None;
    }
    let dark = |c: usize| night.dark_factor * night.dark[c];
    let variance = sum(&|c| white[c].1 + dark(c).powi(2)) / (now * now)
        + sum(&|c| then.sd[c].powi(2)) / (before * before)
        + SET_UP * SET_UP;
    let reach = normal_quantile(0.5 + 0.5 * rig.detection.confidence) * variance.sqrt();
    Some(Brightness {
        value,
        low: value * (-reach).exp(),
        high: value * reach.exp(),
    })
}
