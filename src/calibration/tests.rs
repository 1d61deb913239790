//! Calibrations of an invented linear camera: right ones, and every way to get one wrong.

use super::*;
use crate::season::Season;
use std::fmt::Write;
use std::path::Path;

/// XYZ of red, green, blue signal.
const CAMERA: [[f64; 3]; 3] = [[0.5, 0.3, 0.2], [0.25, 0.7, 0.05], [0.02, 0.1, 0.9]];

const SIGNALS: [[f64; 3]; 8] = [
    [0.70, 0.20, 0.10],
    [0.40, 0.60, 0.10],
    [0.15, 0.70, 0.20],
    [0.10, 0.50, 0.50],
    [0.30, 0.30, 0.40],
    [0.60, 0.50, 0.20],
    [0.50, 0.15, 0.30],
    [0.25, 0.45, 0.12],
];

mod warnings;

const HEADER: &str = "kind,target,r,g,b,r_sd,g_sd,b_sd,pixels,height_m,relative_exposure";

/// A season whose tables a test can spoil before it is read.
struct Tables {
    season: String,
    reference: String,
    captures: String,
    folder: tempfile::TempDir,
}

impl Tables {
    fn new() -> Self {
        let mut reference = String::from("target,x,y,Y\n");
        let mut captures =
            format!("{HEADER}\ndark,,5,5,5,1,1,1,400,6,\nwhite,,5.5,5.6,7,1,1,1,400,6,\n");
        for (i, signal) in SIGNALS.iter().enumerate() {
            let [x, y, z] =
                CAMERA.map(|row| row.iter().zip(signal).map(|(a, b)| a * b).sum::<f64>());
            let sum = x + y + z;
            writeln!(reference, "tile {i},{:.6},{:.6},{:.6}", x / sum, y / sum, y).unwrap();
            // The white's 0.5, 0.6 and 2 codes, of which a target sends back three quarters.
            let [r, g, b] = [0.375, 0.45, 1.5];
            let code = |c: usize, leak: f64| 5.0 + leak + 240.0 * signal[c];
            writeln!(
                captures,
                "target,tile {i},{:.4},{:.4},{:.4},1.1,1.1,1.1,400,6,",
                code(0, r),
                code(1, g),
                code(2, b)
            )
            .unwrap();
        }
        Tables {
            season:
                "name = \"made up\"\n[rig]\nname = \"made up\"\nfilter_cut_on_nm = 480\nresponse = \
                     \"linear\"\n[calibration]\nreference = \"reference.csv\"\ncaptures = \
                     \"captures.csv\"\n[ledger]\nfiles = [\"ledger.csv\"]\npositive = [\"bone\"]\n"
                    .to_string(),
            reference,
            captures,
            folder: tempfile::tempdir().unwrap(),
        }
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.folder.path().join(name), text).unwrap();
    }

    fn season(&self) -> Season {
        self.write("season.toml", &self.season);
        self.write("reference.csv", &self.reference);
        self.write("captures.csv", &self.captures);
        Season::read(self.folder.path()).unwrap()
    }

    fn rig(&self) -> Rig {
        calibrate(&self.season()).unwrap()
    }

    fn complaint(&self) -> String {
        calibrate(&self.season()).unwrap_err().to_string()
    }

    fn without(mut self, line: &str) -> Self {
        let kept = self.captures.lines().filter(|l| !l.contains(line));
        self.captures = kept.map(|l| format!("{l}\n")).collect();
        self
    }

    /// Reference as spectra: Gaussians of these peaks, from 440 nm on.
    fn with_spectra(mut self, last_nm: usize) -> Self {
        let peaks = [500.0, 520.0, 540.0, 560.0, 580.0, 600.0, 620.0, 640.0];
        self.reference = "wavelength_nm".to_string();
        for i in 0..peaks.len() {
            write!(self.reference, ",tile {i}").unwrap();
        }
        self.reference.push('\n');
        for nm in (440..=last_nm).step_by(5) {
            write!(self.reference, "{nm}").unwrap();
            for peak in peaks {
                let away = (nm as f64 - peak) / 40.0;
                write!(self.reference, ",{:.5}", (-0.5 * away * away).exp()).unwrap();
            }
            self.reference.push('\n');
        }
        self
    }

    fn with_key(mut self, section: &str, key: &str) -> Self {
        self.season = self.season.replace(section, &format!("{section}\n{key}"));
        self
    }
}

