//! How well a mapping is known: replicates over targets and what no replicate explains.

use super::choice::{Candidate, Judged};
use super::fit::Sample;
use super::mapping::{Coefficients, apply, color_of};
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
            let found = candidate.fit(&reweighted, None)?;
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

/// Covariance that the mapping leaves at targets it was not fitted to, beyond noise and
/// calibration: that of the errors of left-out targets less the mean of `explained`, inflated for
/// the few targets that it is known from (a bivariate t distribution of n - 2 degrees has a
/// covariance larger by (n - 2) / (n - 4)).
pub(super) fn lack_of_fit(
    judged: &Judged,
    targets: &[Sample],
    explained: &[Matrix2<f64>],
) -> [[f64; 2]; 2] {
    let mut total = Matrix2::zeros();
    let mut counted = 0.0;
    for (found, target) in judged.left_out.iter().zip(targets) {
        if let Some(uv) = found {
            let away = Vector2::new(uv[0] - target.uv[0], uv[1] - target.uv[1]);
            total += away * away.transpose();
            counted += 1.0;
        }
    }
    if counted == 0.0 {
        return [[0.0; 2]; 2];
    }
    total /= counted;
    let known: Matrix2<f64> = explained.iter().sum::<Matrix2<f64>>() / explained.len() as f64;
    let rest = (total - known).symmetric_eigen();
    let whole = total.symmetric_eigen();
    let least = LEAST_SHARE * whole.eigenvalues.sum() / 2.0;
    let kept = rest.eigenvalues.map(|v| v.max(least));
    let few = ((counted - 2.0) / (counted - 4.0)).clamp(1.0, 3.0);
    let found = rest.eigenvectors
        * Matrix2::from_diagonal(&kept)
        * rest.eigenvectors.transpose()
        * if counted > 4.0 { few } else { 3.0 };
    [
        [found[(0, 0)], found[(0, 1)]],
        [found[(1, 0)], found[(1, 1)]],
    ]
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
