//! The figures, one a file: each a function from plain data to a [`Figure`].

mod budget;
mod chromaticity;
mod confusion;
mod cost;
mod decision_curve;
mod drift;
mod forecast;
mod glow_scale;
mod groups;
mod left_out;
mod noise;
mod precision_recall;
mod ranking;
mod reliability;
mod residuals;
mod response;
mod roc;
mod strip_overview;
#[cfg(test)]
pub(super) mod trial;

pub use super::drawing::Figure;
pub use budget::{BudgetPart, budget};
pub use chromaticity::{Chromaticities, ClassGlow, chromaticity};
pub use confusion::{Confusions, confusion};
pub use cost::{CostCurve, cost};
pub use decision_curve::{BenefitCurve, DecisionCurve, decision_curve};
pub use drift::{DriftNight, DriftTarget, drift};
pub use forecast::{Forecast, forecast};
pub use glow_scale::GlowScale;
pub use groups::{GroupFigures, groups};
pub use left_out::{LeftOut, left_out};
pub use noise::{NoiseChannel, noise};
pub use precision_recall::precision_recall;
pub use ranking::RankingCurve;
pub use reliability::{ReliabilityBin, reliability};
pub use residuals::{Residual, residuals};
pub use response::{ResponseChannel, response};
pub use roc::roc;
pub use strip_overview::{StripCandidate, StripMark, StripOverview, strip_overview};

use super::numbers::fixed;
use crate::evaluation::Merit;

/// A figure of merit with the limits of its interval, where it has one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// The estimate.
    pub value: f64,
    /// Lower and upper limit.
    pub limits: Option<[f64; 2]>,
}

impl Span {
    /// A figure with limits.
    pub fn new(value: f64, low: f64, high: f64) -> Self {
        Span {
            value,
            limits: Some([low, high]),
        }
    }

    /// A figure without an interval.
    pub fn bare(value: f64) -> Self {
        Span {
            value,
            limits: None,
        }
    }

    /// The same in another unit.
    pub fn times(self, factor: f64) -> Self {
        Span {
            value: factor * self.value,
            limits: self.limits.map(|l| l.map(|v| factor * v)),
        }
    }

    /// The lower limit; the value itself where there is none.
    fn low(&self) -> f64 {
        self.limits.map_or(self.value, |l| l[0])
    }

    /// The upper limit; the value itself where there is none.
    fn high(&self) -> f64 {
        self.limits.map_or(self.value, |l| l[1])
    }

    /// With so many decimals: `0.86 (0.78 to 0.92)`.
    fn told(&self, decimals: usize) -> String {
        match self.limits {
            Some([low, high]) => format!(
                "{} ({} to {})",
                fixed(self.value, decimals),
                fixed(low, decimals),
                fixed(high, decimals)
            ),
            None => fixed(self.value, decimals),
        }
    }
}

impl From<&Merit> for Span {
    fn from(merit: &Merit) -> Self {
        Span {
            value: merit.value,
            limits: merit.low.zip(merit.high).map(|(low, high)| [low, high]),
        }
    }
}

/// The outline of an ellipse `reach` standard deviations about `mean`; absent unless the
/// covariance is positive definite.
fn ellipse(mean: [f64; 2], covariance: [[f64; 2]; 2], reach: f64) -> Option<Vec<[f64; 2]>> {
    let [[a, b], [_, d]] = covariance;
    let l11 = a.sqrt();
    let l21 = b / l11;
    let l22 = (d - l21 * l21).sqrt();
    if !(l11 > 0.0 && l22 > 0.0 && mean.iter().all(|m| m.is_finite())) {
        return None;
    }
    let outline = (0..=72).map(|i| {
        let (s, c) = (std::f64::consts::TAU * f64::from(i) / 72.0).sin_cos();
        [
            mean[0] + reach * l11 * c,
            mean[1] + reach * (l21 * c + l22 * s),
        ]
    });
    Some(outline.collect())
}
