//! Intervals of single proportions, of their difference, and of a count of zero.
//!
//! The product uses [`wilson`] and [`exact`]; the others are there to compare with. Successes and
//! trials may be fractional (an effective number of trials). Conventions: limits are kept
//! within 0 to 1.

use super::{Interval, IntervalMethod};
use crate::numeric::normal_quantile;
use statrs::distribution::{ContinuousCDF, Gamma};
use statrs::function::beta::beta_reg;

/// Successes and trials that make sense, and a confidence inside (0, 1); else `None`.
fn checked(successes: f64, trials: f64, confidence: f64) -> Option<f64> {
    let valid = trials.is_finite()
        && trials > 0.0
        && (0.0..=trials).contains(&successes)
        && confidence > 0.0
        && confidence < 1.0;
    valid.then(|| successes / trials)
}

fn z(confidence: f64) -> f64 {
    normal_quantile(0.5 + confidence / 2.0)
}

fn interval(value: f64, low: f64, high: f64, method: IntervalMethod) -> Interval {
    Interval {
        value,
        low: low.clamp(0.0, 1.0),
        high: high.clamp(0.0, 1.0),
        method,
    }
}

/// Score interval (Wilson 1927; Newcombe 1998a, method 3). `None` without trials.
///
/// ```
/// let interval = boneglow::evaluation::proportion::wilson(81.0, 263.0, 0.95).unwrap();
/// assert!((interval.low - 0.2553).abs() < 5e-5 && (interval.high - 0.3662).abs() < 5e-5);
/// ```
pub fn wilson(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let z = z(confidence);
    let middle = 2.0 * trials * p + z * z;
    let half = z * (z * z + 4.0 * trials * p * (1.0 - p)).sqrt();
    let whole = 2.0 * (trials + z * z);
    Some(interval(
        p,
        if p == 0.0 {
            0.0
        } else {
            (middle - half) / whole
        },
        if p == 1.0 {
            1.0
        } else {
            (middle + half) / whole
        },
        IntervalMethod::Wilson,
    ))
}

/// Score interval with continuity correction (Newcombe 1998a, method 4).
pub fn wilson_continuity(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let (n, z) = (trials, z(confidence));
    let q = 1.0 - p;
    let whole = 2.0 * (n + z * z);
    let root = |sign: f64| {
        (z * z + sign * 2.0 - 1.0 / n + 4.0 * p * (n * q - sign))
            .max(0.0)
            .sqrt()
    };
    let low = (2.0 * n * p + z * z - 1.0 - z * root(-1.0)) / whole;
    let high = (2.0 * n * p + z * z + 1.0 + z * root(1.0)) / whole;
    Some(interval(
        p,
        if p == 0.0 { 0.0 } else { low },
        if p == 1.0 { 1.0 } else { high },
        IntervalMethod::WilsonContinuity,
    ))
}

/// Exact interval (Clopper & Pearson 1934): at least the stated coverage whatever the truth.
///
/// ```
/// let none = boneglow::evaluation::proportion::exact(0.0, 20.0, 0.95).unwrap();
/// assert!(none.low == 0.0 && (none.high - 0.1684).abs() < 5e-5);
/// ```
pub fn exact(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let tail = (1.0 - confidence) / 2.0;
    let failures = trials - successes;
    let low = beta_quantile(tail, successes, failures + 1.0).unwrap_or(0.0);
    let high = beta_quantile(1.0 - tail, successes + 1.0, failures).unwrap_or(1.0);
    Some(interval(p, low, high, IntervalMethod::Exact))
}

/// Exact interval with half the weight of the observed count (Newcombe 1998a, method 6).
pub fn mid_p(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let tail = (1.0 - confidence) / 2.0;
    // P(X > r) + P(X = r) / 2 as a function of the true share, from two exact tails.
    let above = |share: f64| {
        (upper_tail(successes, trials, share) + upper_tail(successes + 1.0, trials, share)) / 2.0
    };
    let low = match successes > 0.0 {
        true => root(|share| above(share) - tail),
        false => 0.0,
    };
    let high = match successes < trials {
        true => root(|share| above(share) - (1.0 - tail)),
        false => 1.0,
    };
    Some(interval(p, low, high, IntervalMethod::MidP))
}

/// Estimate and normal standard error: too short for few trials (Newcombe 1998a, method 1).
pub fn normal(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let half = z(confidence) * (p * (1.0 - p) / trials).sqrt();
    Some(interval(p, p - half, p + half, IntervalMethod::Normal))
}

/// The same with a continuity correction of 1 / 2n (Newcombe 1998a, method 2).
pub fn normal_continuity(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let half = z(confidence) * (p * (1.0 - p) / trials).sqrt() + 0.5 / trials;
    Some(interval(
        p,
        p - half,
        p + half,
        IntervalMethod::NormalContinuity,
    ))
}

