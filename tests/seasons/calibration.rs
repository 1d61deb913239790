//! The calibration stage on seasons whose truth is known.

use crate::field::{Field, in_the_field, of_one, quantile};
use crate::simulated::{self, Changed, Simulated};
use boneglow::calibration::{Drift, Rig, Role, Stray, calibrate, drift};
use boneglow::colorimetry::Xyz;
use boneglow::season::{MappingChoice, Season};
use boneglow::signal::Reading;
use boneglow::simulation::Draw;
use std::path::Path;

fn demo() -> Season {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference-spectra-demo");
    Season::read(&folder).unwrap()
}

#[test]
fn the_demo_rig_passes_its_own_limit_and_comes_back_from_its_file() {
    let rig = calibrate(&demo()).unwrap();
    let errors = rig.errors.unwrap();
    // The tiles differ from their reference by about half a nanometer, which the best mapping cannot undo.
    assert!(errors.cross_validated_mean_uv < 0.004, "{errors:?}");
    assert!(rig.passed);
    assert!(rig.calibrated);
    let text = boneglow::files::to_json(&rig).unwrap();
    let back: Rig = serde_json::from_str(&text).unwrap();
    assert_eq!(rig, back);
}

/// The demo's camera is sRGB; its eleven steps and two dark captures must say so too. A measured
/// response counts in units of its brightest step, so leaks are compared as shares of a target.
#[test]
fn a_measured_response_calibrates_as_well_as_the_true_one() {
    let mut season = demo();
    let truth = calibrate(&season).unwrap();
    season.plan.rig.response = "targets/captures.csv".to_string();
    let measured = calibrate(&season).unwrap();
    let share = |rig: &Rig, c: usize| rig.leak.signal[c] / rig.targets[0].net_signal[c];
    for c in 0..3 {
        let off = share(&measured, c) / share(&truth, c) - 1.0;
        println!("leak of channel {c} off by {:.1} %", 100.0 * off);
        assert!(off.abs() < 0.1, "channel {c}: {off}");
        assert!(measured.black.signal[c].abs() < 2e-4);
    }
    let error = |rig: &Rig| rig.errors.unwrap().cross_validated_mean_uv;
    println!(
        "{:.5}, with the true response {:.5}",
        error(&measured),
        error(&truth)
    );
    assert!(error(&measured) < error(&truth) + 0.0005);
    for warning in &measured.warnings {
        assert!(!warning.contains("white capture") && !warning.contains("white balance"));
        assert!(!warning.contains("saturated"), "{warning}");
    }
}

#[test]
fn the_demo_nights_are_told_apart() {
    let season = demo();
    let rig = calibrate(&season).unwrap();
    let nights = ["2031-05-09", "2031-07-30", "2031-09-19", "2031-10-17"];
    let tables: Vec<_> = nights
        .iter()
        .map(|n| season.resolve(format!("targets/night-{n}.csv")))
        .collect();
    let found: Drift = drift(&season, &rig, &tables).unwrap();
    let drifted: Vec<bool> = found.nights.iter().map(|n| n.drifted).collect();
    assert_eq!(drifted, [false, false, false, true]);
    let dimmer: Vec<bool> = found.nights.iter().map(|n| n.brightness_changed).collect();
    assert_eq!(dimmer[..3], [false, false, true]);
    assert!(
        found.nights[3].cause.contains("white balance"),
        "{}",
        found.nights[3].cause
    );
    assert!((found.nights[3].channel_factors[2] / (0.86 / 1.06) - 1.0).abs() < 0.02);
    assert_eq!(found.nights[0].night, nights[0]);
}

fn told(name: &str, values: &[f64]) -> [f64; 2] {
    let found = [quantile(values, 0.5), quantile(values, 0.95)];
    println!(
        "{name}: median {:.4}, 95th percentile {:.4} in u'v'",
        found[0], found[1]
    );
    found
}

/// The share of 95 % regions that hold the truth, said with the figures of luminance.
fn coverage(field: &Field) -> f64 {
    let share = field.inside as f64 / field.errors.len() as f64;
    let bright = field.bright_inside as f64 / field.errors.len() as f64;
    println!(
        "95 % regions of u'v' hold {:.1} %, intervals of log luminance {:.1} % (its error: median {:.3})",
        100.0 * share,
        100.0 * bright,
        quantile(&field.bright_errors, 0.5)
    );
    share
}

