//! Nights on which one thing changed, and what `drift` takes it for.

use crate::simulated::{Changed, Simulated};
use boneglow::calibration::{DriftNight, Rig, calibrate, drift};
use boneglow::simulation::Draw;

fn judged(made: &Simulated, night: &str) -> DriftNight {
    compared(made, &calibrate(&made.season).unwrap(), night)
}

fn compared(made: &Simulated, rig: &Rig, night: &str) -> DriftNight {
    let path = made.folder.path().join("later.csv");
    std::fs::write(&path, night).unwrap();
    drift(&made.season, rig, &[path]).unwrap().nights.remove(0)
}

#[test]
fn another_laser_power_is_told_as_brightness_alone() {
    for seed in [11, 12, 13] {
        let made = Simulated::new(seed, 10, false);
        let night = judged(&made, &made.night(seed, 1, [1.0; 3], 0.7));
        println!("{}", night.cause);
        assert!(!night.drifted && night.brightness_changed, "{night:?}");
        assert!(night.cause.contains("laser power"), "{}", night.cause);
        let found = night.brightness.unwrap();
        assert!(found.low < 0.7 && 0.7 < found.high, "{found:?}");
    }
}

/// The targets glow as before; the leak doubles in blue and falls in red.
#[test]
fn another_wavelength_of_the_laser_is_told_by_the_color_of_the_white() {
    for seed in [11, 12, 13] {
        let made = Simulated::new(seed, 10, false);
        let mut changed = Simulated::new(seed, 10, false);
        let [r, g, b] = changed.virtual_rig.leak;
        changed.virtual_rig.leak = [0.7 * r, 1.1 * g, 2.0 * b];
        let night = judged(&made, &changed.night(seed, 1, [1.0; 3], 1.0));
        println!("{}", night.cause);
        assert!(
            night.cause.contains("laser's wavelength"),
            "{}",
            night.cause
        );
        assert!(!night.cause.contains("white balance"), "{}", night.cause);
    }
}

/// An exposure that is written down is allowed for: the same light in half the time.
#[test]
fn a_stated_exposure_is_no_drift() {
    for seed in [11, 12, 13] {
        let made = Simulated::new(seed, 10, false);
        let text = made.night(seed, 1, [1.0; 3], 0.5);
        let lines = text.lines().map(|line| match line.strip_suffix(",0.01") {
            Some(rest) => format!("{rest},0.005\n"),
            None => format!("{line}\n"),
        });
        let night = judged(&made, &lines.collect::<String>());
        println!("{}", night.cause);
        assert!(!night.drifted && !night.brightness_changed, "{night:?}");
    }
}

/// A height in centimeters makes everything brighter, and nothing else; an exposure in milliseconds darker.
#[test]
fn a_slip_of_unit_is_told_as_brightness_and_not_as_another_laser() {
    for seed in [11, 12, 13] {
        let made = Simulated::new(seed, 10, false);
        let text = made.night(seed, 1, [1.0; 3], 1.0);
        let night = judged(&made, &text.replace(",6,0.01", ",600,0.01"));
        println!("{}", night.cause);
        assert!(!night.drifted && night.brightness_changed, "{night:?}");
        assert!(
            night.cause.contains("laser power, height"),
            "{}",
            night.cause
        );
        let night = judged(&made, &text.replace(",6,0.01", ",6,10"));
        println!("{}", night.cause);
        assert!(!night.drifted, "{night:?}");
        assert!(
            night.cause.contains("0.1 % of what height and exposure"),
            "{}",
            night.cause
        );
    }
}

/// An automatic exposure gave the white twice the targets' and nobody wrote it down. That a factor
/// on the leak explains all shifts is itself a test that chance fails in 5 of 100 nights.
#[test]
fn a_white_at_another_exposure_is_told_from_another_filter() {
    let (mut told, nights) = (0, 12);
    for seed in 11..11 + nights {
        let made = Simulated::new(seed, 10, false);
        let same = made.night(seed, 1, [1.0; 3], 1.0);
        let twice = made.night(seed, 1, [1.0; 3], 2.0);
        let of = |(once, twice): (&str, &str)| match once.starts_with("white") {
            true => format!("{twice}\n"),
            false => format!("{once}\n"),
        };
        let text: String = same.lines().zip(twice.lines()).map(of).collect();
        let night = judged(&made, &text);
        println!("{}", night.cause);
        assert!(night.drifted && night.brightness_changed, "{night:?}");
        if night.cause.contains("times the exposure of the targets") {
            assert!(!night.cause.contains("filter"), "{}", night.cause);
            told += 1;
        }
    }
    println!("{told} of {nights}");
    // 10 were when this was written.
    assert!(told >= 9, "{told} of {nights}");
}

