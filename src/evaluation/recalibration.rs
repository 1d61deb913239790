//! Intercept and slope of calibration: a logistic regression of the outcome on the stated log odds.
//!
//! Cox (1958, Biometrika 45:562); Van Calster et al. (2016, J. Clin. Epidemiol. 74:167) for the
//! reading: slope below 1 is overconfidence, an intercept below 0 too much bone promised.

use super::Probabilities;
use super::probability::PROBABILITY_FLOOR;
use serde::{Deserialize, Serialize};

/// What a logistic regression on the stated log odds finds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Recalibration {
    /// Intercept with the slope held at 1: whether there is more (> 0) or less bone than stated.
    pub in_the_large: f64,
    /// Intercept beside the slope.
    pub intercept: f64,
    /// Slope: 1 is ideal, below 1 the probabilities are too extreme.
    pub slope: f64,
}

/// Intercepts and slope, by weighted maximum likelihood.
///
/// `None` where they do not exist: one outcome only, a constant probability, or outcomes that the
/// probability separates without error (the slope is then infinite).
///
/// ```
/// use boneglow::evaluation::{Probabilities, Scores, recalibration};
/// // said 1 in 10 and 9 in 10, found 2 in 10 and 8 in 10
/// let said: Vec<f64> = (0..20).map(|i| if i < 10 { 0.1 } else { 0.9 }).collect();
/// let found: Vec<bool> = (0..20).map(|i| i < 2 || i >= 12).collect();
/// let fit = recalibration::recalibrate(&Probabilities::new(Scores::new(&said, &found)?)?).unwrap();
/// assert!((fit.slope - 4.0_f64.ln() / 9.0_f64.ln()).abs() < 1e-9);
/// assert!(fit.intercept.abs() < 1e-9);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn recalibrate(probabilities: &Probabilities) -> Option<Recalibration> {
    let rows: Vec<Row> = probabilities
        .rows()
        .filter(|row| row.2 > 0.0)
        .map(|(p, outcome, weight)| {
            let p = p.clamp(PROBABILITY_FLOOR, 1.0 - PROBABILITY_FLOOR);
            Row {
                log_odds: (p / (1.0 - p)).ln(),
                outcome,
                weight,
            }
        })
        .collect();
    if !overlap(&rows) {
        return None;
    }
    let (in_the_large, _) = fit(&rows, (0.0, 1.0), false)?;
    let (intercept, slope) = fit(&rows, (0.0, 0.0), true)?;
    Some(Recalibration {
        in_the_large,
        intercept,
        slope,
    })
}

struct Row {
    log_odds: f64,
    outcome: f64,
    weight: f64,
}

/// Whether positives and others overlap in log odds, so that finite estimates exist.
fn overlap(rows: &[Row]) -> bool {
    let range = |outcome: f64| {
        rows.iter()
            .filter(|r| r.outcome == outcome)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), r| {
                (low.min(r.log_odds), high.max(r.log_odds))
            })
    };
    let ((low_0, high_0), (low_1, high_1)) = (range(0.0), range(1.0));
    low_0 < high_1 && low_1 < high_0
}

fn log_likelihood(rows: &[Row], (intercept, slope): (f64, f64)) -> f64 {
    rows.iter()
        .map(|r| {
            let eta = intercept + slope * r.log_odds;
            // ln(1 + e^eta) without overflow
            let softplus = eta.max(0.0) + (-eta.abs()).exp().ln_1p();
            r.weight * (r.outcome * eta - softplus)
        })
        .sum()
}

/// Newton's method with halved steps; the likelihood is concave.
fn fit(rows: &[Row], start: (f64, f64), with_slope: bool) -> Option<(f64, f64)> {
    let (mut at, mut best) = (start, log_likelihood(rows, start));
    for _ in 0..100 {
        let (mut g0, mut g1, mut h00, mut h01, mut h11) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for r in rows {
            let p = 1.0 / (1.0 + (-(at.0 + at.1 * r.log_odds)).exp());
            let (residual, spread) = (r.weight * (r.outcome - p), r.weight * p * (1.0 - p));
            g0 += residual;
            g1 += residual * r.log_odds;
            h00 += spread;
            h01 += spread * r.log_odds;
            h11 += spread * r.log_odds * r.log_odds;
        }
        let step = if with_slope {
            let determinant = h00 * h11 - h01 * h01;
            (
                (h11 * g0 - h01 * g1) / determinant,
                (h00 * g1 - h01 * g0) / determinant,
            )
        } else {
            (g0 / h00, 0.0)
        };
        if !(step.0.is_finite() && step.1.is_finite()) {
            return None;
        }
        let mut shrink = 1.0;
        let next = loop {
            let next = (at.0 + shrink * step.0, at.1 + shrink * step.1);
            let value = log_likelihood(rows, next);
            if value >= best || shrink < 1e-6 {
                best = value.max(best);
                break next;
            }
            shrink /= 2.0;
        };
        let moved = (next.0 - at.0).abs() + (next.1 - at.1).abs();
        at = next;
        if moved < 1e-12 * (1.0 + at.0.abs() + at.1.abs()) {
            return Some(at);
        }
    }
    // Rounding may keep the last digits moving; the gradient has long vanished by then.
    Some(at)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluation::Scores;

    fn of(p: &[f64], y: &[bool]) -> Option<Recalibration> {
        recalibrate(&Probabilities::new(Scores::new(p, y).unwrap()).unwrap())
    }

    #[test]
    fn there_is_no_slope_where_the_probability_separates_or_is_constant() {
        assert_eq!(of(&[0.1, 0.2, 0.7, 0.9], &[false, false, true, true]), None);
        assert_eq!(of(&[0.1, 0.2, 0.7, 0.9], &[true, true, false, false]), None);
        assert_eq!(of(&[0.5; 4], &[true, false, true, false]), None);
        assert_eq!(of(&[0.1, 0.9], &[true, true]), None);
        assert_eq!(of(&[], &[]), None);
    }

    #[test]
    fn certain_and_wrong_is_still_finite() {
        let found = of(
            &[0.0, 1.0, 0.4, 0.6, 0.5],
            &[true, false, false, true, true],
        )
        .unwrap();
        assert!(found.slope.is_finite() && found.intercept.is_finite());
        assert!(found.slope < 0.0);
    }

    #[test]
    fn promising_twice_the_odds_is_an_intercept_of_minus_ln_2() {
        // said 2/3 and 1/3, found 1/2 and 1/5: half the odds each
        let (mut p, mut y) = (Vec::new(), Vec::new());
        for (said, found) in [(2.0 / 3.0, 5), (1.0 / 3.0, 2)] {
            p.extend([said; 10]);
            y.extend((0..10).map(|i| i < found));
        }
        let fit = of(&p, &y).unwrap();
        assert!((fit.in_the_large + 2.0_f64.ln()).abs() < 1e-9, "{fit:?}");
        assert!((fit.slope - 1.0).abs() < 1e-9);
    }
}
