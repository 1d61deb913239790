//! Simulated rigs with a camera's measured sensitivities, and what they record of known glows.

use boneglow::colorimetry::{Observer, Weights};
use boneglow::files::Table;
use boneglow::season::{IrradianceLaw, Season};
use boneglow::signal::{BitDepth, Capture, CodeValues, Reading, Response};
use boneglow::simulation::{Draw, Noise, VirtualRig};
use boneglow::spectra::{Filter, Sensitivities, Spectrum};
use std::fmt::Write;
use std::path::Path;

pub const DARK: [f64; 3] = [0.004; 3];
const GRID: (f64, f64, usize) = (380.0, 5.0, 81);

/// One rig with its targets, and the folder of its season.
pub struct Simulated {
    pub virtual_rig: VirtualRig,
    /// White balance: factors on the camera's channels.
    #[allow(dead_code)]
    pub balance: [f64; 3],
    /// Emission of the targets as it is.
    pub targets: Vec<Spectrum>,
    pub folder: tempfile::TempDir,
    pub season: Season,
}

/// What is no longer as it was when the rig was calibrated.
#[derive(Debug, Clone)]
pub struct Changed {
    /// Factors on the channels, after the lens.
    pub channels: [f64; 3],
    /// The laser's power, or the exposure.
    pub power: f64,
    /// How far the filter's edge moved to the red.
    pub edge_nm: f64,
    /// Factors on the channels of the leak.
    pub leak: [f64; 3],
    /// Factors on the channels of each target's glow; 1 for those beyond the last.
    pub targets: Vec<[f64; 3]>,
}

impl Default for Changed {
    fn default() -> Self {
        Changed {
            channels: [1.0; 3],
            power: 1.0,
            edge_nm: 0.0,
            leak: [1.0; 3],
            targets: Vec::new(),
        }
    }
}

/// A camera's sensitivities as measured (Darrodi et al. 2015), 380 to 780 nm.
pub fn measured_camera() -> Sensitivities {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/published/data/camera_a_sensitivity_5nm.csv");
    Sensitivities::read(&path).unwrap()
}

fn filter() -> Filter {
    let curve = Spectrum::sampled(400.0, 2.0, 151, |nm| {
        0.95 / (1.0 + (-(nm - 480.0) / 4.0).exp())
    });
    Filter::new(curve).unwrap()
}

pub fn bands(bands: &[(f64, f64, f64)]) -> Spectrum {
    Spectrum::sampled(GRID.0, GRID.1, GRID.2, |nm| {
        bands
            .iter()
            .map(|(peak, width, height)| {
                height * (-4.0 * 2_f64.ln() * ((nm - peak) / width).powi(2)).exp()
            })
            .sum()
    })
}

/// Emission of a tile: one band somewhere between blue-green and red, at times with a second.
fn tile(index: usize, of: usize, draw: &mut Draw) -> Spectrum {
    let peak = 465.0 + 185.0 * index as f64 / (of - 1) as f64 + draw.between(-8.0, 8.0);
    let mut all = vec![(peak, draw.between(40.0, 110.0), 1.0)];
    if draw.uniform() < 0.4 {
        let second = draw.between(450.0, 650.0);
        all.push((second, draw.between(60.0, 140.0), draw.between(0.1, 0.7)));
    }
    bands(&all)
}

/// The kinds of glow in the field, by the place and width of their bands.
#[allow(dead_code)]
pub const KINDS: [&str; 5] = [
    "blue, broad",
    "orange, broad",
    "green, narrow",
    "red, on green",
    "green, broad",
];

/// Emission of something in the field: the kinds of a survey, each of its own spread.
pub fn glow(draw: &mut Draw) -> Spectrum {
    glow_and_kind(draw).1
}