/// Shares whose likelihood is within the normal quantile of the best (Newcombe 1998a, method 7).
pub fn likelihood(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let term = |count: f64, share: f64| match count > 0.0 {
        true => count * share.ln(),
        false => 0.0,
    };
    let log_likelihood =
        |share: f64| term(successes, share) + term(trials - successes, 1.0 - share);
    let drop = z(confidence).powi(2) / 2.0;
    let lost = |share: f64| log_likelihood(p) - log_likelihood(share) - drop;
    let low = match p > 0.0 {
        true => root(|x| -lost(x * p)) * p,
        false => 0.0,
    };
    let high = match p < 1.0 {
        true => p + (1.0 - p) * root(|x| lost(p + (1.0 - p) * x)),
        false => 1.0,
    };
    Some(interval(p, low, high, IntervalMethod::Likelihood))
}

/// Normal interval with z^2/2 successes and as many failures added (Agresti & Coull 1998).
pub fn agresti_coull(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let z = z(confidence);
    let n = trials + z * z;
    let middle = (successes + z * z / 2.0) / n;
    let half = z * (middle * (1.0 - middle) / n).sqrt();
    Some(interval(
        p,
        middle - half,
        middle + half,
        IntervalMethod::AgrestiCoull,
    ))
}

/// Quantiles of the beta distribution with half a success and half a failure added.
pub fn jeffreys(successes: f64, trials: f64, confidence: f64) -> Option<Interval> {
    let p = checked(successes, trials, confidence)?;
    let tail = (1.0 - confidence) / 2.0;
    let (a, b) = (successes + 0.5, trials - successes + 0.5);
    Some(interval(
        p,
        beta_quantile(tail, a, b)?,
        beta_quantile(1.0 - tail, a, b)?,
        IntervalMethod::Jeffreys,
    ))
}

/// Difference of two independent proportions, first minus second, from their score intervals
/// (Newcombe 1998b, method 10). Limits lie within -1 to 1.
///
/// ```
/// let gain = boneglow::evaluation::proportion::difference((9.0, 10.0), (3.0, 10.0), 0.95).unwrap();
/// assert!((gain.low - 0.1705).abs() < 5e-5 && (gain.high - 0.8090).abs() < 5e-5);
/// ```
pub fn difference(first: (f64, f64), second: (f64, f64), confidence: f64) -> Option<Interval> {
    let one = wilson(first.0, first.1, confidence)?;
    let two = wilson(second.0, second.1, confidence)?;
    let value = one.value - two.value;
    let down = (one.value - one.low).hypot(two.high - two.value);
    let up = (one.high - one.value).hypot(two.value - two.low);
    Some(Interval {
        value,
        low: (value - down).max(-1.0),
        high: (value + up).min(1.0),
        method: IntervalMethod::NewcombeDifference,
    })
}

/// The share that none among `trials` still allows, one-sided, at `confidence`.
///
/// 1 - (1 - confidence)^(1/trials); at 0.95 close to 3 / trials (Hanley & Lippman-Hand 1983).
///
/// ```
/// let share = boneglow::evaluation::proportion::upper_limit_of_none(20.0, 0.95).unwrap();
/// assert!((share - 0.1391).abs() < 5e-5);
/// ```
pub fn upper_limit_of_none(trials: f64, confidence: f64) -> Option<f64> {
    checked(0.0, trials, confidence)?;
    Some(1.0 - (1.0 - confidence).powf(1.0 / trials))
}

/// Hits and misses of a share whose patches weigh differently, summed by weight and squared weight.
///
/// Where a few heavy patches stand for many (an audit), resampling cannot show a heavy miss that did not
/// happen to be drawn, and the lower limit of recall comes out too high.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WeightedCounts {
    hits: [f64; 2],
    misses: [f64; 2],
    /// Weight that the next patch could have.
    heaviest: f64,
    lightest: f64,
}

impl WeightedCounts {
    /// Of patches with a weight above 0 and whether they are hits. `heaviest`: the largest weight that a patch
    /// could have brought, whether or not one of that weight is among them.
    pub fn of(patches: impl IntoIterator<Item = (f64, bool)>, heaviest: f64) -> Self {
        let mut counts = Self {
            heaviest,
            lightest: heaviest,
            ..Self::default()
        };
        for (weight, hit) in patches.into_iter().filter(|(weight, _)| *weight > 0.0) {
            let side = match hit {
                true => &mut counts.hits,
                false => &mut counts.misses,
            };
            side[0] += weight;
            side[1] += weight * weight;
            counts.heaviest = counts.heaviest.max(weight);
            counts.lightest = counts.lightest.min(weight);
        }
        counts
    }