/// What is wanted: a median below 0.004, a 95th percentile below 0.015 where the spectra allow, and
/// never worse than least squares on a chart of 24. Reached over all: 0.0020 and 0.0169 (the chart 0.0021 and
/// 0.0339).
///
/// The 95th percentile is missed by narrow green bands alone, 0.0225: they look to the camera as broader ones do.
/// The best root polynomial for the true spectra leaves them 0.0140, but who knows only that a
/// glow is one band or two can come no nearer than 0.0227 by any function of the signal (`cargo bench --bench
/// calibration` has both limits). Without them it is 0.0044.
///
/// Rig by rig the 95th percentile is about half the chart's on all 12. The median is not always the lower: on 4
/// of 12 the chart's is, by up to 0.0004.
#[test]
fn ten_targets_and_the_cameras_curves_come_near_the_metameric_floor() {
    let field = in_the_field(12, MappingChoice::Auto, true);
    let own = told("ten targets and the camera's curves", &field.errors);
    told("the same without noise and leak", &field.clean);
    let practice = told("least squares on a chart of 24", &field.practice);
    told("metameric floor (true spectra, ideal fit)", &field.floor);
    let narrow = simulated::KINDS
        .iter()
        .position(|k| *k == "green, narrow")
        .unwrap();
    let kinds: Vec<bool> = field.kinds.iter().map(|k| *k == narrow).collect();
    let rest = told(
        "without narrow green bands",
        &of_one(&field.errors, &kinds, false),
    );
    told("narrow green bands", &of_one(&field.errors, &kinds, true));
    let share = coverage(&field);
    assert!(own[0] < 0.0021 && own[1] < 0.0175, "{own:?}");
    assert!(rest[0] < 0.004 && rest[1] < 0.006, "{rest:?}");
    assert!(own[0] <= practice[0] && own[1] < 0.55 * practice[1]);
    let mut behind = 0;
    for rig in 0..12 {
        let of = |errors: &[f64], share: f64| quantile(&of_one(errors, &field.rigs, rig), share);
        assert!(
            of(&field.errors, 0.95) < 0.6 * of(&field.practice, 0.95),
            "rig {rig}"
        );
        let more = of(&field.errors, 0.5) - of(&field.practice, 0.5);
        assert!(more < 0.0005, "rig {rig}: {more}");
        behind += usize::from(more > 0.0);
    }
    println!("the chart's median is the lower on {behind} of 12 rigs");
    assert!(behind <= 4, "{behind}");
    assert!((0.90..=0.98).contains(&share), "{share}");
}

/// Without the camera's curves ten targets miss what is wanted: 0.0045 in the median, which is more
/// than 0.004 and more than the chart's 0.0021, and 0.0279 at the 95th percentile, which is less than
/// the chart's 0.0326.
#[test]
fn ten_targets_alone_have_a_shorter_tail_than_the_chart_and_their_regions_hold() {
    let field = in_the_field(24, MappingChoice::Auto, false);
    let own = told("ten targets alone", &field.errors);
    told("the same without noise and leak", &field.clean);
    let practice = told("least squares on a chart of 24", &field.practice);
    let share = coverage(&field);
    assert!(own[0] < 0.005 && own[1] < practice[1]);
    assert!((0.90..=0.98).contains(&share), "{share}");
}

