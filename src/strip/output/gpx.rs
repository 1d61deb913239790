//! Candidates as waypoints of GPX 1.1, WGS84.

use super::{place_name, reason, seven_decimals};
use crate::numeric::probability;
use crate::strip::StripResult;
use crate::{Error, Result};
use gpx::{Gpx, GpxVersion, Metadata, Waypoint};

/// The candidates of some strips that have a place, as waypoints named by strip, number and probability.
///
/// The type is `walk` or `novel`, since a place may be worth a walk whose likeliest class is not; the
/// description names that class, and says how probable and how well placed.
///
/// # Errors
/// A file that cannot be put together.
pub fn to_gpx(strips: &[StripResult]) -> Result<Vec<u8>> {
    let mut waypoints = Vec::new();
    for strip in strips {
        for c in &strip.candidates {
            let Some(place) = c.place else { continue };
            let longitude = seven_decimals(place.longitude);
            // 180 itself is excluded, and rounding may reach it.
            let longitude = if longitude >= 180.0 {
                -180.0
            } else {
                longitude
            };
            let point = (longitude, seven_decimals(place.latitude));
            let mut waypoint = Waypoint::new(point.into());
            waypoint.name = Some(place_name(&strip.strip, c));
            let mark = if strip.calibrated {
                ""
            } else {
                "not calibrated, "
            };
            waypoint.description = Some(format!(
                "{mark}probability {} at its peak, likeliest class {}{}, {} pixels, position within {:.1} m (1 sd)",
                probability(c.peak),
                c.class,
                if c.novel {
                    " though unlike all known"
                } else {
                    ""
                },
                c.pixels,
                place.position_sd_m
            ));
            waypoint.type_ = Some(reason(c).to_string());
            waypoints.push(waypoint);
        }
    }
    let document = Gpx {
        version: GpxVersion::Gpx11,
        creator: Some(concat!("boneglow ", env!("CARGO_PKG_VERSION")).to_string()),
        metadata: Some(Metadata {
            name: Some("candidates".to_string()),
            ..Metadata::default()
        }),
        waypoints,
        ..Gpx::default()
    };
    let mut bytes = Vec::new();
    gpx::write(&document, &mut bytes)
        .map_err(|e| Error::input(format!("the candidates cannot be written as GPX: {e}")))?;
    bytes.push(b'\n');
    Ok(bytes)
}