/// What the sentence names, by words that no other sentence has.
fn told(night: &DriftNight) -> &'static str {
    let words = [
        ("cannot tell", "undecided"),
        ("Nothing has changed", "nothing"),
        ("too little to tell", "too little"),
        ("no single change explains", "unknown"),
        ("white balance or", "white balance"),
        ("a filter whose edge", "filter"),
        ("laser's wavelength", "laser"),
        ("Only the target", "one target"),
        ("times the exposure of the targets", "white's exposure"),
        ("laser power", "power"),
        ("one factor on all signals", "power"),
    ];
    let found = words.iter().find(|(words, _)| night.cause.contains(words));
    found.unwrap_or_else(|| panic!("{}", night.cause)).1
}

/// Simulated rigs, each calibrated.
struct Rigs(Vec<(u64, Simulated, Rig)>);

impl Rigs {
    fn new(curves: bool) -> Self {
        let one = |seed: u64| {
            let made = Simulated::new(seed, 10, curves);
            let rig = calibrate(&made.season).unwrap();
            (seed, made, rig)
        };
        Rigs((300..300 + RIGS).map(one).collect())
    }

    /// A night of a kind with each, and how many were told as what.
    fn told(
        &self,
        kind: &str,
        change: impl Fn(u64, &mut Draw) -> Changed,
    ) -> Vec<(&'static str, usize)> {
        let mut counts: Vec<(&str, usize)> = Vec::new();
        for (seed, made, rig) in &self.0 {
            let mut draw = Draw::new(*seed, kind, 0);
            let night = made.changed_night(*seed, 1, &change(*seed, &mut draw));
            let name = told(&compared(made, rig, &night));
            match counts.iter_mut().find(|(n, _)| *n == name) {
                Some((_, count)) => *count += 1,
                None => counts.push((name, 1)),
            }
        }
        println!("{kind}: {counts:?} of {RIGS}");
        counts
    }
}

const RIGS: u64 = 20;

fn of(counts: &[(&str, usize)], name: &str) -> usize {
    counts.iter().find(|(n, _)| *n == name).map_or(0, |c| c.1)
}

fn filter(by_nm: f64) -> Changed {
    // The laser is on the slope's foot, where the curve falls by e every 4 nm.
    Changed {
        edge_nm: by_nm,
        leak: [(-by_nm / 4.0).exp(); 3],
        ..Changed::default()
    }
}

fn white_balance() -> Changed {
    Changed {
        channels: [1.06, 1.0, 0.95],
        power: 0.97,
        ..Changed::default()
    }
}

/// A wavelength that excites each glow differently, and leaks more.
fn laser(_: u64, draw: &mut Draw) -> Changed {
    Changed {
        power: 0.7,
        leak: [1.6; 3],
        targets: (0..10).map(|_| [draw.factor(0.15); 3]).collect(),
        ..Changed::default()
    }
}

fn leak(by: f64) -> Changed {
    Changed {
        leak: [by; 3],
        ..Changed::default()
    }
}

fn soiled(seed: u64) -> Changed {
    let mut targets = vec![[1.0; 3]; 10];
    targets[seed as usize % 10] = [0.85, 0.8, 0.7];
    Changed {
        targets,
        ..Changed::default()
    }
}

/// With the camera's curves: filter, laser, white balance, power and a soiled tile are told apart.
#[test]
fn with_the_cameras_curves_each_kind_of_change_is_told_as_what_it_is() {
    let rigs = Rigs::new(true);
    let power = |power: f64| Changed {
        power,
        ..Changed::default()
    };
    for (kind, name, least, change) in [
        ("another exposure", "power", 18, power(0.8)),
        (
            "another white balance",
            "white balance",
            18,
            white_balance(),
        ),
        ("an edge 4 nm to the red", "filter", 18, filter(4.0)),
        ("an edge 4 nm to the blue", "filter", 18, filter(-4.0)),
        ("twice the leak", "laser", 18, leak(2.0)),
    ] {
        let counts = rigs.told(kind, |_, _| change.clone());
        assert!(of(&counts, name) >= least, "{kind}: {counts:?}");
    }
    let counts = rigs.told("another laser", laser);
    assert!(of(&counts, "laser") >= 18, "{counts:?}");
    // A shift of a nanometer is near what the tiles are set up and known to: it may go unnoticed, but is not
    // taken for another change.
    let counts = rigs.told("an edge 1 nm to the red", |_, _| filter(1.0));
    for other in ["white balance", "power", "one target", "white's exposure"] {
        assert_eq!(of(&counts, other), 0, "{counts:?}");
    }
    let counts = rigs.told("a soiled tile", |seed, _| soiled(seed));
    assert!(of(&counts, "one target") >= 18, "{counts:?}");
}

