//! A strip's candidates against its marked truth.

use serde::{Deserialize, Serialize};

/// A marked thing of a strip: a box and what it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Left edge in pixels.
    pub x: u32,
    /// Top edge in rows.
    pub y: u32,
    /// Width in pixels.
    pub width: u32,
    /// Height in rows.
    pub height: u32,
    /// What it is.
    pub label: String,
}

/// Marked things of one label.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarkedLabel {
    /// What they are.
    pub label: String,
    /// Whether they are worth a walk.
    pub positive: bool,
    /// How many are marked.
    pub marked: u64,
    /// How many of them a candidate that passes the cut hits.
    pub found: u64,
}

/// How a strip's candidates compare with its marked truth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StripCheck {
    /// When a candidate counts as hitting a mark, in words.
    pub rule: String,
    /// Marks by label, sorted.
    pub labels: Vec<MarkedLabel>,
    /// Share of positive marks that were found; absent if none is marked.
    pub recall: Option<f64>,
    /// Candidates that pass the cut and hit a positive mark.
    pub hits: u64,
    /// Candidates that pass the cut and hit other marks only, or none.
    pub false_alarms: u64,
    /// ... of those, the ones that hit no mark at all.
    pub unmarked: u64,
    /// Positive marks that only a novel candidate hits.
    pub found_as_novel: u64,
    /// False alarms a hectare, where the ground covered is known.
    pub false_alarms_per_hectare: Option<f64>,
}
