//! Candidates as GeoJSON (RFC 7946): points, longitude before latitude, WGS84.

use super::{place_name, reason, seven_decimals};
use crate::numeric::at_most_digits;
use crate::strip::StripResult;
use crate::{Error, Result};
use geojson::feature::Id;
use geojson::{Feature, FeatureCollection, Geometry, GeometryValue, JsonObject, JsonValue};

/// The candidates of some strips that have a place, as a feature collection.
///
/// # Errors
/// A place outside the ranges of degrees (none that this crate computes).
pub fn to_geojson(strips: &[StripResult]) -> Result<Vec<u8>> {
    let mut features = Vec::new();
    for strip in strips {
        for c in &strip.candidates {
            let Some(place) = c.place else { continue };
            let mut properties = JsonObject::new();
            let mut put = |name: &str, value: JsonValue| {
                properties.insert(name.to_string(), value);
            };
            put("name", place_name(&strip.strip, c).into());
            put("decision", reason(c).into());
            put("strip", strip.strip.clone().into());
            put("candidate", c.number.into());
            put("class", c.class.clone().into());
            put("novel", c.novel.into());
            put("peak", six_digits(c.peak).into());
            put("mean", six_digits(c.mean).into());
            put("pixels", c.pixels.into());
            put("position_sd_m", round(place.position_sd_m, 1e2).into());
            if !strip.calibrated {
                put("calibrated", false.into());
            }
            if let Some(photo) = &c.nearest_photo {
                put("nearest_photo", photo.clone().into());
            }
            let position = [
                seven_decimals(place.longitude),
                seven_decimals(place.latitude),
            ];
            features.push(Feature {
                bbox: None,
                geometry: Some(Geometry::new(GeometryValue::new_point(position))),
                id: Some(Id::String(format!("{}-{}", strip.strip, c.number))),
                properties: Some(properties),
                foreign_members: None,
            });
        }
    }
    let collection = FeatureCollection {
        bbox: None,
        features,
        foreign_members: None,
    };
    let mut text = serde_json::to_string_pretty(&collection)
        .map_err(|e| Error::input(format!("the candidates cannot be written as GeoJSON: {e}")))?;
    text.push('\n');
    Ok(text.into_bytes())
}

/// As `candidates.csv` has it.
fn six_digits(p: f64) -> f64 {
    at_most_digits(p, 6).parse().unwrap_or(p)
}

fn round(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}