#[test]
fn a_linear_camera_without_noise_is_calibrated_exactly() {
    let rig = Tables::new().rig();
    let errors = rig.errors.unwrap();
    assert!(errors.cross_validated_max_uv < 2e-5, "{errors:?}");
    assert!(rig.passed && rig.calibrated);
    assert_eq!(rig.mapping.kind, MappingKind::Matrix);
    // Luminances agree with the stated ones, though each target's scale was free.
    assert!(rig.luminance.lack_of_fit < 1e-3, "{:?}", rig.luminance);
    let brightest = rig
        .targets
        .iter()
        .map(|t| t.log_luminance)
        .fold(f64::MIN, f64::max);
    // The third, whose stated Y is 0.5375: its unit is that of all luminances.
    assert!((brightest - 0.5375_f64.log10()).abs() < 1e-3, "{brightest}");
    assert!((rig.leak.signal[2] - 2.0 / 255.0).abs() < 1e-9);
}

/// A table of x, y, Y with its Y multiplied.
fn with_luminance(mut tables: Tables, factor: impl Fn(usize) -> f64) -> Tables {
    let lines = tables.reference.lines().enumerate().map(|(i, line)| {
        let (before, y) = line.rsplit_once(',').unwrap();
        match y.parse::<f64>() {
            Ok(y) => format!("{before},{}\n", factor(i - 1) * y),
            Err(_) => format!("{line}\n"),
        }
    });
    tables.reference = lines.collect();
    tables
}

#[test]
fn stated_luminances_set_the_scale_and_one_that_does_not_fit_is_named() {
    let plain = Tables::new().rig();
    let hundred = with_luminance(Tables::new(), |_| 100.0).rig();
    let ratio = hundred.luminance.scale / plain.luminance.scale;
    assert!((ratio / 100.0 - 1.0).abs() < 1e-9, "{ratio}");
    assert_eq!(
        (plain.luminance.target, plain.luminance.stated_targets),
        (None, 8)
    );
    // Relative to a named target, the unit does not matter and all targets with a Y still count.
    let named = |factor: f64| {
        let tables = Tables::new().with_key("[calibration]", "luminance_target = \"tile 2\"");
        with_luminance(tables, |_| factor).rig()
    };
    let (one, other) = (named(1.0), named(100.0));
    assert!((one.luminance.scale / other.luminance.scale - 1.0).abs() < 1e-9);
    assert!(one.targets[2].log_luminance.abs() < 1e-3);
    assert_eq!(one.luminance.target.as_deref(), Some("tile 2"));
    // One slip by a factor of two is named, and the others are not.
    let slip = with_luminance(Tables::new(), |i| if i == 4 { 2.0 } else { 1.0 }).rig();
    let told = |rig: &Rig| -> Vec<String> {
        let of = rig.warnings.iter().filter(|w| w.contains("its stated Y"));
        of.cloned().collect()
    };
    assert!(told(&hundred).is_empty(), "{:?}", hundred.warnings);
    assert_eq!(told(&slip).len(), 1, "{:?}", slip.warnings);
    assert!(
        told(&slip)[0].contains("The target tile 4 is 0.50 times"),
        "{:?}",
        told(&slip)
    );
}

#[test]
fn light_ten_times_dimmer_or_brighter_has_the_same_chromaticity() {
    for mapping in ["matrix", "root-polynomial"] {
        let mut tables =
            Tables::new().with_key("[calibration]", &format!("mapping = \"{mapping}\""));
        if mapping == "root-polynomial" {
            for (i, signal) in [[0.2, 0.2, 0.2], [0.3, 0.2, 0.6]].iter().enumerate() {
                let [x, y, z] =
                    CAMERA.map(|row| row.iter().zip(signal).map(|(a, b)| a * b).sum::<f64>());
                let sum = x + y + z;
                writeln!(tables.reference, "more {i},{:.6},{:.6},", x / sum, y / sum).unwrap();
                let code = signal.map(|s| 5.0 + 240.0 * s);
                writeln!(
                    tables.captures,
                    "target,more {i},{},{},{},1,1,1,400,6,",
                    code[0] + 0.375,
                    code[1] + 0.45,
                    code[2] + 1.5
                )
                .unwrap();
            }
        }
        let rig = tables.rig();
        assert_eq!(rig.mapping.kind.name(), mapping);
        for signal in SIGNALS {
            let uv = |scale: f64| {
                let [u, v, _] =
                    super::mapping::color_of(rig.mapping.xyz(signal.map(|s| s * scale))).unwrap();
                [u, v]
            };
            let at = uv(1.0);
            for scale in [0.1, 0.3, 2.0, 10.0] {
                let [u, v] = uv(scale);
                assert!((u - at[0]).abs() < 1e-9 && (v - at[1]).abs() < 1e-9);
            }
        }
    }
}

