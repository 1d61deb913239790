use super::*;
use crate::signal::{BitDepth, Response};
use crate::simulation::Draw;
use crate::simulation::Noise;
use crate::spectra::Sensitivities;
use crate::spectra::{Filter, NamedSpectrum};

fn bell(peak: f64, sd: f64) -> Spectrum {
    Spectrum::sampled(400.0, 5.0, 61, |nm| {
        (-0.5 * ((nm - peak) / sd).powi(2)).exp()
    })
}

fn plan() -> ComparisonPlan {
    ComparisonPlan {
        sensitivities: Sensitivities::new([
            bell(600.0, 35.0),
            bell(540.0, 35.0),
            bell(465.0, 28.0),
        ]),
        noise: [Noise {
            full_scale_electrons: 20_000.0,
            read_electrons: 8.0,
        }; 3],
        black: [0.004; 3],
        response: Response::Linear,
        depth: BitDepth::new(16).unwrap(),
        brightest_signal: 0.5,
        pixels: 100,
        leak_share: 0.35,
        leak_share_sd: 0.0,
        positive: vec!["bone".to_string()],
    }
}

fn option(name: &str, glows: &[(&str, f64, f64)]) -> RigOption {
    RigOption {
        name: name.to_string(),
        laser_nm: 450.0,
        filter: Filter::long_pass(480.0),
        irradiance: 1.0,
        laser_over_glow: 0.0,
        spectra: glows
            .iter()
            .map(|(name, peak, height)| NamedSpectrum {
                name: name.to_string(),
                spectrum: bell(*peak, 35.0).scaled(*height),
            })
            .collect(),
    }
}

const GLOWS: [(&str, f64, f64); 3] = [
    ("bone", 545.0, 1.0),
    ("calcite", 610.0, 1.5),
    ("lichen", 555.0, 0.4),
];

#[test]
fn the_exposure_puts_the_brightest_class_where_it_was_asked() {
    let found = compare_rigs(&plan(), &[option("a", &GLOWS)]).unwrap();
    let classes = &found.options[0].classes;
    let strongest = classes.iter().flat_map(|c| c.signal).fold(0.0, f64::max);
    assert!((strongest - 0.5).abs() < 1e-12);
    let calcite = &classes[1];
    assert!((calcite.codes[0] - 65_535.0 * (calcite.signal[0] + 0.004)).abs() < 1e-6);
    assert!(!calcite.clipped);
}

#[test]
fn stated_covariance_is_that_of_simulated_patches() {
    let plan = plan();
    let option = option("a", &GLOWS);
    let found = compare_rigs(&plan, std::slice::from_ref(&option)).unwrap();
    let lichen = &found.options[0].classes[2];
    let rig = VirtualRig {
        sensitivities: plan.sensitivities.clone(),
        filter: option.filter.clone(),
        gain: exposure(&plan, std::slice::from_ref(&option)).unwrap(),
        black: plan.black,
        leak: [0.0; 3],
        irradiance: IrradianceLaw::None,
        height_m: 1.0,
        noise: plan.noise,
        response: plan.response.clone(),
        depth: plan.depth,
    };
    let glows = emitted(&option);
    let mapping = Mapping::fit(&rig, glows.iter().map(|(_, glow)| glow));
    let mean = rig.mean(rig.glow(&glows[2].1), 0.0, 1.0, 1.0);
    let mut draw = Draw::new(11, "covariance of patches", 0);
    let hues: Vec<Chromaticity> = (0..3000)
        .map(|_| {
            let patch = rig.patch(mean, 0.0, plan.pixels, &mut draw).mean;
            let net = std::array::from_fn(|c| patch[c] / 65_535.0 - rig.black[c]);
            mapping.uv(net).unwrap()
        })
        .collect();
    let simulated = scatter(&hues);
    let stated = lichen.covariance.unwrap();
    for (i, row) in stated.iter().enumerate() {
        // Four standard errors of a variance from 3000 patches.
        assert!((row[i] / simulated[(i, i)] - 1.0).abs() < 0.105);
    }
    let correlation = |m: [[f64; 2]; 2]| m[0][1] / (m[0][0] * m[1][1]).sqrt();
    let simulated = [
        [simulated[(0, 0)], simulated[(0, 1)]],
        [simulated[(1, 0)], simulated[(1, 1)]],
    ];
    assert!((correlation(stated) - correlation(simulated)).abs() < 0.07);
}

#[test]
fn the_mapping_states_about_the_true_color() {
    let found = compare_rigs(&plan(), &[option("a", &GLOWS)]).unwrap();
    for class in &found.options[0].classes {
        let (stated, truth) = (class.uv.unwrap(), class.true_uv.unwrap());
        assert!((stated[0] - truth[0]).hypot(stated[1] - truth[1]) < 0.01);
    }
}

#[test]
fn more_light_separates_and_a_leak_blurs() {
    let mut plan = plan();
    plan.leak_share_sd = 0.12;
    let plain = option("plain", &GLOWS);
    let bright = RigOption {
        name: "bright".to_string(),
        irradiance: 1.9,
        ..plain.clone()
    };
    let leaky = RigOption {
        name: "leaky".to_string(),
        filter: Filter::new(Spectrum::sampled(400.0, 5.0, 61, |nm| {
            if nm < 480.0 { 1e-3 } else { 1.0 }
        }))
        .unwrap(),
        laser_over_glow: 200.0,
        ..plain.clone()
    };
    let found = compare_rigs(&plan, &[plain, bright, leaky]).unwrap();
    let order: Vec<&str> = found.options.iter().map(|o| o.option.as_str()).collect();
    assert_eq!(order, ["bright", "plain", "leaky"]);
    let [bright, plain, leaky] = [0, 1, 2].map(|i| found.options[i].weakest.unwrap());
    assert!(
        bright > plain * 1.2 && leaky < 0.8 * plain,
        "{plain} {bright} {leaky}"
    );
    assert_eq!(found.best.as_deref(), Some("bright"));
    assert!(found.options[2].leak_over_dimmest.unwrap() > 0.1);
}

