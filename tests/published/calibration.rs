//! Calibration against figures from outside the project.

use crate::{cases, data, table};
use boneglow::calibration::{critical_level, detection_limit};
use boneglow::colorimetry::{Observer, Xyz, ciede2000, tristimulus};
use boneglow::numeric::least_squares::linear;
use boneglow::signal::{BitDepth, CodeValues, LinearSignal, Response, bt709, srgb};
use boneglow::spectra::{Filter, Sensitivities, Spectrum, read_spectra};
use nalgebra::Matrix3;
use serde_json::Value;

fn entry<'a>(expected: &'a [Value], name: &str) -> &'a Value {
    let found = expected.iter().find(|e| e["name"] == name);
    found.unwrap_or_else(|| panic!("no entry {name}"))
}

fn close(id: &str, entry: &Value, found: f64) {
    let reference = entry["reference"].as_f64().unwrap();
    let tolerance = entry["abs_tol"].as_f64().unwrap();
    assert!(
        (found - reference).abs() <= tolerance,
        "{id} {}: {found}, reference {reference}",
        entry["name"]
    );
}

/// One camera's measured sensitivities (Darrodi et al. 2015, J. Opt. Soc. Am. A 32:381) on 24
/// patches under D65: the least-squares matrix, its color differences, and what it makes of eleven
/// light sources.
#[test]
fn least_squares_on_24_patches_gives_the_matrix_and_errors_of_independent_software() {
    let patches = table("camera_a_patches.csv");
    let cells = |names: [&str; 3]| -> Vec<Vec<f64>> {
        let of =
            |row: boneglow::files::Row<'_>| names.iter().map(|n| row.number(n).unwrap()).collect();
        patches.rows().map(of).collect()
    };
    let (signals, colors) = (cells(["r", "g", "b"]), cells(["X", "Y", "Z"]));
    let matrix: Vec<Vec<f64>> = (0..3)
        .map(|k| {
            let values: Vec<f64> = colors.iter().map(|c| c[k]).collect();
            linear(&signals, &values).unwrap().coefficients
        })
        .collect();
    let apply = |s: &[f64]| -> Vec<f64> {
        let dot = |row: &Vec<f64>| row.iter().zip(s).map(|(a, b)| a * b).sum();
        matrix.iter().map(dot).collect()
    };
    let all = cases("camera_a_reference.json");
    let (id, _, expected) = &all[0];
    for (i, row) in matrix.iter().enumerate() {
        for (j, found) in row.iter().enumerate() {
            close(id, entry(expected, &format!("m{}{}", i + 1, j + 1)), *found);
        }
    }
    let of = |name| entry(expected, name)["reference"].as_f64().unwrap();
    let white = Xyz::new(of("white_X"), of("white_Y"), of("white_Z"));
    let differences: Vec<f64> = signals
        .iter()
        .zip(&colors)
        .map(|(s, c)| {
            let fitted = apply(s);
            let lab = |v: &[f64]| Xyz::new(v[0], v[1], v[2]).lab(white);
            ciede2000(lab(c), lab(&fitted))
        })
        .collect();
    let mean = differences.iter().sum::<f64>() / differences.len() as f64;
    let largest = differences.iter().copied().fold(0.0, f64::max);
    close(id, entry(expected, "mean_dE00"), mean);
    close(id, entry(expected, "max_dE00"), largest);
    let mut sorted = differences.clone();
    sorted.sort_by(f64::total_cmp);
    let median = 0.5 * (sorted[11] + sorted[12]);
    close(id, entry(expected, "median_dE00"), median);
    let mut sources = 0;
    for (id, inputs, expected) in &all[1..] {
        let rgb: Vec<f64> = inputs["rgb"]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_f64().unwrap())
            .collect();
        let fitted = apply(&rgb);
        let xyz = Xyz::new(fitted[0], fitted[1], fitted[2]);
        let xy = xyz.xy().unwrap();
        close(id, entry(expected, "x_from_matrix"), xy.x);
        close(id, entry(expected, "y_from_matrix"), xy.y);
        let truth = |name| entry(expected, name)["reference"].as_f64().unwrap();
        let truth = boneglow::colorimetry::Xy {
            x: truth("x_true"),
            y: truth("y_true"),
        };
        let apart = truth.uv().unwrap().distance(xyz.uv().unwrap());
        close(id, entry(expected, "delta_u_prime_v_prime"), apart);
        sources += 1;
    }
    assert_eq!(sources, 11);
}