/// JCGM 101:2008: all that is uncertain is drawn from its distribution and goes through the rig's
/// own arithmetic; the spread of what comes out is what the propagated covariance says.
#[test]
fn stated_uncertainties_agree_with_monte_carlo_over_the_range_of_signals() {
    let made = Simulated::new(3, 10, false);
    let rig = calibrate(&made.season).unwrap();
    let mut draw = Draw::new(3, "monte carlo", 0);
    let mut compared = 0;
    for level in [0.5, 0.2, 0.08, 0.03] {
        for glow in [
            simulated::bands(&[(520.0, 60.0, 1.0)]),
            simulated::bands(&[(600.0, 90.0, 1.0), (500.0, 60.0, 0.4)]),
        ] {
            let reading = made.reading(&glow, level, 50, &mut draw);
            let measured = rig.measure(&reading, Role::Ground);
            if measured.too_faint {
                continue;
            }
            let color = measured.color.unwrap();
            let center = [color.u, color.v, color.log_luminance];
            let mut squares = [0.0; 3];
            let rounds = 20_000;
            for _ in 0..rounds {
                let drawn = draw_color(&rig, &reading, &mut draw);
                for k in 0..3 {
                    squares[k] += (drawn[k] - center[k]).powi(2);
                }
            }
            for (k, square) in squares.iter().enumerate() {
                // About the stated color: the replicates' own mean may lie beside it.
                let sd = (square / f64::from(rounds)).sqrt();
                let stated = color.sd()[k];
                // First order against all orders; 20 000 draws give the deviation to 0.5 %.
                assert!(
                    (stated / sd - 1.0).abs() < 0.08,
                    "level {level}, quantity {k}: stated {stated}, drawn {sd}"
                );
                compared += 1;
            }
        }
    }
    assert!(compared >= 18, "{compared}");
}

/// u', v', log10 luminance of a reading with every input quantity drawn anew.
fn draw_color(rig: &Rig, reading: &Reading, draw: &mut Draw) -> [f64; 3] {
    let pixels = reading.pixels.unwrap() as f64;
    let share = rig.leak.ground_share + rig.leak.ground_share_sd * draw.normal();
    let net: [f64; 3] = std::array::from_fn(|c| {
        let recorded = reading.signal.0[c] - rig.black.signal[c];
        let noise = (rig.pixel_variance(c, recorded) / pixels).sqrt() * draw.normal();
        let dark = rig.black.sd[c] * draw.normal();
        let leak =
            share * rig.leak.signal[c] + rig.leak.ground_share * rig.leak.sd[c] * draw.normal();
        recorded + noise - dark - leak
    });
    let replicates = &rig.uncertainty.replicates;
    let mut mapping = rig.mapping.clone();
    // The replicates scatter around the mapping; one of them taken at random is one draw of it.
    mapping.coefficients = replicates[draw.index(replicates.len())].clone();
    let [x, y, z] = mapping.xyz(net);
    let uv = Xyz::new(x, y, z).uv().unwrap();
    let lack = rig.uncertainty.lack_of_fit;
    let first = lack[0][0].sqrt();
    let slope = lack[1][0] / first;
    let rest = (lack[1][1] - slope * slope).max(0.0).sqrt();
    let (a, b) = (draw.normal(), draw.normal());
    [
        uv.u + first * a,
        uv.v + slope * a + rest * b,
        (rig.luminance.scale * y).log10() + rig.luminance.lack_of_fit * draw.normal(),
    ]
}

/// Nights on which nothing happened, after many calibrations: alarms at the stated rate.
#[test]
fn nights_without_drift_raise_five_alarms_in_a_hundred() {
    let (mut alarms, mut bright, mut nights) = (0, 0, 0);
    for seed in 100..150 {
        let made = Simulated::new(seed, 8, false);
        let rig = calibrate(&made.season).unwrap();
        let tables: Vec<_> = (1..=8)
            .map(|night| {
                let path = made.folder.path().join(format!("night-{night}.csv"));
                std::fs::write(&path, made.night(seed, night, [1.0; 3], 1.0)).unwrap();
                path
            })
            .collect();
        let found = drift(&made.season, &rig, &tables).unwrap();
        nights += found.nights.len();
        alarms += found.nights.iter().filter(|n| n.drifted).count();
        bright += found.nights.iter().filter(|n| n.brightness_changed).count();
    }
    println!("{alarms} false alarms of color, {bright} of brightness, in {nights} nights");
    // 400 nights at 5 %: 20 expected. Nights share their calibration, so the count scatters more
    // than a binomial one; between 2 and 9 % is within three of its standard deviations.
    let rate = alarms as f64 / nights as f64;
    assert!((0.02..=0.09).contains(&rate), "{rate}");
    // Brightness allows for setting up the white, which here was never moved.
    assert!((bright as f64) < 0.05 * nights as f64);
}

