//! How alike the patches of a group are, and what that costs.

use super::scores::{ratio, same_length};
use crate::Result;
use serde::{Deserialize, Serialize};

/// One-way analysis of variance between and within groups of unequal size.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OneWay {
    /// Mean over all values.
    pub mean: f64,
    /// Mean square between groups.
    pub between_ms: f64,
    /// Mean square within groups.
    pub within_ms: f64,
    /// Size of group that the expected mean squares hold for: (n - sum of n_g^2 / n) / (G - 1).
    pub typical_size: f64,
}

impl OneWay {
    /// The analysis of these groups; empty ones are left out.
    ///
    /// `None` with fewer than two groups, or if no group has two values.
    pub fn of(groups: &[Vec<f64>]) -> Option<Self> {
        let groups: Vec<&Vec<f64>> = groups.iter().filter(|g| !g.is_empty()).collect();
        let n = groups.iter().map(|g| g.len()).sum::<usize>() as f64;
        let g = groups.len() as f64;
        let mean = ratio(groups.iter().flat_map(|v| v.iter()).sum(), n)?;
        let (mut between, mut within, mut squares) = (0.0, 0.0, 0.0);
        for values in &groups {
            let size = values.len() as f64;
            let own = values.iter().sum::<f64>() / size;
            between += size * (own - mean).powi(2);
            within += values.iter().map(|v| (v - own).powi(2)).sum::<f64>();
            squares += size * size;
        }
        Some(Self {
            mean,
            between_ms: ratio(between, g - 1.0)?,
            within_ms: ratio(within, n - g)?,
            typical_size: ratio(n - squares / n, g - 1.0)?,
        })
    }

    /// Intraclass correlation: the correlation of two values of one group (Shrout & Fleiss 1979,
    /// ICC(1,1); Donner 1986 for unequal groups). May be negative; `None` if nothing varies.
    pub fn intraclass_correlation(&self) -> Option<f64> {
        ratio(
            self.between_ms - self.within_ms,
            self.between_ms + (self.typical_size - 1.0) * self.within_ms,
        )
    }

    /// Reliability of a group's mean (Shrout & Fleiss 1979, ICC(1,k)).
    pub fn reliability_of_means(&self) -> Option<f64> {
        ratio(self.between_ms - self.within_ms, self.between_ms)
    }
}

/// Targets seen by the same judges: rows targets, columns judges (nights, people, cameras).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TwoWay {
    /// Number of targets.
    pub targets: f64,
    /// Number of judges.
    pub judges: f64,
    /// Mean square between targets.
    pub target_ms: f64,
    /// Mean square between judges.
    pub judge_ms: f64,
    /// What is left.
    pub error_ms: f64,
}

impl TwoWay {
    /// The analysis of a full table. `None` if rows differ in length or fewer than two of either.
    pub fn of(table: &[Vec<f64>]) -> Option<Self> {
        let (n, k) = (table.len() as f64, table.first()?.len() as f64);
        if n < 2.0 || k < 2.0 || table.iter().any(|row| row.len() as f64 != k) {
            return None;
        }
        let grand = table.iter().flatten().sum::<f64>() / (n * k);
        let rows = table
            .iter()
            .map(|r| k * (r.iter().sum::<f64>() / k - grand).powi(2));
        let columns = (0..table[0].len())
            .map(|c| n * (table.iter().map(|r| r[c]).sum::<f64>() / n - grand).powi(2));
        let (target, judge) = (rows.sum::<f64>(), columns.sum::<f64>());
        let all: f64 = table.iter().flatten().map(|v| (v - grand).powi(2)).sum();
        Some(Self {
            targets: n,
            judges: k,
            target_ms: target / (n - 1.0),
            judge_ms: judge / (k - 1.0),
            error_ms: (all - target - judge) / ((n - 1.0) * (k - 1.0)),
        })
    }

    /// Absolute agreement of single judges drawn from many (ICC(2,1)).
    pub fn agreement(&self) -> Option<f64> {
        let judges = self.judges * (self.judge_ms - self.error_ms) / self.targets;
        ratio(
            self.target_ms - self.error_ms,
            self.target_ms + (self.judges - 1.0) * self.error_ms + judges,
        )
    }