/// How far the figures of camera a may be from the reference.
struct Tolerance {
    /// Relative, of the 24 signals, and of those of the eleven sources.
    signals: [f64; 2],
    matrix: f64,
    de00: f64,
    /// x, y by the matrix, and their distance from the true ones in u'v'.
    colors: [f64; 2],
}

/// All of camera a from the spectra themselves, channel by channel of `seen`.
fn camera_a_from_spectra(seen: impl Fn(&Spectrum) -> [f64; 3], tolerance: &Tolerance) {
    let near = |id: &str, found: f64, expected: f64, allowed: f64| {
        let off = (found - expected).abs();
        assert!(
            off <= allowed,
            "{id}: {found}, reference {expected}, off by {off}"
        );
    };
    let lights = read_spectra(&data("illuminant_spd_5nm.csv")).unwrap();
    let light = |name: &str| &lights.iter().find(|l| l.name == name).unwrap().spectrum;
    let daylight = light("D65");
    let [_, unit, _] = seen(daylight);
    let full = tristimulus(daylight, Observer::Cie1931).y;
    let reflectances = read_spectra(&data("target_a_reflectance_5nm.csv")).unwrap();
    let patches = table("camera_a_patches.csv");
    let (mut signals, mut colors) = (Vec::new(), Vec::new());
    for (row, patch) in patches.rows().zip(&reflectances) {
        let glow = Spectrum::sampled(380.0, 5.0, 81, |nm| {
            patch.spectrum.value_at(nm) * daylight.value_at(nm)
        });
        let signal = seen(&glow).map(|s| s / unit);
        let xyz = tristimulus(&glow, Observer::Cie1931).scaled(1.0 / full);
        for (i, name) in ["r", "g", "b"].into_iter().enumerate() {
            let expected = row.number(name).unwrap();
            near(
                &patch.name,
                signal[i],
                expected,
                tolerance.signals[0] * expected,
            );
        }
        for (i, name) in ["X", "Y", "Z"].into_iter().enumerate() {
            near(
                &patch.name,
                xyz.to_array()[i],
                row.number(name).unwrap(),
                1e-7,
            );
        }
        signals.push(signal.to_vec());
        colors.push(xyz.to_array().to_vec());
    }
    assert_eq!(signals.len(), 24);
    let matrix: Vec<Vec<f64>> = (0..3)
        .map(|k| {
            let values: Vec<f64> = colors.iter().map(|c| c[k]).collect();
            linear(&signals, &values).unwrap().coefficients
        })
        .collect();
    let apply = |signal: &[f64]| {
        let of = |row: &[f64]| row.iter().zip(signal).map(|(a, b)| a * b).sum::<f64>();
        Xyz::new(of(&matrix[0]), of(&matrix[1]), of(&matrix[2]))
    };
    let all = cases("camera_a_reference.json");
    let (id, _, expected) = &all[0];
    let of = |expected: &[Value], name: &str| entry(expected, name)["reference"].as_f64().unwrap();
    for (i, row) in matrix.iter().enumerate() {
        for (j, found) in row.iter().enumerate() {
            let name = format!("m{}{}", i + 1, j + 1);
            near(&name, *found, of(expected, &name), tolerance.matrix);
        }
    }
    let white = tristimulus(daylight, Observer::Cie1931).scaled(1.0 / full);
    let mut differences: Vec<f64> = signals
        .iter()
        .zip(&colors)
        .map(|(s, c)| ciede2000(Xyz::new(c[0], c[1], c[2]).lab(white), apply(s).lab(white)))
        .collect();
    differences.sort_by(f64::total_cmp);
    for (name, found) in [
        ("mean_dE00", differences.iter().sum::<f64>() / 24.0),
        ("median_dE00", 0.5 * (differences[11] + differences[12])),
        ("max_dE00", differences[23]),
    ] {
        near(
            &format!("{id} {name}"),
            found,
            of(expected, name),
            tolerance.de00,
        );
    }
    for (id, inputs, expected) in &all[1..] {
        let glow = light(inputs["spd"].as_str().unwrap());
        let signal = seen(glow);
        let signal = signal.map(|s| s / signal[1]);
        for (found, expected) in signal.iter().zip(inputs["rgb"].as_array().unwrap()) {
            near(id, *found, expected.as_f64().unwrap(), tolerance.signals[1]);
        }
        let truth = tristimulus(glow, Observer::Cie1931).xy().unwrap();
        near(id, truth.x, of(expected, "x_true"), 1e-6);
        near(id, truth.y, of(expected, "y_true"), 1e-6);
        let found = apply(&signal);
        let xy = found.xy().unwrap();
        near(id, xy.x, of(expected, "x_from_matrix"), tolerance.colors[0]);
        near(id, xy.y, of(expected, "y_from_matrix"), tolerance.colors[0]);
        let apart = found.uv().unwrap().distance(truth.uv().unwrap());
        near(
            id,
            apart,
            of(expected, "delta_u_prime_v_prime"),
            tolerance.colors[1],
        );
    }
    assert_eq!(all.len(), 12);
}