#[test]
fn a_changed_filter_is_found_and_not_taken_for_the_white_balance() {
    let made = Simulated::new(7, 10, false);
    let rig = calibrate(&made.season).unwrap();
    let changed = Changed {
        edge_nm: 8.0,
        leak: [0.3; 3],
        ..Changed::default()
    };
    let path = made.folder.path().join("later.csv");
    std::fs::write(&path, made.changed_night(7, 1, &changed)).unwrap();
    let found = drift(&made.season, &rig, std::slice::from_ref(&path)).unwrap();
    let night = &found.nights[0];
    assert!(night.drifted && night.p_value < 1e-6);
    assert!(night.cause.contains("filter"), "{}", night.cause);
    assert!(!night.cause.contains("white balance"), "{}", night.cause);
    let factor = made.night(7, 2, [1.04, 1.0, 0.97], 1.0);
    std::fs::write(&path, factor).unwrap();
    let found = drift(&made.season, &rig, &[path]).unwrap();
    assert!(found.nights[0].drifted);
    assert!(
        found.nights[0].cause.contains("white balance"),
        "{}",
        found.nights[0].cause
    );
}

/// Adds rows to the captures of a simulated season, with the columns of a picture's box.
fn with_rows(made: &Simulated, rows: &[String]) {
    let path = made.folder.path().join("captures.csv");
    let text = std::fs::read_to_string(&path).unwrap();
    let mut lines = text.lines();
    let mut widened = format!("{},image,x,y,width,height\n", lines.next().unwrap());
    for line in lines {
        widened.push_str(&format!("{line},,,,,\n"));
    }
    for row in rows {
        widened.push_str(&format!("{row}\n"));
    }
    std::fs::write(path, widened).unwrap();
}

#[test]
fn a_glow_at_the_edge_of_the_picture_is_as_bright_as_in_the_middle() {
    const WIDTH: u32 = 800;
    let light = |x: f64| 1.0 - 0.7 * (2.0 * x / f64::from(WIDTH) - 1.0).powi(2);
    let made = Simulated::new(5, 10, false);
    let rig = &made.virtual_rig;
    let mut draw = Draw::new(5, "flat", 0);
    let picture = image::RgbImage::from_fn(WIDTH, 16, |x, _| {
        let glow = [0.5, 0.4, 0.2].map(|c| c * light(f64::from(x) + 0.5));
        let codes = rig.pixel(rig.mean(glow, 0.0, 6.0, 1.0), &mut draw);
        image::Rgb(codes.map(|c| c as u8))
    });
    picture.save(made.folder.path().join("flat.png")).unwrap();
    with_rows(
        &made,
        &[format!("flat,,,,,,,,,6,0.01,flat.png,0,0,{WIDTH},16")],
    );
    let rig = calibrate(&made.season).unwrap();
    let flat = rig.flat.as_ref().unwrap();
    assert_eq!(flat.width, WIDTH as usize);
    let glow = simulated::bands(&[(560.0, 80.0, 1.0)]);
    let mean: f64 = (0..WIDTH).map(|x| light(f64::from(x) + 0.5)).sum::<f64>() / f64::from(WIDTH);
    let signal = simulated::signal(&made.virtual_rig, &glow, 0.3);
    let leak = made.virtual_rig.leak.map(|l| 0.35 * l);
    let at = |x: f64| {
        let lit = light(x) / mean;
        let reading = Reading {
            code: boneglow::signal::CodeValues([0.0; 3]),
            signal: boneglow::signal::LinearSignal(std::array::from_fn(|c| {
                rig.black.signal[c] + lit * (signal[c] + leak[c])
            })),
            pixel_sd: None,
            pixels: Some(400),
            written_sd: [0.0; 3],
            clipped: 0.0,
            capture: boneglow::signal::Capture {
                column: Some(boneglow::signal::Column {
                    center: x,
                    width: WIDTH as usize,
                }),
                ..Default::default()
            },
        };
        rig.measure(&reading, Role::Ground).color.unwrap()
    };
    let middle = at(400.0);
    for x in [20.0, 150.0, 600.0, 785.0] {
        let found = at(x);
        // What is left is the curve between the nodes of the profile; uncorrected the edge would be
        // at a third, which is 0.5 less.
        let off = found.log_luminance - middle.log_luminance;
        assert!(off.abs() < 0.015, "{x}: {off}");
        assert!((found.u - middle.u).hypot(found.v - middle.v) < 3e-4);
    }
}

