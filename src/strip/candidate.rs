//! What a scored strip amounts to: candidates, counts and ground covered, as plain data.

use super::{Place, StripCheck, StripGlow};
use serde::{Deserialize, Serialize};

/// A connected blob of a strip that passes the thresholds, or that is novel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// Number within the strip from 1, in reading order of each blob's first pixel.
    pub number: u64,
    /// Left edge of the box in pixels.
    pub x: u32,
    /// Top edge of the box in rows.
    pub y: u32,
    /// Width of the box in pixels.
    pub width: u32,
    /// Height of the box in rows.
    pub height: u32,
    /// Number of pixels of the blob itself.
    pub pixels: u64,
    /// Largest probability of being worth a walk at the field's prevalence, 0 to 1.
    pub peak: f64,
    /// Mean probability over the blob's pixels.
    pub mean: f64,
    /// CIE 1976 u' of the blob's light added up.
    pub u: f64,
    /// CIE 1976 v' of the blob's light added up.
    pub v: f64,
    /// Mean luminance relative to the luminance target at its height (linear, not log).
    pub luminance: f64,
    /// The class with the largest sum of probabilities over the blob.
    pub class: String,
    /// Whether the glow is unlike anything in the ledger.
    pub novel: bool,
    /// Where it lies; absent without a row table that gives position, height and heading.
    pub place: Option<Place>,
    /// Name of the photograph taken nearest in time, where the row table has a column `photo`.
    pub nearest_photo: Option<String>,
}

/// Pixels of a strip by decision.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PixelCounts {
    /// Below the detection limit, or without a hue.
    pub too_faint: u64,
    /// A known glow below the cut.
    pub pass: u64,
    /// At or above the cut.
    pub walk: u64,
    /// Unlike anything in the ledger.
    pub novel: u64,
}

/// The ground that a strip covers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ground {
    /// Area in hectares: the rows' widths times their spacing; ground flown twice counts twice.
    pub hectares: f64,
    /// Median width of a row on the ground in m.
    pub row_width_m: f64,
    /// Median spacing of rows on the ground in m.
    pub row_spacing_m: f64,
}

/// What a color of the class picture stands for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LegendEntry {
    /// The picture's palette index.
    pub index: u8,
    /// `too faint`, `novel`, or the class.
    pub name: String,
    /// sRGB code values.
    pub color: [u8; 3],
}

/// A small picture of the whole strip: one tile stands for `scale` x `scale` pixels.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Overview {
    /// Pixels a tile, each way.
    pub scale: u32,
    /// Tiles across.
    pub width: u32,
    /// Tiles along.
    pub height: u32,
    /// Mean code value of each tile, scaled to 8 bits.
    pub color: Vec<[u8; 3]>,
    /// Largest probability of each tile, 0 to 255 for 0 to 1.
    pub peak: Vec<u8>,
}

/// Everything that scoring a strip found, the pictures apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StripResult {
    /// The strip's name: its file name without extension.
    pub strip: String,
    /// The night on which it was recorded, where its row table says so.
    #[serde(default)]
    pub night: Option<String>,
    /// Rows (laser lines).
    pub rows: u32,
    /// Pixels a row.
    pub width: u32,
    /// Bits a sample of the picture.
    pub bit_depth: u8,
    /// Whether the colors come from a calibration.
    pub calibrated: bool,
    /// The cut in probability at the field's prevalence.
    pub threshold: f64,
    /// Fewest pixels of a candidate and of a glowing patch.
    pub min_pixels: u64,
    /// Pixels by decision.
    pub pixels: PixelCounts,
    /// Connected areas of one class above the detection limit, of `min_pixels` or more.
    pub patches: u64,
    /// Candidates that pass the cut.
    pub walks: u64,
    /// Candidates that are novel.
    pub novel: u64,
    /// The ground covered; absent without heights and positions.
    pub ground: Option<Ground>,
    /// Glowing patches a hectare.
    pub patches_per_hectare: Option<f64>,
    /// Candidates that pass the cut, a hectare.
    pub walks_per_hectare: Option<f64>,
    /// What the class picture's colors stand for.
    pub legend: Vec<LegendEntry>,
    /// Comparison with the marked truth, where there is some.
    pub check: Option<StripCheck>,
    /// Plain sentences of caution.
    pub warnings: Vec<String>,
    /// The candidates in reading order.
    #[serde(skip)]
    pub candidates: Vec<Candidate>,
    /// The glowing patches in reading order, walked to or not.
    #[serde(skip)]
    pub glows: Vec<StripGlow>,
    /// The strip at a glance.
    #[serde(skip)]
    pub overview: Overview,
}

/// Median of glowing patches a hectare over strips that know their ground; absent if none does.
pub fn median_patches_per_hectare(strips: &[StripResult]) -> Option<f64> {
    crate::numeric::median(strips.iter().filter_map(|s| s.patches_per_hectare))
}