/// The reference's own way, a sum over every 5 nm: all its digits.
#[test]
fn sums_over_the_tables_samples_give_camera_a_to_the_digits_of_the_reference() {
    let camera = Sensitivities::read(&data("camera_a_sensitivity_5nm.csv")).unwrap();
    let seen = |glow: &Spectrum| {
        let mut sums = [0.0; 3];
        for (nm, value) in glow.wavelengths().iter().zip(glow.values()) {
            for (sum, sensitivity) in sums.iter_mut().zip(camera.at(*nm)) {
                *sum += sensitivity * value;
            }
        }
        sums
    };
    // The file's signals have 12 digits; the rest is as the reference states it.
    let digits = Tolerance {
        signals: [1e-9, 1e-9],
        matrix: 1e-7,
        de00: 1e-4,
        colors: [1e-6, 1e-6],
    };
    camera_a_from_spectra(seen, &digits);
}

/// The way that calibrations and simulations take: curves are straight between their samples, and the sum
/// runs at 1 nm.
///
/// Under a straight line a product of two curves that both bend is a little less or more than at the
/// samples. That is 0.24 % of a signal at most for the 24 patches, and 0.6 % of the blue one of the LED whose
/// violet line is two samples wide (LED-V1); the matrix, the color differences and the colors follow.
/// Tolerances are a third to a half above.
#[test]
fn the_programs_own_integration_gives_camera_a_as_far_as_five_nanometers_tell() {
    let camera = Sensitivities::read(&data("camera_a_sensitivity_5nm.csv")).unwrap();
    let between_samples = Tolerance {
        signals: [0.0035, 0.004],
        matrix: 0.004,
        de00: 0.015,
        colors: [0.0008, 0.0004],
    };
    camera_a_from_spectra(
        |glow| camera.response(&Filter::none(), glow),
        &between_samples,
    );
}