#[test]
fn the_grounds_share_of_the_leak_is_taken_from_bright_and_dim_patches_of_one_material() {
    let made = Simulated::new(5, 10, false);
    let rig = &made.virtual_rig;
    let mut draw = Draw::new(5, "ground", 0);
    let clay = simulated::bands(&[(570.0, 110.0, 1.0)]);
    let rows: Vec<String> = (0..12)
        .map(|i| {
            let level = 0.02 * 20_f64.powf(f64::from(i) / 11.0);
            let mean = rig.mean(simulated::signal(rig, &clay, level), 0.55, 6.0, 1.0);
            let patch = rig.patch(mean, 0.05, 900, &mut draw);
            let [r, g, b] = patch.mean;
            let [r_sd, g_sd, b_sd] = patch.sd;
            format!(
                "ground,clay,{r:.4},{g:.4},{b:.4},{r_sd:.4},{g_sd:.4},{b_sd:.4},900,6,0.01,,,,,"
            )
        })
        .collect();
    with_rows(&made, &rows);
    let found = calibrate(&made.season).unwrap().leak;
    assert_eq!(found.ground_patches, 12);
    // The spread between patches, which one material does not show, stays in.
    let own = (found.ground_share_sd.powi(2) - 0.12_f64.powi(2)).sqrt();
    assert!(own > 0.0 && own < 0.12, "{own}");
    assert!((found.ground_share - 0.55).abs() < 3.0 * own, "{found:?}");
    assert!((found.ground_share - 0.35).abs() > 2.0 * own, "{found:?}");
}

/// Any matrix fits exchanged channels; the camera's curves do not.
#[test]
fn captures_with_red_and_blue_exchanged_do_not_agree_with_the_cameras_curves() {
    let told = |made: &Simulated| {
        let rig = calibrate(&made.season).unwrap();
        let exchanged = |w: &&String| w.contains("red and blue are exchanged");
        rig.warnings.iter().filter(exchanged).count()
    };
    for seed in [3, 4, 5] {
        let made = Simulated::new(seed, 10, true);
        assert_eq!(told(&made), 0);
        let path = made.folder.path().join("captures.csv");
        let text = std::fs::read_to_string(&path).unwrap();
        let text = text.replacen("r,g,b,r_sd,g_sd,b_sd", "b,g,r,b_sd,g_sd,r_sd", 1);
        std::fs::write(path, text).unwrap();
        assert_eq!(told(&made), 1);
    }
}

