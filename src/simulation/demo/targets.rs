//! The invented reference targets and their captures.

use super::glows::{COUNT, FIRST_NM, STEP_NM, emission};
use super::{SEED, pictures, surfaces, table};
use crate::Result;
use crate::signal::LinearSignal;
use crate::simulation::{Draw, VirtualRig};

/// Name, brightness, bands (peak in nm, standard deviation in nm, height).
type Target = (&'static str, f64, &'static [(f64, f64, f64)]);

/// Fluorescent tiles of broad emission; no such product exists.
const TARGETS: [Target; 12] = [
    ("sea glass", 2.2, &[(505.0, 22.0, 1.0)]),
    ("moss", 2.0, &[(520.0, 30.0, 1.0)]),
    ("pea", 1.9, &[(535.0, 38.0, 1.0)]),
    ("lime", 2.3, &[(548.0, 30.0, 1.0)]),
    ("straw", 2.1, &[(562.0, 45.0, 1.0)]),
    ("honey", 2.0, &[(578.0, 32.0, 1.0)]),
    ("apricot", 1.7, &[(592.0, 48.0, 1.0)]),
    ("brick", 1.8, &[(608.0, 34.0, 1.0)]),
    ("rust", 1.5, &[(622.0, 42.0, 1.0)]),
    ("sand", 1.6, &[(500.0, 40.0, 0.6), (600.0, 40.0, 0.6)]),
    ("fern", 1.4, &[(530.0, 60.0, 1.0)]),
    ("mint", 1.8, &[(490.0, 30.0, 1.0), (560.0, 60.0, 0.5)]),
];

/// Side of a target's square on the board and of the gap between them, in pixels.
const TILE: usize = 44;
const GAP: usize = 8;
const MARGIN: usize = 6;
const PER_ROW: usize = 4;

const HEADER: &str = "kind,target,image,x,y,width,height,r,g,b,r_sd,g_sd,b_sd,pixels,\
                      relative_exposure,exposure_s,gain_db,height_m,night";
pub(super) const EXPOSURE: &str = "0.008,18";

/// What a night does to the rig.
struct Night {
    file: &'static str,
    night: &'static str,
    /// Laser power relative to the calibration.
    power: f64,
    /// Factor on each channel: a filter that ages, a white balance that moves.
    channels: [f64; 3],
}

const NIGHTS: [Night; 4] = [
    Night {
        file: "targets/night-2031-05-09.csv",
        night: "2031-05-09",
        power: 1.0,
        channels: [1.0; 3],
    },
    Night {
        file: "targets/night-2031-07-30.csv",
        night: "2031-07-30",
        power: 0.99,
        channels: [1.0; 3],
    },
    Night {
        file: "targets/night-2031-09-19.csv",
        night: "2031-09-19",
        power: 0.82,
        channels: [1.0; 3],
    },
    Night {
        file: "targets/night-2031-10-17.csv",
        night: "2031-10-17",
        power: 0.97,
        channels: [1.0, 1.06, 0.86],
    },
];

/// Reference spectra, captures of the calibration, captures of later nights.
pub(super) fn files(rig: &VirtualRig) -> Result<Vec<(String, Vec<u8>)>> {
    let mut files = vec![reference()];
    let board = board(rig)?;
    files.push(captures(rig, &board.corners));
    files.push(("targets/board.png".to_string(), board.png));
    files.push(surfaces::flat(rig)?);
    files.extend(NIGHTS.iter().map(|night| later(rig, night)));
    Ok(files)
}

fn reference() -> (String, Vec<u8>) {
    let header = TARGETS.iter().fold("wavelength_nm".to_string(), |text, t| {
        format!("{text},{}", t.0)
    });
    let curves: Vec<_> = TARGETS
        .iter()
        .map(|(_, brightness, bands)| emission(bands, 0.0, 1.0).scaled(*brightness))
        .collect();
    let rows = (0..COUNT).map(|i| {
        let nm = FIRST_NM + STEP_NM * i as f64;
        curves.iter().fold(format!("{nm}"), |text, curve| {
            format!("{text},{:.5}", curve.values()[i])
        })
    });
    table("targets/reference.csv", &header, rows)
}

/// Signal of a target, a share of full scale at irradiance 1, as its tile really is: within a
/// percent of its reference.
fn signal(rig: &VirtualRig, index: usize) -> [f64; 3] {
    let (_, brightness, bands) = TARGETS[index];
    let mut tile = Draw::new(SEED, "demo tile", index as u64);
    let shift = 0.4 * tile.normal();
    let bright = brightness * tile.factor(0.02);
    rig.glow(&emission(bands, shift, 1.0).scaled(bright))
}

/// How the tile sends laser light back, as a share of the white target.
fn leak_share(index: usize) -> f64 {
    0.75 + 0.06 * Draw::new(SEED, "demo tile leak", index as u64).normal()
}

/// A picture of all targets and the corners of the boxes in their middles.
struct Board {
    png: Vec<u8>,
    corners: Vec<(usize, usize)>,
}

