//! The calibrated color of a glow.

use crate::numeric::Covariance3;
use crate::signal::MOST_CLIPPED;

/// CIE 1976 chromaticity and log luminance of a glow, with their joint uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlowColor {
    /// CIE 1976 u'.
    pub u: f64,
    /// CIE 1976 v'.
    pub v: f64,
    /// log10 of luminance at the stated height, relative to what [`LuminanceScale`](super::LuminanceScale) says.
    pub log_luminance: f64,
    /// Combined standard covariance of (u', v', log luminance).
    pub covariance: Covariance3,
}

impl GlowColor {
    /// Standard uncertainties of u', v' and log luminance.
    pub fn sd(&self) -> [f64; 3] {
        std::array::from_fn(|i| self.covariance[i][i].max(0.0).sqrt())
    }
}

/// What a calibrated rig says of one reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measurement {
    /// The color; absent where nothing is left after dark and leak, so that there is no hue, and where too many
    /// pixels are clipped.
    pub color: Option<GlowColor>,
    /// Below the detection limit: the color is not to be relied upon.
    pub too_faint: bool,
    /// Share of pixels that are clipped, 0 to 1.
    pub clipped: f64,
}

impl Measurement {
    /// Whether too many pixels are clipped for a color.
    pub fn is_clipped(&self) -> bool {
        self.clipped > MOST_CLIPPED
    }
}
