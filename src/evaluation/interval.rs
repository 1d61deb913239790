//! A figure with its interval and how the interval was made.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A figure with its two-sided interval.
///
/// `low <= high`; a bounded figure's interval stays inside its bounds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// The figure itself.
    pub value: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
    /// How the limits were made.
    pub method: IntervalMethod,
}

impl Interval {
    /// Whether `truth` lies inside, limits included.
    pub fn holds(&self, truth: f64) -> bool {
        self.low <= truth && truth <= self.high
    }

    /// Distance between the limits.
    pub fn width(&self) -> f64 {
        self.high - self.low
    }

    /// The interval of 1 - figure.
    ///
    /// ```
    /// use boneglow::evaluation::proportion;
    /// let recall = proportion::wilson(9.0, 10.0, 0.95).unwrap();
    /// let missed = recall.complement();
    /// assert!((missed.value - 0.1).abs() < 1e-12 && (missed.low - (1.0 - recall.high)).abs() < 1e-12);
    /// ```
    pub fn complement(&self) -> Interval {
        Interval {
            value: 1.0 - self.value,
            low: 1.0 - self.high,
            high: 1.0 - self.low,
            method: self.method,
        }
    }
}

/// How an interval was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum IntervalMethod {
    /// Score interval of a single proportion (Wilson 1927).
    Wilson,
    /// The same with a continuity correction.
    WilsonContinuity,
    /// Exact interval of a single proportion (Clopper & Pearson 1934).
    Exact,
    /// Exact with half the weight of the observed count.
    MidP,
    /// Estimate and normal standard error.
    Normal,
    /// The same with a continuity correction.
    NormalContinuity,
    /// Profile likelihood of a single proportion.
    Likelihood,
    /// Normal interval with z^2/2 added to each count (Agresti & Coull 1998).
    AgrestiCoull,
    /// Beta quantiles with the prior of Jeffreys.
    Jeffreys,
    /// Difference of two proportions from their score intervals (Newcombe 1998).
    NewcombeDifference,
    /// Standard error from resampled groups, Student's t, on the figure's own scale.
    GroupBootstrap,
    /// Exact interval of a single proportion at the effective number of independent patches.
    GroupExact,
    /// Quantiles of the resampled figures.
    BootstrapPercentile,
    /// Structural components of the area under the curve (DeLong et al. 1988).
    DeLong,
}

impl fmt::Display for IntervalMethod {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Wilson => "score interval (Wilson 1927)",
            Self::WilsonContinuity => "score interval with continuity correction",
            Self::Exact => "exact binomial interval (Clopper & Pearson 1934)",
            Self::MidP => "exact binomial interval with mid-P",
            Self::Normal => "normal interval",
            Self::NormalContinuity => "normal interval with continuity correction",
            Self::Likelihood => "profile likelihood interval",
            Self::AgrestiCoull => "adjusted normal interval (Agresti & Coull 1998)",
            Self::Jeffreys => "beta quantiles with Jeffreys' prior",
            Self::NewcombeDifference => "hybrid score interval of a difference (Newcombe 1998)",
            Self::GroupBootstrap => {
                "bootstrap over groups, with the standard error and Student's t"
            }
            Self::GroupExact => {
                "exact binomial interval at the effective number of independent patches"
            }
            Self::BootstrapPercentile => "quantiles of the bootstrap",
            Self::DeLong => "structural components (DeLong et al. 1988)",
        })
    }
}
