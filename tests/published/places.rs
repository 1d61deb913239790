//! Places: WGS84 and geodesics, and the rules of GPX 1.1 and GeoJSON.

use crate::data;
use boneglow::files::Table;
use boneglow::strip::{
    Candidate, Place, StripResult, WGS84_A, WGS84_INVERSE_FLATTENING, displaced, offset_m,
    radii_of_curvature, to_geojson, to_gpx, wgs84_e2,
};
use serde_json::Value;

/// A case of `geodesy.json`: an input or an expected value by name.
struct Case(Value);

impl Case {
    fn of(id: &str) -> Case {
        let text = std::fs::read_to_string(data("geodesy.json")).unwrap();
        let all: Value = serde_json::from_str(&text).unwrap();
        let cases = all["cases"].as_array().unwrap();
        Case(cases.iter().find(|c| c["id"] == id).unwrap().clone())
    }

    fn input(&self, name: &str) -> f64 {
        self.0["inputs"][name].as_f64().unwrap()
    }

    fn expected(&self, name: &str) -> (f64, f64) {
        let entries = self.0["expected"].as_array().unwrap();
        let entry = entries.iter().find(|e| e["name"] == name).unwrap();
        let number = |key: &str| entry[key].as_f64().unwrap();
        (number("reference"), number("abs_tol"))
    }

    fn check(&self, name: &str, found: f64) {
        let (expected, tolerance) = self.expected(name);
        assert!(
            (found - expected).abs() <= tolerance,
            "{name}: {found}, expected {expected}"
        );
    }

    fn near(&self, name: &str, found: f64, tolerance: f64) {
        let (expected, _) = self.expected(name);
        assert!(
            (found - expected).abs() <= tolerance,
            "{name}: {found}, expected {expected}"
        );
    }

    fn ends(&self) -> ((f64, f64), (f64, f64)) {
        let end = |n: &str| {
            (
                self.input(&format!("lat{n}")),
                self.input(&format!("lon{n}")),
            )
        };
        (end("1"), end("2"))
    }
}

#[test]
fn the_ellipsoid_is_wgs84() {
    let case = Case::of("wgs84_constants");
    case.check("a", WGS84_A);
    case.check("inverse_flattening", WGS84_INVERSE_FLATTENING);
    case.check("e2", wgs84_e2());
    case.check("b", WGS84_A * (1.0 - 1.0 / WGS84_INVERSE_FLATTENING));
    let minute = offset_m((-1.0 / 120.0, 0.0), (1.0 / 120.0, 0.0)).1;
    case.check("one_minute_of_latitude_at_equator_m", minute);
}

const SHORT: [&str; 3] = ["short_10m", "short_1km", "short_5m_equator"];

#[test]
fn radii_of_curvature_give_the_published_approximation() {
    for id in SHORT {
        let case = Case::of(id);
        let (from, to) = case.ends();
        let (m, n) = radii_of_curvature(from.0);
        let east = n * from.0.to_radians().cos() * (to.1 - from.1).to_radians();
        case.check("east_m_radius_approximation", east);
        case.check(
            "north_m_radius_approximation",
            m * (to.0 - from.0).to_radians(),
        );
    }
}

#[test]
fn short_offsets_have_the_length_and_direction_of_the_geodesic() {
    // A local frame is a plane, so that its east and north differ from lengths along the ground:
    // by 2e-2 m at 1 km, 3e-6 m at 10 m. Azimuths are at the start, the formula's in the middle.
    for (id, plane) in SHORT.into_iter().zip([3e-6, 0.02, 1e-8]) {
        let case = Case::of(id);
        let (from, to) = case.ends();
        let (east, north) = offset_m(from, to);
        case.check("distance_m", east.hypot(north));
        case.near("east_m", east, plane);
        case.near("north_m", north, plane);
        let azimuth = east.atan2(north).to_degrees().rem_euclid(360.0);
        let sideways = plane / east.hypot(north);
        case.near("azimuth_deg", azimuth, 1.5 * sideways.to_degrees());
        let back = displaced(from, (east, north));
        assert!(
            (back.0 - to.0).abs() < 1e-12 && (back.1 - to.1).abs() < 1e-12,
            "{back:?}"
        );
    }
}

// GPX 1.1 (order of elements, required attributes, ranges) and GeoJSON (RFC 7946), in so far as
// the cases and this crate's own files use them.

/// Opening tags with their depth, attributes; enough for files without comments or CDATA.
/// Depth, name and attributes of an element.
type Tag = (usize, String, Vec<(String, String)>);

