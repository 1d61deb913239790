//! The next walk as a route of GPX 1.1, WGS84.

use super::walk::{Glow, Walk};
use crate::numeric::probability;
use crate::{Error, Result};
use gpx::{Gpx, GpxVersion, Route, Waypoint};

/// The stops that have a position as the points of one route, in order, named by number and patch.
/// Where the rig is not `calibrated`, each description says so.
///
/// # Errors
/// A file that cannot be put together.
pub fn walk_to_gpx(glows: &[Glow], walk: &Walk, calibrated: bool) -> Result<Vec<u8>> {
    let mut route = Route::new();
    route.name = Some("next walk".to_string());
    for (number, stop) in walk.stops.iter().enumerate() {
        let glow = &glows[stop.glow];
        let Some((latitude, longitude)) = glow.position else {
            continue;
        };
        let rounded = |degrees: f64| (degrees * 1e7).round() / 1e7;
        let longitude = match rounded(longitude) {
            // 180 itself is excluded, and rounding may reach it.
            east if east >= 180.0 => -180.0,
            other => other,
        };
        let mut point = Waypoint::new((longitude, rounded(latitude)).into());
        point.name = Some(format!("{}: {}", number + 1, glow.id));
        point.type_ = Some(stop.reason.name().to_string());
        let mark = if calibrated { "" } else { "not calibrated, " };
        point.description = Some(format!(
            "{mark}probability {}",
            probability(glow.p_positive)
        ));
        route.points.push(point);
    }
    let document = Gpx {
        version: GpxVersion::Gpx11,
        creator: Some(concat!("boneglow ", env!("CARGO_PKG_VERSION")).to_string()),
        routes: vec![route],
        ..Gpx::default()
    };
    let mut bytes = Vec::new();
    gpx::write(&document, &mut bytes)
        .map_err(|e| Error::input(format!("the walk cannot be written as GPX: {e}")))?;
    bytes.push(b'\n');
    Ok(bytes)
}
