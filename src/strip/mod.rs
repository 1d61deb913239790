//! Strips: scores, candidates and their places.
//!
//! In: the picture of a strip, a calibrated rig, a model with its thresholds, the strip's row
//! table and marked truth where there are some. Out: a probability and a class picture, and a
//! [`StripResult`] with the candidates, their places and the ground covered.

mod blobs;
mod candidate;
mod cells;
mod glow;
mod images;
mod judge;
mod marks;
mod output;
mod overview;
mod palette;
mod picture;
mod pixels;
mod place;
mod quadratic;
mod row_table;
mod score;
mod scorer;
mod stack;

pub use candidate::{
    Candidate, Ground, LegendEntry, Overview, PixelCounts, StripResult, median_patches_per_hectare,
};
pub use glow::{StripGlow, glows_to_csv};
pub use images::{Pictures, StripWriter};
pub use judge::{Judge, ModelJudge};
use marks::check_marks;
pub use marks::{MIN_OVERLAP, Mark, MarkedLabel, StripCheck};
pub use output::{COLUMNS, to_csv, to_geojson, to_gpx};
pub use picture::{Block, Samples, StripPicture};
pub use place::{
    Place, Pose, PositionPlan, WGS84_A, WGS84_INVERSE_FLATTENING, displaced, offset_m,
    radii_of_curvature, wgs84_e2,
};
pub use row_table::RowTable;
pub use score::{ScoreOptions, score, score_block};
pub use scorer::{Cut, Scorer, doubtful_exposure};
pub use stack::{LinePosition, Stacker};

#[cfg(test)]
mod tests;