fn tags(xml: &str) -> Vec<Tag> {
    let (mut found, mut depth) = (Vec::new(), 0);
    for part in xml.split('<').skip(1) {
        let inside = part.split('>').next().unwrap();
        if inside.starts_with(['?', '!']) {
            continue;
        }
        if inside.starts_with('/') {
            depth -= 1;
            continue;
        }
        let alone = inside.ends_with('/');
        let inside = inside.trim_end_matches('/');
        let (name, rest) = inside
            .split_once(char::is_whitespace)
            .unwrap_or((inside, ""));
        let pieces: Vec<&str> = rest.split('"').collect();
        let attributes = pieces
            .chunks_exact(2)
            .map(|p| {
                (
                    p[0].trim().trim_end_matches('=').to_string(),
                    p[1].to_string(),
                )
            })
            .collect();
        found.push((depth, name.to_string(), attributes));
        if !alone {
            depth += 1;
        }
    }
    found
}

fn gpx_fault(xml: &str) -> Option<String> {
    const DOCUMENT: [&str; 5] = ["metadata", "wpt", "rte", "trk", "extensions"];
    const POINT: [&str; 20] = [
        "ele",
        "time",
        "magvar",
        "geoidheight",
        "name",
        "cmt",
        "desc",
        "src",
        "link",
        "sym",
        "type",
        "fix",
        "sat",
        "hdop",
        "vdop",
        "pdop",
        "ageofdgpsdata",
        "dgpsid",
        "extensions",
        "",
    ];
    let all = tags(xml);
    let attribute = |tag: &(usize, String, Vec<(String, String)>), name: &str| {
        tag.2.iter().find(|a| a.0 == name).map(|a| a.1.clone())
    };
    let root = all.first()?;
    let namespace = attribute(root, "xmlns").unwrap_or_default();
    if root.1 != "gpx" || namespace != "http://www.topografix.com/GPX/1/1" {
        return Some("another root or namespace".into());
    }
    if attribute(root, "version").as_deref() != Some("1.1") || attribute(root, "creator").is_none()
    {
        return Some("version and creator are required".into());
    }
    let (mut at, mut inside, mut child) = (0, String::new(), 0);
    for tag in &all[1..] {
        let order: &[&str] = match tag.0 {
            1 => &DOCUMENT,
            2 if inside == "wpt" => &POINT,
            _ => continue,
        };
        let Some(place) = order.iter().position(|name| *name == tag.1) else {
            return Some(format!("unknown element {}", tag.1));
        };
        let before = if tag.0 == 1 { &mut at } else { &mut child };
        if place < *before {
            return Some(format!("{} is out of order", tag.1));
        }
        *before = place;
        if tag.0 == 1 {
            (inside, child) = (tag.1.clone(), 0);
        }
        if tag.1 == "wpt" {
            let degrees = |name: &str| attribute(tag, name)?.parse::<f64>().ok();
            let latitude = degrees("lat").filter(|d| (-90.0..=90.0).contains(d));
            let longitude = degrees("lon").filter(|d| (-180.0..180.0).contains(d));
            if latitude.is_none() || longitude.is_none() {
                return Some("lat or lon missing or out of range".into());
            }
        }
    }
    None
}

fn geojson_fault(value: &Value) -> Option<String> {
    let position = |p: &Value| {
        let numbers = p.as_array().filter(|p| p.len() == 2 || p.len() == 3);
        numbers.is_some_and(|p| {
            p.iter().all(Value::is_number)
                && p[0].as_f64().is_some_and(|d| (-180.0..=180.0).contains(&d))
                && p[1].as_f64().is_some_and(|d| (-90.0..=90.0).contains(&d))
        })
    };
    match value["type"].as_str() {
        Some("FeatureCollection") => match value["features"].as_array() {
            Some(features) => features.iter().find_map(geojson_fault),
            None => Some("no features".into()),
        },
        Some("Feature") => {
            for member in ["geometry", "properties"] {
                if !value
                    .get(member)
                    .is_some_and(|m| m.is_object() || m.is_null())
                {
                    return Some(format!("{member} is required"));
                }
            }
            match &value["geometry"] {
                Value::Null => None,
                geometry => geojson_fault(geometry),
            }
        }
        Some("Point") => (!position(&value["coordinates"])).then(|| "no position".into()),
        Some("Polygon") => {
            let rings = value["coordinates"].as_array()?;
            let closed = |ring: &Value| {
                let ring = ring.as_array()?;
                Some(ring.len() >= 4 && ring.first() == ring.last() && ring.iter().all(position))
            };
            (!rings.iter().all(|r| closed(r) == Some(true))).then(|| "ring not closed".into())
        }
        other => Some(format!("unknown type {other:?}")),
    }
}