fn board(rig: &VirtualRig) -> Result<Board> {
    let rows = TARGETS.len().div_ceil(PER_ROW);
    let pitch = TILE + GAP;
    let (width, height) = (PER_ROW * pitch + GAP, rows * pitch + GAP);
    let mut draw = Draw::new(SEED, "demo board", 0);
    let means: Vec<LinearSignal> = (0..TARGETS.len())
        .map(|i| rig.mean(signal(rig, i), leak_share(i), rig.height_m, 1.0))
        .collect();
    let empty = rig.mean([0.002; 3], 0.1, rig.height_m, 1.0);
    let mut codes = Vec::with_capacity(width * height * 3);
    for y in 0..height {
        for x in 0..width {
            let (column, row) = (x / pitch, y / pitch);
            let inside = x % pitch >= GAP && y % pitch >= GAP;
            let target = row * PER_ROW + column;
            let mean = match means.get(target) {
                Some(mean) if inside && column < PER_ROW => *mean,
                _ => empty,
            };
            codes.extend(rig.pixel(mean, &mut draw).map(|code| code as u8));
        }
    }
    let corners = (0..TARGETS.len())
        .map(|i| {
            let corner = |at: usize| at * pitch + GAP + MARGIN;
            (corner(i % PER_ROW), corner(i / PER_ROW))
        })
        .collect();
    Ok(Board {
        png: pictures::png8(width, height, &codes)?,
        corners,
    })
}

/// The cells `r,g,b,r_sd,g_sd,b_sd,pixels` of a measured patch.
pub(super) fn codes(rig: &VirtualRig, mean: LinearSignal, texture: f64, draw: &mut Draw) -> String {
    let pixels = 300 + draw.index(900) as u64;
    let patch = rig.patch(mean, texture, pixels, draw);
    let [r, g, b] = patch.mean;
    let [r_sd, g_sd, b_sd] = patch.sd;
    format!("{r:.3},{g:.3},{b:.3},{r_sd:.3},{g_sd:.3},{b_sd:.3},{pixels}")
}

fn captures(rig: &VirtualRig, corners: &[(usize, usize)]) -> (String, Vec<u8>) {
    let mut draw = Draw::new(SEED, "demo captures", 0);
    let mut rows = Vec::new();
    let none = [0.0; 3];
    let night = super::sites::NIGHTS[0];
    for _ in 0..2 {
        let dark = codes(rig, LinearSignal(rig.black), 0.0, &mut draw);
        rows.push(format!("dark,,,,,,,{dark},,{EXPOSURE},,{night}"));
    }
    for height in [6.0, 6.0, 4.0] {
        let white = codes(rig, rig.mean(none, 1.0, height, 1.0), 0.01, &mut draw);
        rows.push(format!("white,,,,,,,{white},,{EXPOSURE},{height},{night}"));
    }
    let side = TILE - 2 * MARGIN;
    for (target, (x, y)) in TARGETS.iter().zip(corners) {
        rows.push(format!(
            "target,{},targets/board.png,{x},{y},{side},{side},,,,,,,,,{EXPOSURE},{},{night}",
            target.0, rig.height_m
        ));
    }
    for (index, height) in [
        (3, 4.0),
        (5, 4.0),
        (3, 9.0),
        (5, 9.0),
        (9, 9.0),
        (3, 12.0),
        (7, 12.0),
    ] {
        let mean = rig.mean(signal(rig, index), leak_share(index), height, 1.0);
        let cells = codes(rig, mean, 0.01, &mut draw);
        rows.push(format!(
            "target,{},,,,,,{cells},,{EXPOSURE},{height},{night}",
            TARGETS[index].0
        ));
    }
    // A lamp behind a diffuser, stopped down in steps; no laser, so no leak.
    let lamp = [0.86, 0.93, 0.74];
    for step in 0..11 {
        let exposure = 0.5_f64.powf(0.5 * f64::from(step));
        let mean = LinearSignal(std::array::from_fn(|c| rig.black[c] + lamp[c] * exposure));
        let cells = codes(rig, mean, 0.005, &mut draw);
        rows.push(format!(
            "step,,,,,,,{cells},{exposure:.5},{EXPOSURE},,{night}"
        ));
    }
    rows.extend(surfaces::captures(rig, night));
    table("targets/captures.csv", HEADER, rows)
}

/// Captures of some of the targets on a later night.
fn later(rig: &VirtualRig, night: &Night) -> (String, Vec<u8>) {
    let mut draw = Draw::new(SEED, night.file, 0);
    let mut rows = Vec::new();
    let dark = codes(rig, LinearSignal(rig.black), 0.0, &mut draw);
    rows.push(format!("dark,,,,,,,{dark},,{EXPOSURE},,{}", night.night));
    let through = |mean: LinearSignal| {
        LinearSignal(std::array::from_fn(|c| {
            rig.black[c] + (mean.0[c] - rig.black[c]) * night.channels[c]
        }))
    };
    let tail = format!("{EXPOSURE},{},{}", rig.height_m, night.night);
    let white = through(rig.mean([0.0; 3], 1.0, rig.height_m, night.power));
    let white = codes(rig, white, 0.01, &mut draw);
    rows.push(format!("white,,,,,,,{white},,{tail}"));
    for index in [0, 2, 3, 5, 7, 8, 9, 11] {
        let share = leak_share(index);
        let mean = through(rig.mean(signal(rig, index), share, rig.height_m, night.power));
        let cells = codes(rig, mean, 0.01, &mut draw);
        rows.push(format!("target,{},,,,,,{cells},,{tail}", TARGETS[index].0));
    }
    table(night.file, HEADER, rows)
}
