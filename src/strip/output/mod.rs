//! A strip's result as files, one format a file.
//!
//! In: a [`StripResult`](super::StripResult). Out: the bytes of a table, of GeoJSON, of GPX, of JSON.

use super::Candidate;
use crate::numeric::probability;
use crate::threshold::Decision;

mod geojson;
mod gpx;
mod table;

pub use geojson::to_geojson;
pub use gpx::to_gpx;
pub use table::{COLUMNS, to_csv};

/// What a place is to be called where someone reads it on the way: the candidate, and the probability
/// that a walk to it is worth it.
fn place_name(strip: &str, candidate: &Candidate) -> String {
    format!(
        "{strip}-{} p {}",
        candidate.number,
        probability(candidate.peak)
    )
}

/// Why one walks to a place: `walk` or `novel`.
fn reason(candidate: &Candidate) -> &'static str {
    match candidate.novel {
        true => Decision::Novel.name(),
        false => Decision::Walk.name(),
    }
}

/// Degrees with seven decimals (0.011 m at the equator), beyond which a position says nothing.
fn seven_decimals(degrees: f64) -> f64 {
    (degrees * 1e7).round() / 1e7
}
