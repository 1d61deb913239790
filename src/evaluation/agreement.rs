//! Whether two decisions on the same patches differ.

use super::scores::ratio;
use serde::{Deserialize, Serialize};
use statrs::distribution::{Binomial, ChiSquared, ContinuousCDF, Discrete, DiscreteCDF};

/// McNemar's (1947) test of paired decisions, in four versions.
///
/// Patches of one site are not independent: where groups matter, a paired difference with its
/// interval over groups is the better answer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct McNemar {
    /// Patches that only the first got right.
    pub first_only: u64,
    /// Patches that only the second got right.
    pub second_only: u64,
    /// (b - c)^2 / (b + c).
    pub chi_square: f64,
    /// Its upper tail.
    pub p_asymptotic: f64,
    /// (|b - c| - 1)^2 / (b + c), 0 if b = c (Edwards 1948).
    pub chi_square_continuity: f64,
    /// Its upper tail.
    pub p_continuity: f64,
    /// Exact binomial, two-sided.
    pub p_exact: f64,
    /// Exact with half the weight of what was observed: the one to quote
    /// (Fagerland, Lydersen & Laake 2013).
    pub p_mid: f64,
}

impl McNemar {
    /// The test from the two counts of disagreement. `None` if the two never disagree.
    ///
    /// ```
    /// use boneglow::evaluation::McNemar;
    /// let test = McNemar::of(1, 7).unwrap();
    /// assert!((test.p_exact - 2.0 * 9.0 / 256.0).abs() < 1e-12);
    /// ```
    pub fn of(first_only: u64, second_only: u64) -> Option<Self> {
        let (b, c) = (first_only as f64, second_only as f64);
        let chi_square = ratio((b - c).powi(2), b + c)?;
        let chi_square_continuity = ((b - c).abs() - 1.0).max(0.0).powi(2) / (b + c);
        let one = ChiSquared::new(1.0).ok()?;
        let fair = Binomial::new(0.5, first_only + second_only).ok()?;
        let fewer = first_only.min(second_only);
        let tail = 2.0 * fair.cdf(fewer);
        // Of an even split, both tails hold the observed count.
        let p_mid = match first_only == second_only {
            true => 1.0 - fair.pmf(fewer) / 2.0,
            false => tail - fair.pmf(fewer),
        };
        Some(Self {
            first_only,
            second_only,
            chi_square,
            p_asymptotic: one.sf(chi_square),
            chi_square_continuity,
            p_continuity: one.sf(chi_square_continuity),
            p_exact: tail.min(1.0),
            p_mid,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decisions_that_never_differ_are_not_tested() {
        assert_eq!(McNemar::of(0, 0), None);
    }

    #[test]
    fn an_even_split_is_no_difference() {
        let even = McNemar::of(4, 4).unwrap();
        assert_eq!((even.chi_square, even.p_exact), (0.0, 1.0));
        assert!(even.p_mid > 0.8 && even.p_mid < 1.0);
    }
}
