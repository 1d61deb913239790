use super::*;
use crate::numeric::Draw;

const DARK: f64 = 0.004;

/// Code values, not rounded, of a camera of sRGB with a dark level.
fn encoded_srgb(light: f64) -> f64 {
    255.0 * srgb::encode(DARK + 0.85 * light)
}

/// ... and of one with a shoulder, and a foot that is no power of light.
fn encoded_shoulder(light: f64) -> f64 {
    let bent = |x: f64| (1.0 + 40.0 * x).ln() / 41_f64.ln();
    12.0 + 225.0 * (0.7 * bent(light) + 0.3 * light)
}

/// Mean code of pixels that are noisy in light and rounded to 8 bits.
fn recorded(camera: fn(f64) -> f64, light: f64, draw: &mut Draw) -> f64 {
    let pixels = 600;
    let sum: f64 = (0..pixels)
        .map(|_| {
            let noise = (1e-4 * light + 3.6e-7).sqrt() * draw.normal();
            camera((light + noise).max(-0.004))
                .round()
                .clamp(0.0, 255.0)
        })
        .sum();
    sum / f64::from(pixels)
}

/// Eleven steps from full exposure to a thirty-second, and the dark.
fn series(camera: fn(f64) -> f64, draw: &mut Draw) -> Vec<Step> {
    let lit = (0..=10).map(|i| 0.5_f64.powf(f64::from(i) / 2.0));
    lit.chain([0.0])
        .map(|light| Step {
            relative_exposure: light,
            codes: CodeValues([recorded(camera, light, draw); 3]),
        })
        .collect()
}

/// Largest error over the lit steps as a share of the signal, and between the dark and the darkest
/// of them as a share of the brightest.
fn worst(camera: fn(f64) -> f64, curve: &MeasuredCurve) -> [f64; 2] {
    let error = |light: f64| curve.decode(camera(light) / 255.0) - light;
    let lit = (0..=200).map(|i| 32_f64.powf(f64::from(i) / 200.0 - 1.0) * 0.99);
    let dim = (0..=50).map(|i| f64::from(i) / 50.0 / 32.0);
    [
        lit.map(|l| (error(l) / l).abs()).fold(0.0, f64::max),
        dim.map(|l| error(l).abs()).fold(0.0, f64::max),
    ]
}

/// Within 1 % over the lit steps and 0.0008 of full scale between the dark and the darkest of them.
#[test]
fn a_known_curve_comes_back_from_noisy_8_bit_steps() {
    for (name, camera) in [
        ("sRGB", encoded_srgb as fn(f64) -> f64),
        ("shoulder", encoded_shoulder),
    ] {
        let (mut lit, mut dim) = (0.0_f64, 0.0_f64);
        for seed in 0..20 {
            let mut draw = Draw::new(seed, name, 0);
            let steps = series(camera, &mut draw);
            let response = MeasuredResponse::from_steps(&steps, BitDepth::EIGHT).unwrap();
            let [above, below] = worst(camera, &response.channels[0]);
            (lit, dim) = (lit.max(above), dim.max(below));
        }
        assert!(lit < 0.01 && dim < 0.0008, "{name}: {lit} {dim}");
    }
}

#[test]
fn the_noise_of_a_dark_picture_keeps_its_mean() {
    let mut draw = Draw::new(4, "dark", 0);
    let steps = series(encoded_srgb, &mut draw);
    let response = MeasuredResponse::from_steps(&steps, BitDepth::EIGHT).unwrap();
    let curve = &response.channels[0];
    let count = 20_000;
    let mean = (0..count)
        .map(|_| encoded_srgb(6e-4 * draw.normal()).round() / 255.0)
        .map(|code| curve.decode(code))
        .sum::<f64>()
        / f64::from(count);
    assert!(mean.abs() < 1e-4, "{mean}");
}

#[test]
fn a_measured_response_ends_with_its_steps() {
    let steps = series(encoded_srgb, &mut Draw::new(1, "ends", 0));
    let depth = BitDepth::EIGHT;
    let response = Response::Measured(Box::new(
        MeasuredResponse::from_steps(&steps, depth).unwrap(),
    ));
    let top = steps[0].codes.0[0];
    assert!(response.signal(CodeValues([top; 3]), depth).is_ok());
    // What is brighter is as bright as the brightest step at least, and counts as clipped.
    let read = |green: f64| {
        let codes = CodeValues([100.0, green, 100.0]);
        let capture = crate::signal::Capture::default();
        crate::signal::Reading::from_code_values(codes, None, None, &response, depth, capture)
            .unwrap()
    };
    assert_eq!(
        (read(top - 1.0).clipped, read(top + 2.0).clipped),
        (0.0, 1.0)
    );
    let green = |code: f64| read(code).signal.0[1];
    assert_eq!(green(top + 2.0), green(top + 1.0));
    // Without the dark nobody knows what is darker than the darkest step.
    let lit = &steps[..steps.len() - 1];
    let error = MeasuredResponse::from_steps(lit, depth).unwrap_err();
    let said = error.to_string();
    assert!(
        said.contains("darkest step has relative exposure 0.03125"),
        "{said}"
    );
    assert!(said.contains("lens capped"), "{said}");
}

fn all() -> Vec<Response> {
    let steps = series(encoded_shoulder, &mut Draw::new(2, "all", 0));
    let measured = MeasuredResponse::from_steps(&steps, BitDepth::EIGHT).unwrap();
    vec![
        Response::Srgb,
        Response::Bt709,
        Response::Linear,
        Response::Measured(Box::new(measured)),
    ]
}

#[test]
fn every_response_rises_and_its_table_equals_its_formula() {
    for response in all() {
        for depth in [BitDepth::EIGHT, BitDepth::SIXTEEN] {
            let table = &response.table(depth)[1];
            assert_eq!(table.len(), depth.codes());
            // The rounded constants of BT.709 leave a gap of codes that stand for one signal; above
            // its brightest step a measured curve stays.
            let stays = |i: usize| {
                let encoded = i as f64 / depth.largest();
                match response {
                    Response::Bt709 => (0.0809..0.0813).contains(&encoded),
                    _ => i as f64 + 1.0 > response.largest_code(1, depth),
                }
            };
            for (i, pair) in table.windows(2).enumerate() {
                let name = response.name();
                let rises = pair[1] > pair[0] || (stays(i) && pair[1] == pair[0]);
                assert!(rises, "{name}, code {i}: {pair:?}");
            }
            for code in (0..depth.codes()).step_by(depth.codes() / 64) {
                let code = code as f64;
                if code <= response.largest_code(1, depth) {
                    let one = response.signal(CodeValues([code; 3]), depth).unwrap();
                    assert_eq!(one.0[1], table[code as usize]);
                }
            }
        }
    }
}

#[test]
fn every_response_gives_back_the_codes_it_was_given() {
    let depth = BitDepth::SIXTEEN;
    for response in all() {
        let dark = match &response {
            Response::Measured(m) => m.channels[0].first_code() * depth.largest(),
            _ => 0.0,
        };
        for i in 0..=100 {
            let code = dark + (response.largest_code(0, depth) - dark) * f64::from(i) / 100.0;
            let signal = response.signal(CodeValues([code; 3]), depth).unwrap();
            let back = response.codes(signal, depth).0[0];
            // The branches of sRGB's rounded constants meet to 1e-7 only.
            assert!(
                (back - code).abs() < 0.01,
                "{}: {code} {back}",
                response.name()
            );
        }
    }
}