/// Curves that are 2 nm off still tell a filter, and never tell it as something else.
#[test]
fn the_cameras_curves_need_not_be_exact_to_tell_a_filter() {
    let mut counts: Vec<(&str, usize)> = Vec::new();
    for seed in 300..300 + RIGS {
        let made = Simulated::new(seed, 10, true);
        let path = made.folder.path().join("camera.csv");
        let text = std::fs::read_to_string(&path).unwrap();
        let moved = text.lines().map(|line| match line.split_once(',') {
            Some((nm, rest)) => match nm.parse::<f64>() {
                Ok(nm) => format!("{},{rest}\n", nm + 2.0),
                Err(_) => format!("{line}\n"),
            },
            None => String::new(),
        });
        std::fs::write(&path, moved.collect::<String>()).unwrap();
        let name = told(&judged(&made, &made.changed_night(seed, 1, &filter(4.0))));
        match counts.iter_mut().find(|(n, _)| *n == name) {
            Some((_, count)) => *count += 1,
            None => counts.push((name, 1)),
        }
    }
    println!("an edge 4 nm to the red, curves 2 nm off: {counts:?} of {RIGS}");
    assert!(
        of(&counts, "filter") + of(&counts, "unknown") >= 19,
        "{counts:?}"
    );
    assert!(of(&counts, "filter") >= 10, "{counts:?}");
}

/// Without them a filter has no signature of its own, and is never taken for another change.
#[test]
fn without_the_cameras_curves_a_filter_is_told_as_one_of_what_cannot_be_told() {
    let rigs = Rigs::new(false);
    let counts = rigs.told("an edge 4 nm to the red", |_, _| filter(4.0));
    assert!(of(&counts, "unknown") >= 18, "{counts:?}");
    let counts = rigs.told("another white balance", |_, _| white_balance());
    assert!(of(&counts, "white balance") >= 18, "{counts:?}");
    let counts = rigs.told("another laser", laser);
    assert!(of(&counts, "laser") >= 18, "{counts:?}");
}

/// A shift that is beyond chance may be within what the season allows, or beyond it.
#[test]
fn a_drift_is_held_against_the_seasons_own_limit() {
    let mut made = Simulated::new(7, 10, false);
    let night = judged(&made, &made.night(7, 1, [1.04, 1.0, 0.97], 1.0));
    assert!(night.drifted);
    let mean = night.mean_shift_uv().unwrap();
    let limit = |made: &Simulated| made.season.plan.calibration.drift_limit_uv();
    assert_eq!(limit(&made), made.season.plan.calibration.max_error_uv);
    assert!(mean < limit(&made) && !night.beyond(limit(&made)), "{mean}");
    made.season.plan.calibration.max_drift_uv = Some(0.5 * mean);
    assert!(night.beyond(limit(&made)));
    // What chance explains is never beyond, however small the limit.
    let same = judged(&made, &made.night(7, 2, [1.0; 3], 1.0));
    assert!(!same.drifted && !same.beyond(1e-6), "{same:?}");
}

/// A table's means written to so many decimals; without `sd`, the deviation of their pixels is not told.
fn written(text: &str, decimals: usize, sd: bool) -> String {
    let cell = |(column, cell): (usize, &str)| match (column, cell.parse::<f64>()) {
        (2..=4, Ok(mean)) => format!("{mean:.decimals$}"),
        (5..=7, Ok(_)) if !sd => String::new(),
        _ => cell.to_string(),
    };
    let line = |line: &str| {
        let cells: Vec<String> = line.split(',').enumerate().map(cell).collect();
        format!("{}\n", cells.join(","))
    };
    text.lines().map(line).collect()
}

/// Share of nights called a drift where nothing changed but for noise: the stated rate is 0.05, however few
/// decimals the means of 600 pixels were written with.
#[test]
fn the_decimals_of_written_means_are_no_drift() {
    let (rigs, nights) = (10, 12);
    let alarms = |decimals: usize, sd: bool| {
        let mut alarms = 0;
        for seed in 500..500 + rigs {
            let made = Simulated::new(seed, 10, false);
            let captures = made.folder.path().join("captures.csv");
            let text = std::fs::read_to_string(&captures).unwrap();
            std::fs::write(&captures, written(&text, decimals, sd)).unwrap();
            let rig = calibrate(&made.season).unwrap();
            for night in 1..=nights {
                let text = made.night(seed, night, [1.0; 3], 1.0);
                let night = compared(&made, &rig, &written(&text, decimals, sd));
                alarms += usize::from(night.drifted);
            }
        }
        let rate = alarms as f64 / (rigs * nights) as f64;
        println!("{decimals} decimals, deviations told: {sd}: {rate:.3} false alarms");
        rate
    };
    for decimals in [0, 1, 4] {
        // 120 nights know a rate of 0.05 to 0.02.
        let rate = alarms(decimals, true);
        assert!(rate < 0.1, "{decimals} decimals: {rate}");
    }
    // Without deviations nothing is known of noise, and rounding to whole codes stands for all of it.
    for decimals in [0, 4] {
        let rate = alarms(decimals, false);
        assert!(rate < 0.1, "{decimals} decimals, no deviations: {rate}");
    }
}