    /// Consistency of these single judges, their own levels set aside (ICC(3,1)).
    pub fn consistency(&self) -> Option<f64> {
        ratio(
            self.target_ms - self.error_ms,
            self.target_ms + (self.judges - 1.0) * self.error_ms,
        )
    }

    /// Absolute agreement of the mean of all judges (ICC(2,k)).
    pub fn agreement_of_means(&self) -> Option<f64> {
        ratio(
            self.target_ms - self.error_ms,
            self.target_ms + (self.judge_ms - self.error_ms) / self.targets,
        )
    }

    /// Consistency of the mean of all judges (ICC(3,k)).
    pub fn consistency_of_means(&self) -> Option<f64> {
        ratio(self.target_ms - self.error_ms, self.target_ms)
    }
}

/// By how much groups of `size` with this intraclass correlation swell a variance (Kish 1965).
///
/// ```
/// let swollen = boneglow::evaluation::clusters::design_effect(20.0, 0.05);
/// assert!((swollen - 1.95).abs() < 1e-12);
/// ```
pub fn design_effect(size: f64, intraclass_correlation: f64) -> f64 {
    1.0 + (size - 1.0) * intraclass_correlation
}

/// The number of equally weighted patches that tell as much: (sum w)^2 / sum w^2 (Kish 1965).
///
/// ```
/// let n = boneglow::evaluation::clusters::kish_effective_size([1.0, 1.0, 2.0]).unwrap();
/// assert!((n - 16.0 / 6.0).abs() < 1e-12);
/// ```
pub fn kish_effective_size(weights: impl IntoIterator<Item = f64>) -> Option<f64> {
    let (mut sum, mut squares) = (0.0, 0.0);
    for w in weights {
        sum += w;
        squares += w * w;
    }
    ratio(sum * sum, squares)
}

/// A ratio of group sums with its linearized standard error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RatioEstimate {
    /// Sum of hits over sum of trials.
    pub value: f64,
    /// Standard error over groups drawn with replacement.
    pub standard_error: f64,
}

/// A share or mean from the groups' sums, linearized (Kish 1965; Särndal et al. 1992, 5.6).
///
/// With `population`, groups were drawn without replacement from so many: the standard error
/// shrinks by sqrt(1 - G / population). `None` with fewer than two groups or no trials.
///
/// Errors: as many hits as trials are expected.
pub fn ratio_of_sums(
    hits: &[f64],
    trials: &[f64],
    population: Option<f64>,
) -> Result<Option<RatioEstimate>> {
    same_length("hits", hits.len(), "trials", trials.len())?;
    let (g, all) = (hits.len() as f64, trials.iter().sum::<f64>());
    let estimate = || {
        let value = ratio(hits.iter().sum(), all)?;
        let residuals = hits
            .iter()
            .zip(trials)
            .map(|(h, t)| (h - value * t).powi(2));
        let left_out = population.map_or(1.0, |p| (1.0 - g / p).max(0.0));
        let variance = ratio(g * residuals.sum::<f64>(), g - 1.0)? * left_out;
        Some(RatioEstimate {
            value,
            standard_error: variance.sqrt() / all,
        })
    };
    Ok(estimate())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_vary_has_no_correlation() {
        let same = OneWay::of(&[vec![1.0, 1.0], vec![1.0, 1.0]]).unwrap();
        assert_eq!(same.intraclass_correlation(), None);
        assert!(OneWay::of(&[vec![1.0, 2.0]]).is_none());
        assert!(OneWay::of(&[vec![1.0], vec![2.0]]).is_none());
        assert!(TwoWay::of(&[vec![1.0, 2.0], vec![1.0]]).is_none());
        assert_eq!(kish_effective_size([]), None);
        assert_eq!(ratio_of_sums(&[1.0], &[2.0], None).unwrap(), None);
        assert!(ratio_of_sums(&[1.0], &[], None).is_err());
    }

    #[test]
    fn groups_that_differ_in_everything_correlate_fully() {
        let apart = OneWay::of(&[vec![1.0, 1.0], vec![5.0, 5.0, 5.0]]).unwrap();
        assert!((apart.intraclass_correlation().unwrap() - 1.0).abs() < 1e-12);
    }
}