    /// The least and the most that the share of hits may be, misses (hits) being at their own upper limit;
    /// absent where all patches weigh the same, for then resampling sees what there is to see.
    ///
    /// The upper limit of a weighted count is that of [`upper_limit_of_weighted`].
    pub fn limits(&self, confidence: f64) -> Option<(f64, f64)> {
        if self.heaviest <= self.lightest * (1.0 + 1e-9) {
            return None;
        }
        let most = |side: [f64; 2]| upper_limit_of_weighted(side, self.heaviest, confidence);
        let (hits, misses) = (self.hits[0], self.misses[0]);
        let (most_hits, most_misses) = (most(self.hits)?, most(self.misses)?);
        Some((
            hits / (hits + most_misses),
            most_hits / (most_hits + misses),
        ))
    }
}

/// The largest of some weights, 0 without any.
pub fn heaviest(weights: &[f64]) -> f64 {
    weights.iter().fold(0.0, |most, w| most.max(*w))
}

/// The upper limit, at two-sided `confidence`, of a sum of weighted Poisson counts: of `sum` and sum of squared
/// weights, where one more count could weigh `heaviest`.
///
/// Source: Fay and Feuer (1997) Confidence intervals for directly standardized rates: a method based on the
/// gamma distribution, Statistics in Medicine 16:791-801. With equal weights it is the exact limit of a Poisson
/// count (Garwood 1936):
///
/// ```
/// use boneglow::evaluation::proportion::upper_limit_of_weighted;
/// assert!((upper_limit_of_weighted([0.0, 0.0], 1.0, 0.95).unwrap() - 3.689).abs() < 5e-4);
/// assert!((upper_limit_of_weighted([10.0, 10.0], 1.0, 0.95).unwrap() - 18.39).abs() < 5e-3);
/// ```
pub fn upper_limit_of_weighted(
    [sum, squares]: [f64; 2],
    heaviest: f64,
    confidence: f64,
) -> Option<f64> {
    let (sum, squares) = (sum + heaviest, squares + heaviest * heaviest);
    let (shape, scale) = (sum * sum / squares, squares / sum);
    let gamma = Gamma::new(shape, 1.0).ok()?;
    Some(scale * gamma.inverse_cdf(0.5 + confidence / 2.0)).filter(|limit| limit.is_finite())
}

/// Probability of `successes` or more among `trials`.
fn upper_tail(successes: f64, trials: f64, share: f64) -> f64 {
    if successes <= 0.0 {
        1.0
    } else if successes > trials {
        0.0
    } else {
        beta_reg(successes, trials - successes + 1.0, share)
    }
}

/// The beta distribution's quantile, `None` where a parameter is 0 and it degenerates.
fn beta_quantile(probability: f64, a: f64, b: f64) -> Option<f64> {
    (a > 0.0 && b > 0.0).then(|| root(|x| beta_reg(a, b, x) - probability))
}

/// Where a rising function of a share crosses 0, by bisection to the last bit.
fn root(rising: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    loop {
        let middle = (low + high) / 2.0;
        if middle <= low || middle >= high {
            return middle;
        }
        if rising(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_heavy_patch_that_was_not_drawn_lowers_the_limit_and_equal_weights_do_not() {
        let found = || (0..100).map(|i| (1.0, i >= 5));
        assert_eq!(WeightedCounts::of(found(), 1.0).limits(0.95), None);
        let (low, high) = WeightedCounts::of(found(), 20.0).limits(0.95).unwrap();
        // 5 missed of weight 1, and perhaps some of weight 20: 95 found of 95 + 77.
        assert!((low - 0.55).abs() < 0.02 && high > 0.95, "{low} {high}");
        let (more, _) = WeightedCounts::of(found(), 4.0).limits(0.95).unwrap();
        assert!(more > low && more < 0.95);
    }

    #[test]
    fn impossible_counts_have_no_interval() {
        for (r, n) in [
            (0.0, 0.0),
            (-1.0, 5.0),
            (6.0, 5.0),
            (f64::NAN, 5.0),
            (1.0, f64::NAN),
        ] {
            for method in [
                wilson,
                exact,
                mid_p,
                normal,
                likelihood,
                agresti_coull,
                jeffreys,
            ] {
                assert_eq!(method(r, n, 0.95), None, "{r} of {n}");
            }
        }
        assert_eq!(wilson(1.0, 2.0, 1.0), None);
        assert_eq!(upper_limit_of_none(0.0, 0.95), None);
        assert_eq!(difference((1.0, 2.0), (0.0, 0.0), 0.95), None);
    }

    /// The sum over all outcomes of their probability if the interval holds the truth.
    #[test]
    fn the_exact_interval_holds_at_least_what_it_says() {
        for truth in [0.02, 0.3, 0.77] {
            let mut held = 0.0;
            for r in 0..=12 {
                let r = f64::from(r);
                if exact(r, 12.0, 0.95).unwrap().holds(truth) {
                    held += upper_tail(r, 12.0, truth) - upper_tail(r + 1.0, 12.0, truth);
                }
            }
            assert!(held >= 0.95, "{truth}: {held}");
        }
    }
}
