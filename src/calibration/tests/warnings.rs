//! What a calibration says of captures that are usable and not as they should be.

use super::*;

/// What is said of whites with these net codes, all at one height, or at these.
fn said_of_whites(whites: &[([f64; 3], f64)], dark: bool) -> Vec<String> {
    let mut tables = Tables::new();
    let rows: Vec<String> = whites
        .iter()
        .map(|(net, height)| {
            let light = 6.0 / height;
            let [r, g, b] = net.map(|n| 5.0 + n * light);
            format!("white,,{r:.4},{g:.4},{b:.4},1,1,1,1000,{height},")
        })
        .collect();
    tables.captures = tables
        .captures
        .replace("white,,5.5,5.6,7,1,1,1,400,6,", &rows.join("\n"));
    let rig = match dark {
        true => tables.rig(),
        false => tables.without("dark,").rig(),
    };
    let of_whites = |w: &String| w.contains("white balance moved") || w.contains("exposure was");
    rig.warnings.into_iter().filter(of_whites).collect()
}

const WHITE: [f64; 3] = [2.0, 3.0, 14.0];

#[test]
fn the_channel_that_moved_between_whites_is_named_and_no_other() {
    let times = |factors: [f64; 3]| [0, 1, 2].map(|c| WHITE[c] * factors[c]);
    for (moved, factors) in [
        (vec!["blue"], [1.0, 1.0, 1.15]),
        (vec!["blue"], [1.0, 1.0, 1.3]),
        (vec!["green"], [1.0, 1.25, 1.0]),
        (vec!["red"], [0.7, 1.0, 1.0]),
        (vec!["red", "blue"], [1.35, 1.0, 0.9]),
        // Another exposure on top hides nothing.
        (vec!["blue"], [1.5, 1.5, 1.8]),
    ] {
        for others in [1, 2, 4] {
            let mut whites = vec![(WHITE, 6.0); others];
            whites.push((times(factors), 6.0));
            let said = said_of_whites(&whites, true);
            let of_balance: Vec<&String> = said
                .iter()
                .filter(|w| w.contains("white balance"))
                .collect();
            assert_eq!(of_balance.len(), moved.len(), "{factors:?}: {said:?}");
            for (warning, name) in of_balance.iter().zip(&moved) {
                let line = format!("in line {} the {name} channel", 3 + others);
                assert!(warning.contains(&line), "{line}: {warning}");
            }
            let exposure = said.len() - of_balance.len();
            assert_eq!(exposure, usize::from(factors[1] == 1.5), "{said:?}");
        }
    }
}

#[test]
fn whites_that_agree_raise_no_word_at_any_height_with_or_without_a_dark() {
    let near = WHITE.map(|w| 1.004 * w);
    for whites in [
        vec![(WHITE, 6.0), (near, 6.0)],
        vec![(WHITE, 6.0), (near, 6.0), (WHITE, 4.0)],
        vec![(WHITE, 6.0), (WHITE, 3.0)],
    ] {
        for dark in [true, false] {
            assert_eq!(said_of_whites(&whites, dark), [""; 0], "{whites:?} {dark}");
        }
    }
}

#[test]
fn a_leak_above_a_twentieth_of_the_dimmest_target_is_told() {
    let share = |white: &str| {
        let mut tables = Tables::new();
        tables.captures = tables.captures.replace("white,,5.5,5.6,7", white);
        tables.rig()
    };
    let told = |rig: &Rig| rig.warnings.iter().any(|w| w.contains("leaks through"));
    let small = share("white,,5.5,5.6,7");
    assert!(small.leak.share_of_dimmest.unwrap() < 0.05 && !told(&small));
    let large = share("white,,5.5,5.6,17");
    let found = large.leak.share_of_dimmest.unwrap();
    assert!(
        found > 0.05 && told(&large),
        "{found}: {:?}",
        large.warnings
    );
}

