//! How well a mapping is known: replicates over targets and what no replicate explains.

use super::Uncertainty;
use super::choice::{Candidate, Judged};
use super::curves;
use super::fit::Sample;
use super::mapping::{Coefficients, apply, color_of};
use super::targets::Measured;
use crate::numeric::stream;
use nalgebra::{Matrix2, Vector2};
use rand::Rng;
use rayon::prelude::*;

/// Bootstrap replicates of the coefficients.
const REPLICATES: u64 = 100;
/// Lack of fit is at least this share of what left-out targets show: noise and calibration are
/// themselves estimates.
const LEAST_SHARE: f64 = 0.25;

/// Coefficients fitted to targets under random weights (Rubin 1981): each exponential, so that no
/// target is ever left out and every fit is determined. `reference` is a net signal whose mapped Y
/// all replicates share with `coefficients`.
pub(super) fn replicates(
    candidate: &Candidate<'_>,
    targets: &[Sample],
    coefficients: &Coefficients,
    reference: [f64; 3],
) -> Vec<Coefficients> {
    let luminance = |m: &Coefficients| apply(m, candidate.form.kind, reference)[1];
    let wanted = luminance(coefficients);
    (0..REPLICATES)
        .into_par_iter()
        .filter_map(|piece| {
            let mut random = stream(1, "calibration replicates", piece);
            let draws: Vec<f64> = targets
                .iter()
                .map(|_| {
                    let uniform = ((random.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
                    -uniform.ln()
                })
                .collect();
            let mean = draws.iter().sum::<f64>() / draws.len() as f64;
            let reweighted: Vec<Sample> = targets
                .iter()
                .zip(&draws)
                .map(|(s, d)| Sample {
                    weight: s.weight * d / mean,
                    ..*s
                })
                .collect();
            let found = candidate.fit(&reweighted, candidate.start(coefficients))?;
            let scale = wanted / luminance(&found);
            (scale > 0.0 && scale.is_finite())
                .then(|| found.map(|row| row.iter().map(|c| c * scale).collect()))
        })
        .collect()
}

/// Covariance of u', v' of a net signal over replicates.
pub(super) fn of_replicates(
    candidate: &Candidate<'_>,
    replicates: &[Coefficients],
    center: [f64; 2],
    net: [f64; 3],
) -> Matrix2<f64> {
    let mut sum = Matrix2::zeros();
    for m in replicates {
        if let Some(uv) = candidate.uv(m, net) {
            let away = Vector2::new(uv[0] - center[0], uv[1] - center[1]);
            sum += away * away.transpose();
        }
    }
    sum / replicates.len().max(1) as f64
}

/// Covariance that the mapping leaves at glows it was not fitted to, beyond noise and calibration:
/// that of the errors of left-out targets less the mean of `explained`, inflated for the few
/// targets that it is known from (a bivariate t distribution of n - 2 degrees has a covariance
/// larger by (n - 2) / (n - 4)).
pub(super) fn lack_of_fit_of_targets(
    judged: &Judged,
    targets: &[Sample],
    explained: &[Matrix2<f64>],
) -> Matrix2<f64> {
    let (total, counted) = scatter(targets, |i, _| judged.left_out[i]);
    let known: Matrix2<f64> = explained.iter().sum::<Matrix2<f64>>() / explained.len() as f64;
    let rest = (total - known).symmetric_eigen();
    let least = LEAST_SHARE * total.trace() / 2.0;
    let kept = rest.eigenvalues.map(|v| v.max(least));
    let few = match counted > 4.0 {
        true => ((counted - 2.0) / (counted - 4.0)).min(3.0),
        false => 3.0,
    };
    let eigenvectors = rest.eigenvectors;
    eigenvectors * Matrix2::from_diagonal(&kept) * eigenvectors.transpose() * few
}

/// Covariance that the mapping leaves at the computed glows that it is tried on; absent without such glows.
pub(super) fn lack_of_fit_of_glows(
    candidate: &Candidate<'_>,
    coefficients: &Coefficients,
) -> Option<Matrix2<f64>> {
    let (found, counted) = scatter(candidate.trials, |_, s| candidate.uv(coefficients, s.net));
    (counted > 0.0).then_some(found)
}

/// What is known of the mapping by replicates, left-out targets and computed glows. Where these leave more than
/// the targets do, they count: they are of more kinds.
pub(super) fn of_mapping(
    candidate: &Candidate<'_>,
    coefficients: &Coefficients,
    replicates: Vec<Coefficients>,
    of_targets: Matrix2<f64>,
) -> Uncertainty {
    let of_glows = lack_of_fit_of_glows(candidate, coefficients);
    let larger = of_glows.filter(|glows| glows.trace() > of_targets.trace());
    Uncertainty {
        replicates,
        lack_of_fit: rows(&larger.unwrap_or(of_targets)),
        lack_of_fit_of_targets: Some(rows(&of_targets)),
        trial_glows: of_glows.map(|glows| curves::tried(candidate.trials.len(), rows(&glows))),
    }
}

fn rows(m: &Matrix2<f64>) -> [[f64; 2]; 2] {
    [[m[(0, 0)], m[(0, 1)]], [m[(1, 0)], m[(1, 1)]]]
}

/// Mean square of u'v' errors over samples that have a color, and their number.
fn scatter(
    samples: &[Sample],
    found: impl Fn(usize, &Sample) -> Option<[f64; 2]>,
) -> (Matrix2<f64>, f64) {
    let mut total = Matrix2::zeros();
    let mut counted = 0.0;
    for (i, sample) in samples.iter().enumerate() {
        if let Some(uv) = found(i, sample) {
            let away = Vector2::new(uv[0] - sample.uv[0], uv[1] - sample.uv[1]);
            total += away * away.transpose();
            counted += 1.0;
        }
    }
    (total / f64::max(counted, 1.0), counted)
}

/// Standard deviation of log10 luminance where no target states one: how far the luminance of each
/// target, relative to that of the luminance target, moves when it is left out of the fit; where
/// glows were computed, what the mapping leaves at them beside.
pub(super) fn luminance_lack(
    candidate: &Candidate<'_>,
    judged: &Judged,
    measured: &[Measured],
    reference: usize,
) -> f64 {
    let log = |m: &Coefficients, net: [f64; 3]| Some(color(candidate, m, net)?[2].log10());
    let relative = |m: &Coefficients, i: usize| {
        Some(log(m, measured[i].net)? - log(m, measured[reference].net)?)
    };
    let mut moved = Vec::new();
    for (i, without) in judged.without.iter().enumerate() {
        let found = without.as_ref().and_then(|w| {
            let now = relative(w, i)?;
            Some(now - relative(&judged.coefficients, i)?)
        });
        moved.extend(found.filter(|_| i != reference));
    }
    let mut squares = moved.iter().map(|d| d * d).sum::<f64>() / moved.len().max(1) as f64;
    let logs: Vec<f64> = candidate
        .trials
        .iter()
        .filter_map(|s| Some(log(&judged.coefficients, s.net)? - s.luminance?.log10()))
        .collect();
    if !logs.is_empty() {
        let n = logs.len() as f64;
        let mean = logs.iter().sum::<f64>() / n;
        squares += logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / n;
    }
    squares.sqrt()
}

/// Covariance of u', v' by steps of one standard uncertainty each, to both sides.
pub(super) fn by_steps(
    color: impl Fn([f64; 3]) -> Option<[f64; 3]>,
    net: [f64; 3],
    steps: &[[f64; 3]],
) -> Option<Matrix2<f64>> {
    let mut sum = Matrix2::zeros();
    for step in steps {
        let moved = |side: f64| color(std::array::from_fn(|c| net[c] + side * step[c]));
        let (up, down) = (moved(1.0)?, moved(-1.0)?);
        let half = Vector2::new(0.5 * (up[0] - down[0]), 0.5 * (up[1] - down[1]));
        sum += half * half.transpose();
    }
    Some(sum)
}

/// u', v', Y of a net signal.
pub(super) fn color(
    candidate: &Candidate<'_>,
    m: &Coefficients,
    net: [f64; 3],
) -> Option<[f64; 3]> {
    color_of(apply(m, candidate.form.kind, net))
}