/// NIST Statistical Reference Datasets, linear least squares; certified to 15 digits.
///
/// Digits are lost with the condition of the columns. Filip's polynomial of tenth degree has one
/// of about 1e10 even after the columns are brought to one length, which leaves 7 digits of 16; in
/// Wampler5 the residuals are ten million times the coefficients, whose rounding leaves 6.
/// All others keep 9.
#[test]
fn certified_coefficients_come_back_to_nine_digits_and_in_two_sets_to_fewer() {
    let mut sets = 0;
    for (id, inputs, expected) in cases("strd_certified.json") {
        let (rows, values) = set_of(&id, &inputs);
        let fit = linear(&rows, &values).unwrap();
        let digits = match id.as_str() {
            "filip" => 1e-7,
            "wampler5" => 1e-6,
            _ => 1e-9,
        };
        let first = if inputs["model"] == "linear_no_intercept" {
            1
        } else {
            0
        };
        let near = |name: &str, found: f64, scale: f64| {
            let certified = entry(&expected, name)["reference"].as_f64().unwrap();
            let allowed = digits * certified.abs().max(scale);
            assert!(
                (found - certified).abs() <= allowed,
                "{id} {name}: {found}, certified {certified}"
            );
        };
        let sd = fit.residual_sd.unwrap();
        let errors = fit.standard_errors.unwrap();
        for (i, b) in fit.coefficients.iter().enumerate() {
            near(&format!("b{}", i + first), *b, 0.0);
            // Where the certified standard error is 0, what there is is rounding of values up to
            // 3e6 and so some 1e-9.
            let rounding = if id.starts_with("wampler") { 10.0 } else { 0.0 };
            near(&format!("se_b{}", i + first), errors[i], rounding);
        }
        let rounding = if id.starts_with("wampler") { 10.0 } else { 0.0 };
        near("residual_sd", sd, rounding);
        let mean = match first {
            0 => values.iter().sum::<f64>() / values.len() as f64,
            _ => 0.0,
        };
        let total: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        let degrees = (rows.len() - rows[0].len()) as f64;
        near("r_squared", 1.0 - sd * sd * degrees / total, 1.0);
        sets += 1;
    }
    assert_eq!(sets, 8);
}

/// Design and values of a set.
fn set_of(id: &str, inputs: &Value) -> (Vec<Vec<f64>>, Vec<f64>) {
    let (mut rows, mut values) = (Vec::new(), Vec::new());
    if id == "longley" {
        for row in table("strd_longley.csv").rows() {
            let mut terms = vec![1.0];
            terms.extend((1..=6).map(|i| row.number(&format!("x{i}")).unwrap()));
            rows.push(terms);
            values.push(row.number("y").unwrap());
        }
    } else {
        for row in table("strd_data.csv").rows() {
            if row.text("dataset").unwrap() != id {
                continue;
            }
            let x = row.number("x").unwrap();
            let powers = match inputs["model"].as_str().unwrap() {
                "linear_no_intercept" => 1..=1,
                "linear" => 0..=1,
                "poly5" => 0..=5,
                _ => 0..=10,
            };
            rows.push(powers.map(|p| x.powi(p)).collect());
            values.push(row.number("y").unwrap());
        }
    }
    (rows, values)
}

/// Currie 1968, Anal. Chem. 40:586: his printed constants (from memory) and counts worked with
/// them. A known blank has the standard deviation of its counts, a paired one root 2 of that.
#[test]
fn critical_levels_and_detection_limits_are_curries() {
    let (mut checked, mut constant) = (0, 0);
    for (id, inputs, expected) in cases("detection_limits.json") {
        if let Some(sd) = inputs["sigma_of_net_signal_at_zero"].as_f64() {
            // A signal without noise of its own: 2 k sd.
            let limit = detection_limit(sd, 0.0, 0.95);
            close(
                &id,
                entry(&expected, "critical_level"),
                critical_level(sd, 0.95),
            );
            close(&id, entry(&expected, "detection_limit"), limit);
            constant += 1;
        }
        let Some(blank) = inputs["blank_counts"].as_f64() else {
            continue;
        };
        let sd = blank.sqrt();
        for (name, found) in [
            ("critical_level_known_blank", critical_level(sd, 0.95)),
            (
                "detection_limit_known_blank",
                detection_limit(sd, 1.0, 0.95),
            ),
            (
                "critical_level_paired",
                critical_level(sd * 2_f64.sqrt(), 0.95),
            ),
            (
                "detection_limit_paired",
                detection_limit(sd * 2_f64.sqrt(), 1.0, 0.95),
            ),
        ] {
            if let Some(e) = expected.iter().find(|e| e["name"] == name) {
                close(&id, e, found);
                checked += 1;
            }
        }
    }
    assert!(checked >= 8 && constant == 2, "{checked} {constant}");
    let k = boneglow::numeric::normal_quantile(0.95);
    let (_, _, constants) = &cases("detection_limits.json")[0];
    for (name, found) in [
        ("k", k),
        ("k_squared", k * k),
        ("two_k", 2.0 * k),
        ("k_root2", k * 2_f64.sqrt()),
        ("two_k_root2", 2.0 * k * 2_f64.sqrt()),
    ] {
        close("constants", entry(constants, name), found);
    }
}