/// Steps as boxes of one picture, the brightest clipped: the response comes back and the rest is left out.
#[test]
fn a_response_is_measured_from_boxes_of_a_picture_without_its_clipped_step() {
    const SIDE: u32 = 24;
    let exposures = [0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.35, 0.55, 0.8, 1.0, 1.4];
    let made = Simulated::new(6, 10, false);
    let rig = &made.virtual_rig;
    let mut draw = Draw::new(6, "steps", 0);
    let picture = image::RgbImage::from_fn(SIDE * exposures.len() as u32, SIDE, |x, _| {
        let light = 0.95 * exposures[(x / SIDE) as usize];
        let codes = rig.pixel(rig.mean([light; 3], 0.0, 6.0, 1.0), &mut draw);
        image::Rgb(codes.map(|c| c as u8))
    });
    picture.save(made.folder.path().join("steps.png")).unwrap();
    let path = made.folder.path().join("captures.csv");
    let text = std::fs::read_to_string(&path).unwrap();
    let mut lines = text.lines();
    let mut widened = format!(
        "{},relative_exposure,image,x,y,width,height\n",
        lines.next().unwrap()
    );
    for line in lines {
        widened.push_str(&format!("{line},,,,,,\n"));
    }
    for (i, exposure) in exposures.iter().enumerate() {
        let x = SIDE * i as u32;
        widened.push_str(&format!(
            "step,,,,,,,,,,0.01,{exposure},steps.png,{x},0,{SIDE},{SIDE}\n"
        ));
    }
    std::fs::write(path, widened).unwrap();
    let mut season = made.season.clone();
    let truth = calibrate(&season).unwrap();
    season.plan.rig.response = "captures.csv".to_string();
    let measured = calibrate(&season).unwrap();
    let left_out = |rig: &Rig| {
        let told = |w: &&String| {
            w.contains("left out") && (w.contains("1.4 ") || w.contains("capture of step"))
        };
        rig.warnings.iter().filter(told).count()
    };
    assert_eq!(
        (left_out(&truth), left_out(&measured)),
        (1, 1),
        "{:?}",
        measured.warnings
    );
    for code in [60.0, 100.0, 150.0, 200.0, 240.0] {
        let of = |rig: &Rig| {
            let codes = boneglow::signal::CodeValues([code; 3]);
            rig.response.signal(codes, rig.bit_depth).unwrap().0[1] - rig.black.signal[1]
        };
        let off = of(&measured) / of(&truth) * 0.95 - 1.0;
        println!("code {code}: off by {:.2} %", 100.0 * off);
        assert!(off.abs() < 0.02, "{code}: {off}");
    }
    let error = |rig: &Rig| rig.errors.unwrap().cross_validated_mean_uv;
    assert!(error(&measured) < error(&truth) + 0.001);
}

/// Rigs that are as they are said to be, and what their calibration says of them.
fn said(targets: usize, curves: bool, change: impl Fn(u64, &mut Simulated)) -> Vec<Rig> {
    (500..500 + RIGS)
        .map(|seed| {
            let mut made = Simulated::new(seed, targets, curves);
            change(seed, &mut made);
            calibrate(&made.season).unwrap()
        })
        .collect()
}

const RIGS: u64 = 20;

fn doubted(rigs: &[Rig]) -> usize {
    let doubts = |rig: &&Rig| {
        let mut said = rig.warnings.iter();
        said.any(|w| w.contains("does not fit these captures"))
    };
    rigs.iter().filter(doubts).count()
}

/// Without a step series, by the targets alone.
#[test]
fn a_wrong_response_is_doubted_and_the_right_one_is_not() {
    for (curves, least) in [(true, 10), (false, 1)] {
        let right = doubted(&said(10, curves, |_, _| {}));
        let wrong = doubted(&said(10, curves, |_, made| {
            made.season.plan.rig.response = "linear".to_string();
        }));
        println!("curves {curves}: srgb doubted {right}, linear doubted {wrong} of {RIGS}");
        assert!(right <= 1, "curves {curves}: {right}");
        assert!(wrong >= least, "curves {curves}: {wrong}");
    }
}

/// Rigs that name a target as off beyond its uncertainty, and those that name this one.
fn straying(rigs: &[Rig], at: usize) -> (usize, usize) {
    let named = |rig: &Rig, i: usize| rig.targets[i].stray(0.95) == Some(Stray::Unexplained);
    let any = |rig: &&Rig| (0..rig.targets.len()).any(|i| named(rig, i));
    let this = rigs.iter().filter(|rig| named(rig, at)).count();
    (rigs.iter().filter(any).count(), this)
}

/// With the camera's curves. Without them ten targets tell nothing of one of them, and nothing is said.
///
/// 3 clean rigs of 20 had a target named when this was written, where normal errors of one size would give 1.
#[test]
fn a_soiled_tile_is_named_and_clean_ones_hardly_ever_are() {
    const SOILED: usize = 5;
    for (targets, curves, least) in [(10, true, 10), (10, false, 0)] {
        let clean = straying(&said(targets, curves, |_, _| {}), SOILED);
        let soiled = said(targets, curves, |seed, made| {
            let mut factors = vec![[1.0; 3]; targets];
            factors[SOILED] = [1.3, 1.0, 0.8];
            let changed = Changed {
                targets: factors,
                ..Changed::default()
            };
            let text = made.changed_night(seed, 0, &changed);
            std::fs::write(made.folder.path().join("captures.csv"), text).unwrap();
        });
        let soiled = straying(&soiled, SOILED);
        println!(
            "{targets} targets, curves {curves}: clean {clean:?}, soiled {soiled:?} of {RIGS}"
        );
        assert!(clean.0 <= 4, "{targets}, {curves}: {clean:?}");
        assert!(soiled.1 >= least, "{targets}, {curves}: {soiled:?}");
        if (targets, curves) == (10, false) {
            assert_eq!((clean.0, soiled.0), (0, 0));
        }
    }
}