#[test]
fn a_target_that_stands_alone_in_hue_and_channels_that_tell_little_are_told() {
    let said = |keep: &dyn Fn(usize, [f64; 3]) -> [f64; 3]| {
        let mut tables = Tables::new().without("white,");
        let mut lines: Vec<String> = tables.captures.lines().map(str::to_string).collect();
        let mut reference = vec!["target,x,y,Y".to_string()];
        for (i, signal) in SIGNALS.iter().enumerate() {
            let signal = keep(i, *signal);
            let [x, y, z] =
                CAMERA.map(|row| row.iter().zip(signal).map(|(a, b)| a * b).sum::<f64>());
            let sum = x + y + z;
            reference.push(format!("tile {i},{:.6},{:.6},{:.6}", x / sum, y / sum, y));
            let [r, g, b] = signal.map(|s| 5.0 + 240.0 * s);
            lines[2 + i] = format!("target,tile {i},{r:.4},{g:.4},{b:.4},1.1,1.1,1.1,400,6,");
        }
        tables.captures = lines.join("\n") + "\n";
        tables.reference = reference.join("\n") + "\n";
        tables
            .with_key("[calibration]", "max_error_uv = 0.5\nmapping = \"matrix\"")
            .rig()
    };
    let plain = said(&|_, s| s);
    let pulls = |rig: &Rig| -> Vec<String> {
        let told = rig
            .warnings
            .iter()
            .filter(|w| w.contains("The fit follows"));
        told.cloned().collect()
    };
    assert!(pulls(&plain).is_empty(), "{:?}", plain.warnings);
    // All of one red to green but the third, which alone has any blue to speak of.
    let alone = said(&|i, [r, g, _]| match i {
        3 => [0.05, 0.1, 0.8],
        _ => [r, g, 0.02 * (r + g)],
    });
    assert!(
        pulls(&alone).iter().any(|w| w.contains("tile 3")),
        "{:?}",
        alone.warnings
    );
    let conditioned = |rig: &Rig| rig.warnings.iter().any(|w| w.contains("condition number"));
    assert!(!conditioned(&plain));
    // A blue channel that sees what green sees, and a hundredth of its own.
    let alike = said(&|_, [r, g, b]| [r, g, 0.5 * g + 0.004 * b]);
    assert!(
        conditioned(&alike),
        "{:?} {:?}",
        alike.condition_number,
        alike.warnings
    );
}

#[test]
fn a_hue_whose_color_is_out_of_reach_at_full_scale_leaves_no_glow_bright_enough() {
    let mut rig = Tables::new().rig();
    assert!(rig.never_bright_enough().is_none());
    let limit = |rig: &Rig| {
        let capture = crate::signal::Capture::default();
        rig.pixel_transform(None, &capture).min_luminance.unwrap()
    };
    let mut partly = 0;
    for step in 0..80 {
        rig.detection.color_uv = 1e-5 * 1.1_f64.powi(step);
        rig.detection = rig.detection_limits();
        let out_of_reach = rig.detection.without_color.len();
        partly += usize::from(out_of_reach > 0 && out_of_reach < rig.targets.len());
        assert_eq!(rig.detection.color_limit.is_none(), out_of_reach > 0);
        assert_eq!(limit(&rig) == f64::INFINITY, out_of_reach > 0);
    }
    // Some hues are out of reach before others, and all are within it at last.
    assert!(partly > 0 && limit(&rig).is_finite(), "{:?}", rig.detection);
    let told = Tables::new()
        .with_key("[calibration]", "detection_uv = 0.0001")
        .rig()
        .warnings;
    assert!(
        told.iter().any(|w| w.contains("even at full scale")),
        "{told:?}"
    );
}

#[test]
fn a_dark_level_at_code_0_and_noise_below_a_code_are_told() {
    let said = |dark: &str| {
        let mut tables = Tables::new();
        tables.captures = tables.captures.replace("dark,,5,5,5,1,1,1", dark);
        tables.rig().warnings.join("\n")
    };
    let (near_zero, hidden) = ("so near code 0", "hide their noise");
    let plain = said("dark,,5,5,5,1,1,1");
    assert!(
        !plain.contains(near_zero) && !plain.contains(hidden),
        "{plain}"
    );
    let low = said("dark,,2,5,2.5,1,1,1");
    assert!(low.contains("so near code 0 in red and blue that"), "{low}");
    assert!(!low.contains(hidden), "{low}");
    let quiet = said("dark,,5,5,5,1,0.2,1");
    assert!(quiet.contains("of a code in green ("), "{quiet}");
    assert!(!quiet.contains(near_zero), "{quiet}");
    // Nothing but zeros is cut off, whatever is known of its noise.
    assert!(said("dark,,0,5,5,,,").contains("so near code 0 in red that"));
}