/// IEC 61966-2-1:1999 and ITU-R BT.709-6, encoded and decoded values (from memory, recomputed with
/// independent software), by the calls that read pictures.
#[test]
fn code_values_and_linear_signal_follow_the_standards() {
    let (mut decoded, mut encoded) = (0, 0);
    for (id, inputs, expected) in cases("rgb_encoding.json") {
        let response = match id.split('_').next() {
            Some("srgb") => Response::Srgb,
            _ => Response::Bt709,
        };
        if let Some(code) = inputs["code8"].as_f64() {
            let found = response
                .signal(CodeValues([code; 3]), BitDepth::EIGHT)
                .unwrap();
            let reference = entry(&expected, "linear")["reference"].as_f64().unwrap();
            assert!((found.0[0] - reference).abs() < 1e-9, "{id}: {found:?}");
            decoded += 1;
        } else if let Some(linear) = inputs["linear"].as_f64() {
            let codes = response.codes(LinearSignal([linear; 3]), BitDepth::SIXTEEN);
            let reference = entry(&expected, "encoded")["reference"].as_f64().unwrap();
            let found = codes.0[1] / BitDepth::SIXTEEN.largest();
            assert!((found - reference).abs() < 1e-9, "{id}: {found}");
            encoded += 1;
            if let Some(branch) = expected.iter().find(|e| e["name"] == "linear_branch_value") {
                // The straight line's end, which stands for the break as the gap above it does.
                let found = bt709::decode(branch["reference"].as_f64().unwrap());
                assert!((found - linear).abs() < 1e-12, "{found}");
            }
        }
    }
    assert!(decoded >= 7 && encoded >= 14, "{decoded} {encoded}");
}

/// IEC 61966-2-1:1999 (from memory; equal in independent software): primaries and white of the
/// matrix, the constants of the curve on both sides of its break, the inverse matrix.
#[test]
fn srgb_has_the_primaries_the_white_the_curve_and_the_inverse_of_its_standard() {
    let all = cases("rgb_encoding.json");
    let of_case = |id: &str| &all.iter().find(|c| c.0 == id).unwrap().2;
    let constants = of_case("srgb_constants");
    let column = |j: usize| Xyz::new(srgb::TO_XYZ[0][j], srgb::TO_XYZ[1][j], srgb::TO_XYZ[2][j]);
    let [x, y, z] = srgb::WHITE_XYZ;
    for (name, light) in [
        ("red", column(0)),
        ("green", column(1)),
        ("blue", column(2)),
        ("white", Xyz::new(x, y, z)),
    ] {
        let xy = light.xy().unwrap();
        close("srgb", entry(constants, &format!("{name}_x")), xy.x);
        close("srgb", entry(constants, &format!("{name}_y")), xy.y);
    }
    let of = |name| entry(constants, name)["reference"].as_f64().unwrap();
    let (slope, offset, exponent) = (of("linear_slope"), of("offset"), of("exponent"));
    let bent = |code: f64| ((code + offset) / (1.0 + offset)).powf(exponent);
    let threshold = of("decode_threshold");
    for code in [threshold, 0.5 * threshold] {
        assert!((srgb::decode(code) - code / slope).abs() < 1e-15);
    }
    for code in [threshold + 1e-9, 0.3, 0.9] {
        assert!((srgb::decode(code) - bent(code)).abs() < 1e-15);
    }
    let threshold = of("encode_threshold");
    assert!((srgb::encode(threshold) - slope * threshold).abs() < 1e-15);
    let above = threshold + 1e-9;
    let bent = (1.0 + offset) * above.powf(1.0 / exponent) - offset;
    assert!((srgb::encode(above) - bent).abs() < 1e-15);
    let matrix = Matrix3::from_fn(|i, j| srgb::TO_XYZ[i][j]);
    let inverse = matrix.try_inverse().unwrap();
    for i in 0..3 {
        for j in 0..3 {
            let name = format!("m{}{}", i + 1, j + 1);
            let expected = entry(of_case("srgb_matrix_xyz_to_rgb"), &name);
            close("srgb, inverse", expected, inverse[(i, j)]);
        }
    }
}
