//! Noise and clipping of 8-bit captures whose truth is known.

use crate::field::quantile;
use crate::simulated::Simulated;
use boneglow::calibration::{Role, calibrate};
use boneglow::signal::{BitDepth, Capture, CodeValues, Picture, Reading, Region, Response};

/// The mean-variance fit on captures of 600 pixels, dark, white and ten targets, in 8-bit sRGB
/// with a surface that is rough by 1 %: the simulated sensor has 10 000 electrons at full scale and
/// reads with 6.
#[test]
fn read_noise_and_gain_of_8_bit_captures_come_back() {
    let (mut gains, mut reads) = (Vec::new(), Vec::new());
    for seed in 0..8 {
        let noise = calibrate(&Simulated::new(seed, 10, false).season)
            .unwrap()
            .noise;
        assert!(noise.measured);
        gains.extend(noise.gain.map(|g| g / 1e-4));
        reads.extend(noise.read_sd.map(|r| r / 6e-4));
    }
    let told = |name: &str, values: &[f64]| {
        let found = [0.0, 0.5, 1.0].map(|q| quantile(values, q));
        println!(
            "{name} over the true one: least {:.3}, median {:.3}, most {:.3}",
            found[0], found[1], found[2]
        );
        found
    };
    let gain = told("gain", &gains);
    let read = told("read noise", &reads);
    assert!((gain[1] - 1.0).abs() < 0.05 && (read[1] - 1.0).abs() < 0.05);
    // Roughness and gain are told apart by few bright captures.
    assert!(gain[0] > 0.7 && gain[2] < 1.3, "{gain:?}");
    assert!(read[0] > 0.9 && read[2] < 1.1, "{read:?}");
}

#[test]
fn clipped_pixels_of_a_box_are_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("box.png");
    // One channel of every tenth pixel is at the top; 254 is not.
    image::RgbImage::from_fn(20, 20, |x, y| match (x + y) % 10 {
        0 => image::Rgb([90, 255, 80]),
        1 => image::Rgb([254, 120, 80]),
        _ => image::Rgb([90, 120, 80]),
    })
    .save(&path)
    .unwrap();
    let picture = Picture::read(&path).unwrap();
    let region = Region {
        x: 0,
        y: 0,
        width: 20,
        height: 20,
    };
    let reading = Reading::from_region(
        &picture,
        region,
        &Response::Srgb,
        BitDepth::EIGHT,
        Capture::default(),
    )
    .unwrap();
    assert_eq!(reading.clipped, 0.1);
    // They are left out of the mean: all others have the same green.
    let green = Response::Srgb
        .signal(CodeValues([120.0; 3]), BitDepth::EIGHT)
        .unwrap()
        .0[1];
    assert!((reading.signal.0[1] / green - 1.0).abs() < 1e-12);
    assert_eq!(reading.pixels, Some(360));
    // Half of the pixels is too many to go by the rest; a tenth is not.
    let rig = calibrate(&Simulated::new(3, 10, false).season).unwrap();
    let found = rig.measure(&reading, Role::Ground);
    assert!(found.color.is_some() && !found.is_clipped() && found.clipped == 0.1);
    let many = Reading {
        clipped: 0.5,
        ..reading.clone()
    };
    let found = rig.measure(&many, Role::Ground);
    assert!(found.color.is_none() && !found.too_faint && found.is_clipped());
    // By mean and deviation it is the share of a normal distribution above the largest code.
    let by_mean = |mean: f64| {
        let codes = CodeValues([120.0, mean, 80.0]);
        let sd = Some([2.0; 3]);
        let capture = Capture::default();
        Reading::from_code_values(codes, sd, None, &Response::Srgb, BitDepth::EIGHT, capture)
            .unwrap()
            .clipped
    };
    assert!((by_mean(254.5) - 0.5).abs() < 1e-9);
    assert!((by_mean(252.5) - 0.158655).abs() < 1e-5);
    assert!(by_mean(200.0) < 1e-100);
}

#[test]
fn captures_with_clipped_pixels_stay_out_of_the_noise() {
    let made = Simulated::new(3, 10, false);
    let before = calibrate(&made.season).unwrap();
    let path = made.folder.path().join("captures.csv");
    let text = std::fs::read_to_string(&path).unwrap();
    let mut lines = text.lines();
    let header = lines.next().unwrap();
    let old: String = lines.map(|line| format!("{line},\n")).collect();
    // None, 0.6 % and 16 % of the red pixels are at the top.
    let steps = "step,,240,80,80,1,1,1,600,6,0.01,0.9\nstep,,252,90,90,1,1,1,600,6,0.01,0.95\nstep,,253.5,\
                 91,91,1,1,1,600,6,0.01,1\n";
    let text = format!("{header},relative_exposure\n{old}{steps}");
    std::fs::write(&path, text).unwrap();
    let after = calibrate(&made.season).unwrap();
    // The first step counts.
    assert_eq!(after.noise_points.len(), before.noise_points.len() + 3);
    let left_out = after
        .warnings
        .iter()
        .any(|w| w.contains("saturated (15.9 % of its pixels) and was left out"));
    assert!(left_out, "{:?}", after.warnings);
}