/// As [`glow`], with the kind that it is.
pub fn glow_and_kind(draw: &mut Draw) -> (usize, Spectrum) {
    let mut near = |mean: f64, sd: f64| mean + sd * draw.normal();
    let (peak, width, second) = (near(0.0, 1.0), near(0.0, 1.0), near(0.0, 1.0));
    let kind = draw.index(KINDS.len());
    let glow = match kind {
        0 => bands(&[
            (465.0 + 10.0 * peak, 120.0 + 10.0 * width, 1.0),
            (560.0 + 15.0 * second, 140.0, draw.between(0.1, 0.4)),
        ]),
        1 => bands(&[
            (610.0 + 8.0 * peak, 75.0 + 8.0 * width, 1.0),
            (520.0, 120.0, draw.between(0.0, 0.15)),
        ]),
        2 => bands(&[
            (520.0 + 8.0 * peak, 40.0 + 6.0 * width, 1.0),
            (545.0, 60.0, draw.between(0.0, 0.3)),
        ]),
        3 => bands(&[
            (650.0 + 15.0 * peak, 70.0 + 10.0 * width, 1.0),
            (530.0, 130.0, draw.between(0.02, 0.3)),
        ]),
        _ => bands(&[(540.0 + 20.0 * peak, 110.0 + 15.0 * width, 1.0)]),
    };
    (kind, glow)
}

/// u', v' of what passes the filter.
pub fn truth(rig: &VirtualRig, glow: &Spectrum) -> [f64; 2] {
    let weights = Weights::through(Observer::Cie1931, &rig.filter, glow.wavelengths());
    let uv = weights.xyz(glow.values()).unwrap().uv().unwrap();
    [uv.u, uv.v]
}

/// Luminance, in one unit for all, of a glow whose strongest channel is `level` of full scale.
pub fn luminance(rig: &VirtualRig, glow: &Spectrum, level: f64) -> f64 {
    let weights = Weights::through(Observer::Cie1931, &rig.filter, glow.wavelengths());
    let strongest = rig.glow(glow).iter().copied().fold(0.0, f64::max);
    weights.xyz(glow.values()).unwrap().y * level / strongest
}

/// Net signal of a glow whose strongest channel is `level` of full scale.
pub fn signal(rig: &VirtualRig, glow: &Spectrum, level: f64) -> [f64; 3] {
    let signal = rig.glow(glow);
    let strongest = signal.iter().copied().fold(0.0, f64::max);
    signal.map(|s| s * level / strongest)
}

impl Simulated {
    /// Invents a rig: its white balance, its targets, their captures. `curves` puts the camera's
    /// sensitivities into the season beside the filter.
    pub fn new(seed: u64, targets: usize, curves: bool) -> Self {
        let mut draw = Draw::new(seed, "simulated rig", 0);
        let [r, g, b] = measured_camera().channels().clone();
        let balance = [draw.between(0.7, 1.4), draw.between(0.7, 1.4)];
        let virtual_rig = VirtualRig {
            sensitivities: Sensitivities::new([r.scaled(balance[0]), g, b.scaled(balance[1])]),
            filter: filter(),
            gain: 1.0,
            black: DARK,
            leak: [0.0006, 0.001, 0.004],
            irradiance: IrradianceLaw::Fan,
            height_m: 6.0,
            noise: [Noise {
                full_scale_electrons: 10_000.0,
                read_electrons: 6.0,
            }; 3],
            response: Response::Srgb,
            depth: BitDepth::EIGHT,
        };
        let tiles: Vec<Spectrum> = (0..targets).map(|i| tile(i, targets, &mut draw)).collect();
        let folder = tempfile::tempdir().unwrap();
        let write =
            |name: &str, text: String| std::fs::write(folder.path().join(name), text).unwrap();
        let sensitivities = if curves {
            "sensitivities = \"camera.csv\"\n"
        } else {
            ""
        };
        write(
            "season.toml",
            format!(
                "name = \"simulated\"\n[rig]\nname = \"simulated\"\nfilter_cut_on_nm = 480\nfilter = \
                 \"filter.csv\"\n{sensitivities}[calibration]\nreference = \"reference.csv\"\ncaptures = \
                 \"captures.csv\"\n[ledger]\nfiles = [\"ledger.csv\"]\npositive = [\"bone\"]\n"
            ),
        );
        write(
            "filter.csv",
            curve_table("wavelength_nm,transmission", &[filter().curve().clone()]),
        );
        write(
            "camera.csv",
            curve_table("wavelength_nm,r,g,b", &measured_camera().channels()[..]),
        );
        let names: Vec<String> = (0..targets).map(|i| format!("tile {i}")).collect();
        write(
            "reference.csv",
            curve_table(&format!("wavelength_nm,{}", names.join(",")), &tiles),
        );
        let mut made = Simulated {
            virtual_rig,
            balance: [balance[0], 1.0, balance[1]],
            targets: tiles,
            season: Season::read(folder.path()).unwrap(),
            folder,
        };
        let text = made.night(seed, 0, [1.0; 3], 1.0);
        std::fs::write(made.folder.path().join("captures.csv"), text).unwrap();
        made.season = Season::read(made.folder.path()).unwrap();
        made
    }