#[test]
fn a_target_twice_as_high_glows_half_as_bright_and_is_the_same_target() {
    let mut tables = Tables::new();
    let [r, g, b] = SIGNALS[1].map(|s| 5.0 + 240.0 * s / 2.0);
    writeln!(
        tables.captures,
        "target,tile 1,{},{},{},1,1,1,400,12,",
        r + 0.1875,
        g + 0.225,
        b + 0.75
    )
    .unwrap();
    let rig = tables.rig();
    assert_eq!(rig.targets[1].captures, 2);
    assert!((rig.targets[1].net_signal[1] - 240.0 / 255.0 * 0.6).abs() < 1e-6);
    assert!(!rig.warnings.iter().any(|w| w.contains("brightness")));
    let tables = tables.with_key("[calibration]", "irradiance = \"none\"");
    let warned = tables.rig().warnings;
    assert!(
        warned.iter().any(|w| w.contains("differ in brightness")),
        "{warned:?}"
    );
}

#[test]
fn too_few_targets_are_refused_with_the_number_that_is_needed() {
    let mut tables = Tables::new();
    for i in 4..8 {
        tables = tables.without(&format!("tile {i}"));
        tables.reference = tables
            .reference
            .lines()
            .filter(|l| !l.contains(&format!("tile {i}")))
            .map(|l| format!("{l}\n"))
            .collect();
    }
    let text = tables.complaint();
    assert!(
        text.contains("found 4 targets, expected at least 5"),
        "{text}"
    );
    let text = Tables::new()
        .with_key("[calibration]", "mapping = \"root-polynomial\"")
        .complaint();
    assert!(text.contains("expected at least 10"), "{text}");
}

#[test]
fn targets_and_captures_must_belong_together() {
    let text = Tables::new().without("tile 3,").complaint();
    assert!(
        text.contains("\"tile 3\" of the reference has no capture"),
        "{text}"
    );
    let mut tables = Tables::new();
    tables.captures = tables.captures.replace("tile 5", "tiles 5");
    let text = tables.complaint();
    assert!(
        text.contains("captures.csv, line 9, column \"target\""),
        "{text}"
    );
    assert!(text.contains("did you mean \"tile 5\""), "{text}");
}

#[test]
fn targets_of_one_hue_are_refused() {
    let mut tables = Tables::new();
    tables.reference = "target,x,y\n".to_string();
    for i in 0..8 {
        writeln!(tables.reference, "tile {i},{},0.4", 0.35 + 0.001 * i as f64).unwrap();
    }
    assert!(tables.complaint().contains("all targets are of one hue"));
}

#[test]
fn a_saturated_capture_is_refused_or_left_out() {
    let mut tables = Tables::new();
    let line = tables
        .captures
        .lines()
        .find(|l| l.contains("tile 2"))
        .unwrap()
        .to_string();
    let bright = "target,tile 2,60,254.9,90,1,1,1,400,6,";
    let both = tables.captures.replace(&line, &format!("{line}\n{bright}"));
    tables.captures = tables.captures.replace(&line, bright);
    let text = tables.complaint();
    assert!(
        text.contains("line 6") && text.contains("tile 2 is saturated"),
        "{text}"
    );
    tables.captures = both;
    let warned = tables.rig().warnings;
    assert!(
        warned.iter().any(|w| w.contains("was left out")),
        "{warned:?}"
    );
}

#[test]
fn without_a_dark_capture_the_dark_level_is_zero_and_uncertain() {
    let rig = Tables::new().without("dark,").rig();
    assert_eq!(rig.black.signal, [0.0; 3]);
    // As high as the dimmest signal, the white's, if it must be: a rectangular distribution.
    assert!((rig.black.sd[0] - 5.5 / 255.0 / 3_f64.sqrt()).abs() < 1e-9);
    assert!(rig.warnings.iter().any(|w| w.contains("no dark capture")));
    let known = Tables::new().rig();
    assert!(rig.targets[3].repeatability[0][0] > 10.0 * known.targets[3].repeatability[0][0]);
}

#[test]
fn without_a_white_target_the_leak_is_unknown_and_said_to_be() {
    let rig = Tables::new().without("white,").rig();
    assert_eq!(rig.leak.signal, [0.0; 3]);
    assert!(rig.white.is_none());
    assert!(rig.warnings.iter().any(|w| w.contains("white target")));
}

#[test]
fn steps_that_fall_are_refused_and_steps_off_the_response_are_told() {
    let steps = |gamma: f64, fall: bool| {
        let mut tables = Tables::new();
        for i in 1..=8 {
            let exposure = i as f64 / 8.0;
            let mut code = 5.0 + 240.0 * exposure.powf(gamma);
            if fall && i == 5 {
                code = 20.0;
            }
            writeln!(
                tables.captures,
                "step,,{code},{code},{code},1,1,1,400,,{exposure}"
            )
            .unwrap();
        }
        tables
    };
    let text = steps(1.0, true).complaint();
    assert!(
        text.contains("not monotone") && text.contains("captures.csv"),
        "{text}"
    );
    let right = steps(1.0, false).rig();
    assert!(
        !right.warnings.iter().any(|w| w.contains("step series")),
        "{:?}",
        right.warnings
    );
    assert_eq!(right.steps.len(), 8);
    let wrong = steps(0.6, false).rig();
    assert!(wrong.warnings.iter().any(|w| w.contains("step series")));
}

