//! A strip's result as files, one format a file.
//!
//! In: a [`StripResult`](super::StripResult). Out: the bytes of a table, of GeoJSON, of GPX, of JSON.

mod geojson;
mod gpx;
mod table;

pub use geojson::to_geojson;
pub use gpx::to_gpx;
pub use table::{COLUMNS, to_csv};

/// Degrees with seven decimals (0.011 m at the equator), beyond which a position says nothing.
fn seven_decimals(degrees: f64) -> f64 {
    (degrees * 1e7).round() / 1e7
}