    /// Captures of dark, white and all targets on some night: factors on the channels, and the
    /// laser's power.
    pub fn night(&self, seed: u64, night: u64, channels: [f64; 3], power: f64) -> String {
        let changed = Changed {
            channels,
            power,
            ..Changed::default()
        };
        self.changed_night(seed, night, &changed)
    }

    /// ... on which the rig was no longer what was calibrated.
    pub fn changed_night(&self, seed: u64, night: u64, changed: &Changed) -> String {
        let mut rig = self.virtual_rig.clone();
        rig.filter = rig.filter.shifted(changed.edge_nm);
        rig.leak = std::array::from_fn(|c| rig.leak[c] * changed.leak[c]);
        let levels = Self::levels(seed, self.targets.len());
        let mut draw = Draw::new(seed, "night", night);
        let mut text =
            String::from("kind,target,r,g,b,r_sd,g_sd,b_sd,pixels,height_m,exposure_s\n");
        let mut row = |kind: &str, target: &str, glow: [f64; 3], share: f64, light: f64| {
            let mut mean = rig.mean(glow, share, 6.0, light);
            for (c, channel) in changed.channels.iter().enumerate() {
                mean.0[c] = rig.black[c] + (mean.0[c] - rig.black[c]) * channel;
            }
            let patch = rig.patch(mean, 0.01, 600, &mut draw);
            let [r, g, b] = patch.mean;
            let [r_sd, g_sd, b_sd] = patch.sd;
            writeln!(
                text,
                "{kind},{target},{r:.4},{g:.4},{b:.4},{r_sd:.4},{g_sd:.4},{b_sd:.4},{},6,0.01",
                patch.pixels
            )
            .unwrap();
        };
        for _ in 0..2 {
            row("dark", "", [0.0; 3], 0.0, 0.0);
            row("white", "", [0.0; 3], 1.0, changed.power);
        }
        for (i, tile) in self.targets.iter().enumerate() {
            let (level, share) = levels[i];
            // The tile's brightness is that of the calibration, seen through the filter as it is.
            let strongest = self.virtual_rig.glow(tile).into_iter().fold(0.0, f64::max);
            let own = changed.targets.get(i).copied().unwrap_or([1.0; 3]);
            let seen = rig.glow(tile);
            let glow = std::array::from_fn(|c| own[c] * seen[c] * level / strongest);
            row("target", &format!("tile {i}"), glow, share, changed.power);
        }
        text
    }

    /// Of each target, the signal of its strongest channel and its share of the white's leak.
    pub fn levels(seed: u64, targets: usize) -> Vec<(f64, f64)> {
        let mut tiles = Draw::new(seed, "tiles", 0);
        let mut one = || {
            (
                tiles.between(0.08, 0.8),
                (0.75 + 0.1 * tiles.normal()).clamp(0.2, 1.0),
            )
        };
        (0..targets).map(|_| one()).collect()
    }

    /// A reading of ground that glows so, of so many pixels.
    pub fn reading(&self, glow: &Spectrum, level: f64, pixels: u64, draw: &mut Draw) -> Reading {
        let rig = &self.virtual_rig;
        let share = (0.35 + 0.12 * draw.normal()).clamp(0.02, 1.0);
        let mean = rig.mean(signal(rig, glow, level), share, 6.0, 1.0);
        let patch = rig.patch(mean, 0.05, pixels, draw);
        let capture = Capture {
            exposure_s: Some(0.01),
            height_m: Some(6.0),
            ..Capture::default()
        };
        Reading::from_code_values(
            CodeValues(patch.mean),
            Some(patch.sd),
            Some(pixels),
            &rig.response,
            rig.depth,
            capture,
        )
        .unwrap()
    }
}

fn curve_table(header: &str, curves: &[Spectrum]) -> String {
    let mut text = format!("{header}\n");
    for (i, nm) in curves[0].wavelengths().iter().enumerate() {
        write!(text, "{nm}").unwrap();
        for curve in curves {
            write!(text, ",{:.6}", curve.values()[i]).unwrap();
        }
        text.push('\n');
    }
    // Reads as it was meant.
    Table::from_bytes("curves.csv", text.as_bytes()).unwrap();
    text
}