#[test]
fn the_next_option_is_really_worse_only_if_it_stays_behind() {
    let mut plan = plan();
    plan.leak_share_sd = 0.12;
    // Single pixels of a dim glow, so that no area is nearly 1.
    (plan.pixels, plan.brightest_signal) = (1, 0.02);
    let options = |light: f64, leak: f64| {
        let plain = option("plain", &[("bone", 545.0, 1.0), ("lichen", 555.0, 0.6)]);
        let other = RigOption {
            name: "other".to_string(),
            irradiance: light,
            laser_over_glow: leak,
            filter: Filter::new(Spectrum::sampled(400.0, 5.0, 61, |nm| {
                if nm < 480.0 { 1e-3 } else { 1.0 }
            }))
            .unwrap(),
            ..plain.clone()
        };
        [plain, other]
    };
    let judged = |light, leak| {
        let found = compare_rigs(&plan, &options(light, leak)).unwrap();
        found.runner_up.unwrap()
    };
    let worse = judged(0.3, 0.0);
    assert_eq!(worse.option, "other");
    assert!(worse.really_worse && worse.ahead.is_empty(), "{worse:?}");
    let alike = judged(0.99, 0.0);
    assert!(
        !alike.really_worse && alike.ideal_auc_behind < 0.01,
        "{alike:?}"
    );
    // With more light but a leak: somewhere it is ahead only while the leak is as even as supposed.
    let mut leaks = (0..60).map(|power| judged(1.2, 10.0 * 1.15_f64.powi(power)));
    let shaky = leaks.find(|next| next.option == "plain" && !next.ahead.is_empty());
    assert!(!shaky.unwrap().really_worse);
}

#[test]
fn scatter_among_samples_of_a_class_counts() {
    let samples = [
        ("bone:1", 541.0, 1.0),
        ("bone:2", 545.0, 1.0),
        ("bone:3", 549.0, 1.0),
        ("lichen", 555.0, 0.4),
    ];
    let one = [("bone", 545.0, 1.0), ("lichen", 555.0, 0.4)];
    let options = [option("scattered", &samples), option("alone", &one)];
    let found = compare_rigs(&plan(), &options).unwrap();
    assert_eq!(found.options[0].option, "alone");
    assert_eq!(found.options[1].classes[0].samples, 3);
    assert!(found.options[1].weakest < found.options[0].weakest);
}

#[test]
fn a_class_that_no_filter_passes_has_no_hue_and_no_distance() {
    let mut blue = option("deep", &[("bone", 545.0, 1.0), ("blue", 410.0, 1.0)]);
    blue.spectra[1].spectrum = Spectrum::sampled(400.0, 5.0, 5, |_| 1.0);
    let found = compare_rigs(&plan(), &[blue]).unwrap();
    let option = &found.options[0];
    assert_eq!(option.classes[1].uv, None);
    assert_eq!(option.weakest, None);
    let text = String::from_utf8(found.separations_csv()).unwrap();
    assert!(text.ends_with("bone,blue,,,\n"), "{text}");
}

#[test]
fn tables_hold_a_row_for_each_class_and_each_pair() {
    let found = compare_rigs(&plan(), &[option("a, b", &GLOWS)]).unwrap();
    let predictions = String::from_utf8(found.predictions_csv()).unwrap();
    let columns = predictions.lines().next().unwrap().split(',').count();
    assert_eq!(predictions.lines().count(), 4);
    let line = predictions.lines().nth(1).unwrap();
    assert!(line.starts_with("\"a, b\",450,bone,1,"), "{line}");
    assert_eq!(line.split(',').count(), columns + 1);
    let separations = String::from_utf8(found.separations_csv()).unwrap();
    assert_eq!(separations.lines().count(), 3);
}

#[test]
fn comparisons_that_make_no_sense_are_refused() {
    let complaint = |plan: &ComparisonPlan, options: &[RigOption]| {
        compare_rigs(plan, options).unwrap_err().to_string()
    };
    let mut plan = plan();
    plan.positive = vec!["bones".to_string()];
    let text = complaint(&plan, &[option("a", &GLOWS)]);
    assert!(text.contains("did you mean \"bone\""), "{text}");
    plan.positive = vec!["bone".to_string()];
    let text = complaint(&plan, &[option("a", &GLOWS), option("b", &GLOWS[..2])]);
    assert!(text.contains("the same classes"), "{text}");
    let text = complaint(&plan, &[option("a", &GLOWS[..1])]);
    assert!(text.contains("one other"), "{text}");
    let mut dark = option("a", &GLOWS);
    dark.laser_nm = 700.0;
    let text = complaint(&plan, &[dark]);
    assert!(text.contains("no light"), "{text}");
    plan.brightest_signal = 0.0;
    let text = complaint(&plan, &[option("a", &GLOWS)]);
    assert!(text.contains("above 0 to 1"), "{text}");
}