#[test]
fn the_rules_of_both_formats_judge_every_case_as_stated() {
    let table = Table::read(&data("gis_format_cases.csv")).unwrap();
    assert_eq!(table.len(), 10);
    for row in table.rows() {
        let text = row.text("text").unwrap();
        let fault = match row.text("format").unwrap() {
            "gpx" => gpx_fault(text),
            _ => geojson_fault(&serde_json::from_str(text).unwrap()),
        };
        let valid = row.text("valid").unwrap() == "true";
        assert_eq!(
            fault.is_none(),
            valid,
            "{}: {fault:?}",
            row.text("case").unwrap()
        );
    }
}

fn strip(places: &[(f64, f64)]) -> StripResult {
    let candidate = |(i, place): (usize, &(f64, f64))| Candidate {
        number: i as u64 + 1,
        x: 1,
        y: 2,
        width: 3,
        height: 4,
        pixels: 9,
        peak: 0.75,
        mean: 0.5,
        u: 0.2,
        v: 0.5,
        luminance: 0.1,
        class: "bone <&> \"tooth\"".into(),
        novel: i == 1,
        place: (i != 2).then_some(Place {
            latitude: place.0,
            longitude: place.1,
            position_sd_m: 4.26,
        }),
        nearest_photo: None,
    };
    StripResult {
        strip: "north-line".into(),
        night: None,
        rows: 10,
        width: 10,
        bit_depth: 8,
        calibrated: true,
        threshold: 0.3,
        min_pixels: 6,
        pixels: Default::default(),
        patches: 0,
        walks: 2,
        novel: 1,
        ground: None,
        patches_per_hectare: None,
        walks_per_hectare: None,
        legend: Vec::new(),
        check: None,
        warnings: Vec::new(),
        candidates: places.iter().enumerate().map(candidate).collect(),
        glows: Vec::new(),
        overview: Default::default(),
    }
}

const PLACES: [(f64, f64); 3] = [
    (35.000_080_04, -106.000_05),
    (-12.5, 179.999_999_99),
    (0.0, 0.0),
];

#[test]
fn candidates_are_valid_gpx_1_1_and_read_back() {
    let bytes = to_gpx(&[strip(&PLACES)]).unwrap();
    let text = String::from_utf8(bytes.clone()).unwrap();
    assert_eq!(gpx_fault(&text), None, "{text}");
    let back = gpx::read(&bytes[..]).unwrap();
    assert_eq!(back.waypoints.len(), 2, "one has no place");
    let point = back.waypoints[0].point();
    assert_eq!((point.y(), point.x()), (35.000_08, -106.000_05));
    // What one reads on the way is why to walk there; the likeliest class may be none to walk to.
    let first = &back.waypoints[0];
    assert_eq!(first.name.as_deref(), Some("north-line-1 p 0.75"));
    assert_eq!(first.type_.as_deref(), Some("walk"));
    let told = first.description.as_deref().unwrap();
    assert!(
        told.contains("likeliest class bone <&> \"tooth\", 9 pixels"),
        "{told}"
    );
    // 179.99999999 has no seven decimals below 180, which the schema excludes.
    assert_eq!(back.waypoints[1].point().x(), -180.0);
    assert_eq!(back.waypoints[1].type_.as_deref(), Some("novel"));
}

#[test]
fn candidates_are_valid_geojson_with_longitude_first() {
    let text = String::from_utf8(to_geojson(&[strip(&PLACES)]).unwrap()).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(geojson_fault(&value), None, "{text}");
    let features = value["features"].as_array().unwrap();
    assert_eq!(features.len(), 2);
    let first = &features[0];
    let coordinates = &first["geometry"]["coordinates"];
    assert_eq!(*coordinates, serde_json::json!([-106.00005, 35.00008]));
    assert_eq!(first["id"], "north-line-1");
    assert_eq!(first["properties"]["position_sd_m"], 4.26);
    assert_eq!(first["properties"]["name"], "north-line-1 p 0.75");
    assert_eq!(first["properties"]["decision"], "walk");
    assert_eq!(features[1]["properties"]["decision"], "novel");
    assert!(text.parse::<geojson::GeoJson>().is_ok());
    let empty = String::from_utf8(to_geojson(&[]).unwrap()).unwrap();
    assert_eq!(geojson_fault(&serde_json::from_str(&empty).unwrap()), None);
}