/// What the filter passes at most is the camera's exposure and no more: a curve of 4 % as one of 95 %.
#[test]
fn a_dense_filter_leaves_the_cameras_curves_as_they_are_and_is_asked_about() {
    let made = Simulated::new(11, 10, true);
    let clear = calibrate(&made.season).unwrap();
    let path = made.folder.path().join("filter.csv");
    let text = std::fs::read_to_string(&path).unwrap();
    let dense = text.lines().map(|line| match line.split_once(',') {
        Some((nm, share)) => match share.parse::<f64>() {
            Ok(share) => format!("{nm},{:.9}\n", 0.042 * share),
            Err(_) => format!("{line}\n"),
        },
        None => String::new(),
    });
    std::fs::write(&path, dense.collect::<String>()).unwrap();
    let dense = calibrate(&made.season).unwrap();
    let glows = |rig: &Rig| -> Vec<usize> {
        let of = |c: &boneglow::calibration::CandidateResult| c.computed_glows;
        rig.candidates.iter().map(of).collect()
    };
    assert_eq!(glows(&clear), glows(&dense));
    assert!(glows(&dense).contains(&240));
    let error = |rig: &Rig| rig.errors.unwrap().cross_validated_mean_uv;
    assert!((error(&dense) / error(&clear) - 1.0).abs() < 1e-3);
    let asked = |rig: &Rig| {
        rig.warnings
            .iter()
            .any(|w| w.contains("passes 4.0 % at most"))
    };
    assert!(asked(&dense) && !asked(&clear), "{:?}", dense.warnings);
}

/// Without the targets' spectra the camera's curves cannot be used, and that is said.
#[test]
fn curves_that_cannot_be_used_are_never_dropped_in_silence() {
    let made = Simulated::new(11, 10, true);
    let lines = made.targets.iter().enumerate().map(|(i, glow)| {
        let [u, v] = simulated::truth(&made.virtual_rig, glow);
        let sum = 6.0 * u - 16.0 * v + 12.0;
        format!("tile {i},{},{}\n", 9.0 * u / sum, 4.0 * v / sum)
    });
    let text = format!("target,x,y\n{}", lines.collect::<String>());
    std::fs::write(made.folder.path().join("reference.csv"), text).unwrap();
    let rig = calibrate(&made.season).unwrap();
    assert!(rig.candidates.iter().all(|c| c.computed_glows == 0));
    let told = |w: &String| w.contains("curves were not used: the reference gives chromaticities");
    assert!(rig.warnings.iter().any(told), "{:?}", rig.warnings);
}

/// What the mapping's part of an uncertainty is known from is written down, both ways where there are two.
#[test]
fn what_the_lack_of_fit_rests_on_is_told() {
    let trace = |m: [[f64; 2]; 2]| m[0][0] + m[1][1];
    let known = calibrate(&Simulated::new(11, 10, true).season).unwrap();
    let alone = calibrate(&Simulated::new(11, 10, false).season).unwrap();
    let (known, alone) = (known.uncertainty, alone.uncertainty);
    let glows = known.trial_glows.unwrap();
    assert_eq!((glows.glows, glows.width_nm), (240, [30.0, 160.0]));
    let of_targets = trace(known.lack_of_fit_of_targets.unwrap());
    assert_eq!(
        trace(known.lack_of_fit),
        of_targets.max(trace(glows.lack_of_fit))
    );
    assert_eq!(
        known.rests_on_glows(),
        trace(glows.lack_of_fit) > of_targets
    );
    assert!(alone.trial_glows.is_none() && !alone.rests_on_glows());
    assert_eq!(alone.lack_of_fit_of_targets, Some(alone.lack_of_fit));
}
