//! Places on the ground: short offsets on the WGS84 ellipsoid, a pixel's place, its uncertainty.
//!
//! The camera looks straight down on level ground, x grows to the right of the flight, pixel
//! centers lie at +0.5. Offsets in m are turned into degrees with the radii of curvature in the
//! middle between two points (Snyder 1987, Map Projections: A Working Manual, US Geological Survey
//! Professional Paper 1395, equations 4-18 to 4-21; the mid-latitude formula; from memory).
//!
//! Limits: meant for offsets below 1 km, over which lengths are within 1e-6 m of the geodesic's and
//! the bearing within 0.02 m sideways at 25 degrees of latitude; it fails near the poles. Heights
//! of the ground above the ellipsoid are neglected (0.03 % of the offset at 2 km); terrain within a
//! row is taken as level.

use serde::{Deserialize, Serialize};

/// Semi-major axis of WGS84 in m (EPSG 7030).
pub const WGS84_A: f64 = 6_378_137.0;
/// Inverse flattening of WGS84 (EPSG 7030).
pub const WGS84_INVERSE_FLATTENING: f64 = 298.257_223_563;

/// Square of the first eccentricity of WGS84: f (2 - f).
pub fn wgs84_e2() -> f64 {
    let f = 1.0 / WGS84_INVERSE_FLATTENING;
    f * (2.0 - f)
}

/// Radii of curvature of WGS84 in m at a latitude: (meridian M, prime vertical N).
///
/// ```
/// let (m, n) = boneglow::strip::radii_of_curvature(0.0);
/// assert_eq!(n, 6_378_137.0); // at the equator the prime vertical is the semi-major axis
/// assert!((m - 6_335_439.327).abs() < 1e-3); // a (1 - e2)
/// ```
pub fn radii_of_curvature(latitude: f64) -> (f64, f64) {
    let e2 = wgs84_e2();
    let sin = latitude.to_radians().sin();
    let w2 = 1.0 - e2 * sin * sin;
    (WGS84_A * (1.0 - e2) / (w2 * w2.sqrt()), WGS84_A / w2.sqrt())
}

/// Offset in m (east, north) from one (latitude, longitude) in degrees to another near by.
pub fn offset_m(from: (f64, f64), to: (f64, f64)) -> (f64, f64) {
    let middle = (from.0 + to.0) / 2.0;
    let (m, n) = radii_of_curvature(middle);
    let east = wrap_longitude(to.1 - from.1).to_radians() * n * middle.to_radians().cos();
    let north = (to.0 - from.0).to_radians() * m;
    (east, north)
}

/// The (latitude, longitude) in degrees that lies (east, north) m from another near by.
///
/// The inverse of [`offset_m`]; longitudes come back in [-180, 180).
///
/// ```
/// // One minute of latitude at the equator is 1842.9 m.
/// let (latitude, longitude) = boneglow::strip::displaced((0.0, 10.0), (0.0, 1842.9046));
/// assert!((latitude * 60.0 - 1.0).abs() < 1e-7);
/// assert_eq!(longitude, 10.0);
/// ```
pub fn displaced(from: (f64, f64), (east, north): (f64, f64)) -> (f64, f64) {
    let mut latitude = from.0;
    // The middle is not known before the end is: each round gains six digits or more.
    for _ in 0..3 {
        let (m, _) = radii_of_curvature((from.0 + latitude) / 2.0);
        latitude = from.0 + (north / m).to_degrees();
    }
    let middle = (from.0 + latitude) / 2.0;
    let (_, n) = radii_of_curvature(middle);
    let longitude = from.1 + (east / (n * middle.to_radians().cos())).to_degrees();
    (latitude, wrap_longitude(longitude))
}

/// The same longitude (or difference of longitudes) in [-180, 180).
fn wrap_longitude(longitude: f64) -> f64 {
    if (-180.0..180.0).contains(&longitude) {
        longitude
    } else {
        (longitude + 180.0).rem_euclid(360.0) - 180.0
    }
}

/// Where the camera was and how it looked when it recorded one row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Latitude in degrees, WGS84.
    pub latitude: f64,
    /// Longitude in degrees, WGS84.
    pub longitude: f64,
    /// Height above the ground in m, above 0.
    pub height_m: f64,
    /// Heading in degrees clockwise from north.
    pub heading_deg: f64,
}

/// How well a pose is known, and the camera's field of view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PositionPlan {
    /// Field of view across the strip in degrees.
    pub fov_deg: f64,
    /// Standard deviation of the satellite position along each horizontal axis in m.
    pub gnss_sd_m: f64,
    /// Standard deviation of the heading in degrees.
    pub heading_sd_deg: f64,
    /// Standard deviation of the height in m.
    pub height_sd_m: f64,
}

impl From<&crate::season::StripsPlan> for PositionPlan {
    fn from(plan: &crate::season::StripsPlan) -> Self {
        PositionPlan {
            fov_deg: plan.fov_deg,
            gnss_sd_m: plan.gnss_sd_m,
            heading_sd_deg: plan.heading_sd_deg,
            height_sd_m: plan.height_sd_m,
        }
    }
}

impl PositionPlan {
    /// Width on the ground of a row seen from a height, in m: 2 h tan(fov / 2).
    ///
    /// ```
    /// let plan = boneglow::strip::PositionPlan {
    ///     fov_deg: 90.0, gnss_sd_m: 3.0, heading_sd_deg: 2.0, height_sd_m: 0.3,
    /// };
    /// assert!((plan.row_width_m(6.0) - 12.0).abs() < 1e-12);
    /// ```
    pub fn row_width_m(&self, height_m: f64) -> f64 {
        2.0 * height_m * (self.fov_deg / 2.0).to_radians().tan()
    }

    /// The place of the point at `across` (0 at the left edge of the row, 1 at the right).
    ///
    /// The standard deviation is radial (the root of the summed variances of both axes): the
    /// satellite position's on each axis, the heading's times the offset from the middle, and the
    /// height's relative to the height times that offset. Lever arms, tilt and timing are not in it.
    pub fn place(&self, pose: &Pose, across: f64) -> Place {
        let right = self.row_width_m(pose.height_m) * (across - 0.5);
        let heading = pose.heading_deg.to_radians();
        let offset = (right * heading.cos(), -right * heading.sin());
        let (latitude, longitude) = displaced((pose.latitude, pose.longitude), offset);
        let turned = right * self.heading_sd_deg.to_radians();
        let stretched = right / pose.height_m * self.height_sd_m;
        let variance = 2.0 * self.gnss_sd_m.powi(2) + turned.powi(2) + stretched.powi(2);
        Place {
            latitude,
            longitude,
            position_sd_m: variance.sqrt(),
        }
    }
}

/// A place on the ground and how well it is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Latitude in degrees, WGS84.
    pub latitude: f64,
    /// Longitude in degrees, WGS84, in [-180, 180).
    pub longitude: f64,
    /// Radial standard deviation in m.
    pub position_sd_m: f64,
}
