//! What the calibration captures beside the targets: an even sheet under the whole line, for its
//! fan, and clay from dim to bright, for the ground's share of the leak.

use super::glows::emission;
use super::targets::{EXPOSURE, codes};
use super::{SEED, pictures, strips};
use crate::Result;
use crate::simulation::{Draw, VirtualRig};

/// Emission of the sheet and of the clay: bands as the targets have them.
const SHEET: &[(f64, f64, f64)] = &[(560.0, 55.0, 1.0)];
const CLAY: &[(f64, f64, f64)] = &[(598.0, 62.0, 1.0)];
const SHEET_BRIGHTNESS: f64 = 1.6;
const SHEET_LEAK_SHARE: f64 = 0.7;

const FLAT: &str = "targets/flat.png";
/// Lines of the flat's picture.
const LINES: usize = 24;

/// Patches of clay, each brighter than the one before.
const PATCHES: i32 = 12;
const DIMMEST: f64 = 0.15;
const STEP: f64 = 1.28;

/// The picture of the sheet, as wide as the strips.
pub(super) fn flat(rig: &VirtualRig) -> Result<(String, Vec<u8>)> {
    let mut draw = Draw::new(SEED, "demo flat", 0);
    let glow = rig.glow(&emission(SHEET, 0.0, 1.0).scaled(SHEET_BRIGHTNESS));
    let mut pixels = Vec::with_capacity(LINES * strips::WIDTH * 3);
    for _ in 0..LINES {
        for x in 0..strips::WIDTH {
            let fan = strips::fan(x, strips::WIDTH);
            let mean = rig.mean(glow, SHEET_LEAK_SHARE, rig.height_m, fan);
            pixels.extend(rig.pixel(mean, &mut draw).map(|code| code as u8));
        }
    }
    Ok((
        FLAT.to_string(),
        pictures::png8(strips::WIDTH, LINES, &pixels)?,
    ))
}

/// Rows of the table of captures: the flat, and the patches of clay.
pub(super) fn captures(rig: &VirtualRig, night: &str) -> Vec<String> {
    let tail = format!("{EXPOSURE},{},{night}", rig.height_m);
    let flat = format!("flat,,{FLAT},0,0,{},{LINES},,,,,,,,,{tail}", strips::WIDTH);
    let mut draw = Draw::new(SEED, "demo clay", 0);
    let clay = (0..PATCHES).map(|patch| {
        let own = emission(CLAY, 0.3 * draw.normal(), 1.0).scaled(DIMMEST * STEP.powi(patch));
        let share = 0.33 + 0.02 * draw.normal();
        let mean = rig.mean(rig.glow(&own), share, rig.height_m, 1.0);
        let cells = codes(rig, mean, 0.05, &mut draw);
        format!("ground,clay,,,,,,{cells},,{tail}")
    });
    std::iter::once(flat).chain(clay).collect()
}