#[test]
fn one_target_twice_with_different_values_is_refused() {
    let mut tables = Tables::new();
    tables.reference.push_str("tile 4,0.20,0.40,\n");
    let text = tables.complaint();
    assert!(text.contains("reference.csv, line 10"), "{text}");
    assert!(text.contains("already stands in line 6"), "{text}");
    let mut tables = Tables::new();
    tables
        .captures
        .push_str("target,tile 4,200,40,40,1,1,1,400,6,\n");
    let text = tables.complaint();
    assert!(text.contains("captures of \"tile 4\" disagree"), "{text}");
}

#[test]
fn curves_that_cannot_be_are_refused_by_file_and_line() {
    let text = Tables::new().with_spectra(640).complaint();
    assert!(
        text.contains("reference.csv") && text.contains("stops at 640 nm"),
        "{text}"
    );
    let tables = Tables::new()
        .with_spectra(760)
        .with_key("[rig]", "filter = \"filter.csv\"");
    tables.write(
        "filter.csv",
        "wavelength_nm,transmission\n470,0\n480,50\n490,95\n",
    );
    let text = tables.complaint();
    assert!(
        text.contains("filter.csv, line 3") && text.contains("per cent"),
        "{text}"
    );
    let tables = Tables::new()
        .with_spectra(760)
        .with_key("[rig]", "sensitivities = \"camera.csv\"");
    tables.write(
        "camera.csv",
        "wavelength_nm,r,g,b\n400,0,0,0\n410,1,-0.3,1\n420,0,1,0\n430,0,0,0\n",
    );
    let text = tables.complaint();
    assert!(
        text.contains("camera.csv, line 3") && text.contains("-0.3"),
        "{text}"
    );
    let text = Tables::new()
        .with_key("[calibration]", "chromaticity = \"through-filter\"")
        .complaint();
    assert!(text.contains("cannot be filtered afterwards"), "{text}");
}

#[test]
fn an_unknown_kind_of_capture_names_the_nearest_known() {
    let mut tables = Tables::new();
    tables.captures = tables.captures.replacen("white,", "whites,", 1);
    let text = tables.complaint();
    assert!(
        text.contains("line 3") && text.contains("did you mean \"white\""),
        "{text}"
    );
}

#[test]
fn a_blue_channel_that_carries_nothing_is_found_and_left_out() {
    let mut tables = Tables::new().without("white,");
    let lines: Vec<String> = tables
        .captures
        .lines()
        .map(|line| {
            let mut cells: Vec<&str> = line.split(',').collect();
            if cells[0] == "target" {
                cells[4] = "5.02";
            }
            cells.join(",") + "\n"
        })
        .collect();
    tables.captures = lines.concat();
    let tables = tables.with_key("[calibration]", "max_error_uv = 0.5");
    let rig = tables.rig();
    assert_eq!(rig.mapping.channels, [true, true, false]);
    assert!(rig.mapping.coefficients.iter().all(|row| row[2] == 0.0));
    assert!(
        rig.warnings
            .iter()
            .any(|w| w.contains("blue channel carries nothing"))
    );
}

fn refused(season: &Season, rig: &Rig, path: &Path) -> String {
    drift(season, rig, &[path.to_path_buf()])
        .unwrap_err()
        .to_string()
}

#[test]
fn captures_of_another_rig_are_not_compared() {
    let tables = Tables::new();
    let season = tables.season();
    let rig = calibrate(&season).unwrap();
    let path = season.resolve("captures.csv");
    let same = drift(&season, &rig, std::slice::from_ref(&path)).unwrap();
    assert!(!same.drifted() && !same.brightness_changed(), "{same:?}");
    let mut other = rig.clone();
    other.rig = "another".to_string();
    assert!(refused(&season, &other, &path).contains("of another rig"));
    let mut fewer = rig.clone();
    fewer.targets.truncate(5);
    assert!(refused(&season, &fewer, &path).contains("has no target \"tile 5\""));
    let named: String = tables
        .captures
        .lines()
        .enumerate()
        .map(|(i, l)| format!("{l},{}\n", if i == 0 { "rig" } else { "another" }))
        .collect();
    tables.write("named.csv", &named);
    let text = refused(&season, &rig, &season.resolve("named.csv"));
    assert!(text.contains("of the rig \"another\""), "{text}");
    let assumed = Rig::assumed_srgb(&season.plan, rig.response.clone()).unwrap();
    assert!(refused(&season, &assumed, &path).contains("not calibrated"));
}
