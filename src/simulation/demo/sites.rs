//! The invented sites: how each differs from the others.

use super::SEED;
use crate::simulation::Draw;

/// A place in the invented basin.
#[derive(Debug, Clone)]
pub(super) struct Site {
    /// Its name.
    pub name: String,
    /// Nights on which it was flown, ISO 8601.
    pub nights: Vec<&'static str>,
    /// Latitude and longitude of its middle in degrees.
    pub place: (f64, f64),
    /// Optical depth of iron staining at short wavelengths.
    pub stain: f64,
    /// 0 dry to 1 wet.
    pub moisture: f64,
    /// Factor on everything's brightness.
    pub brightness: f64,
    /// Shift of the bone's emission in nm.
    pub bone_shift_nm: f64,
    /// Shift of the opal's emission in nm.
    pub opal_shift_nm: f64,
    /// Shift of the calcite's emission in nm.
    pub calcite_shift_nm: f64,
    /// Shift of the lichen's emission in nm.
    pub lichen_shift_nm: f64,
    /// Share of bone that is weathered and dim.
    pub weathered: f64,
    /// Share of calcite in bright veins.
    pub vein: f64,
    /// Whether the lichen here glows in the color of bone.
    pub lichen_like_bone: bool,
    /// Relative abundance of the classes, in the order of `Class::ALL`.
    pub mix: [f64; 6],
}

/// Names of the sites in the ledger; no such places exist.
const NAMES: [&str; 16] = [
    "Adder Flat",
    "Bellows Gully",
    "Cinder Step",
    "Dunnock Bench",
    "Ember Wash",
    "Fallow Rim",
    "Gannet Knoll",
    "Hollow Terrace",
    "Inkwell Draw",
    "Juniper Scarp",
    "Kestrel Pan",
    "Lantern Slope",
    "Mallow Hook",
    "Nettle Fan",
    "Osier Bluff",
    "Pumice Shelf",
];

/// Nights of the season; three of the ledger's tables hold two each.
pub(super) const NIGHTS: [&str; 6] = [
    "2031-04-11",
    "2031-05-09",
    "2031-07-04",
    "2031-07-30",
    "2031-09-19",
    "2031-10-17",
];

/// The sixteen sites of the ledger.
pub(super) fn sites() -> Vec<Site> {
    (0..NAMES.len()).map(|i| site(NAMES[i], i)).collect()
}

/// A site by number; those beyond the ledger's are where the strips were flown.
pub(super) fn site(name: &str, number: usize) -> Site {
    let mut draw = Draw::new(SEED, "demo site", number as u64);
    let first = number % NIGHTS.len();
    let second = (first + 1 + draw.index(NIGHTS.len() - 1)) % NIGHTS.len();
    let richness = draw.factor(0.5);
    let mut nights = vec![NIGHTS[first], NIGHTS[second]];
    nights.sort_unstable();
    Site {
        name: name.to_string(),
        nights,
        // The open ocean: nobody's survey.
        place: (
            -31.5 + 0.004 * (number / 4) as f64 + 0.0008 * draw.normal(),
            -21.5 + 0.005 * (number % 4) as f64 + 0.0008 * draw.normal(),
        ),
        stain: 0.25 * draw.factor(0.8),
        moisture: draw.uniform().powi(2),
        brightness: draw.factor(0.22),
        bone_shift_nm: 6.5 * draw.normal(),
        opal_shift_nm: 4.0 + 6.0 * draw.normal(),
        calcite_shift_nm: 4.0 * draw.normal(),
        lichen_shift_nm: 6.0 * draw.normal(),
        weathered: draw.between(0.05, 0.35),
        vein: if matches!(number, 4 | 11 | 16) {
            0.5
        } else {
            0.04
        },
        lichen_like_bone: matches!(number, 1 | 6 | 9 | 13 | 17),
        mix: [
            0.13 * richness,
            0.32 * draw.factor(0.3),
            0.16 * draw.factor(0.5),
            0.12 * draw.factor(0.5),
            0.18 * draw.factor(0.5),
            0.07 * draw.factor(0.4),
        ],
    }
}
