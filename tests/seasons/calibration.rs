//! The calibration stage on seasons whose truth is known.

use boneglow::calibration::{Drift, Rig, calibrate, drift};
use boneglow::season::Season;
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
    for n in &found.nights {
        println!(
            "{} {} {} {} {:?} {:?} {}",
            n.night,
            n.drifted,
            n.brightness_changed,
            n.p_value,
            n.brightness,
            n.channel_factors,
            n.cause
        );
        for t in &n.targets {
            println!(
                "   {} {:?} {:.5} {:.4}",
                t.target, t.shift, t.sd_uv, t.p_value
            );
        }
    }
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
