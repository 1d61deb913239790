use crate::support::TrialSeason;
use std::fmt::Write;

/// The demo season with spectra of three glows and two rigs, not calibrated.
fn season() -> TrialSeason {
    let season = TrialSeason::demo();
    let mut spectra = String::from("wavelength_nm,bone,calcite,lichen\n");
    for nm in (450..=780).step_by(5) {
        let bell = |peak: f64| (-0.5 * ((f64::from(nm) - peak) / 35.0).powi(2)).exp();
        let [bone, calcite, lichen] = [bell(545.0), 1.5 * bell(610.0), 0.4 * bell(555.0)];
        writeln!(spectra, "{nm},{bone:.5},{calcite:.5},{lichen:.5}").unwrap();
    }
    season.write("spectra.csv", &spectra);
    season.write(
        "rigs.csv",
        "option,laser_nm,cut_on_nm\nwide,450,480\nnarrow,450,520\n",
    );
    season
}

/// Cells of a column of a table.
fn column(table: &str, name: &str) -> Vec<String> {
    let mut lines = table.lines();
    let at = lines.next().unwrap().split(',').position(|c| c == name);
    let at = at.unwrap_or_else(|| panic!("no column {name}"));
    lines
        .map(|l| l.split(',').nth(at).unwrap().into())
        .collect()
}

fn numbers(table: &str, name: &str) -> Vec<f64> {
    let cells = column(table, name);
    cells.iter().map(|c| c.parse().unwrap()).collect()
}

fn simulated(season: &TrialSeason, options: &[&str]) -> String {
    season.succeeds(&[&["simulate", "spectra.csv", "rigs.csv"], options].concat())
}

#[test]
fn what_each_rig_would_record_of_each_class_is_a_table_of_its_own() {
    let season = season();
    let separations = simulated(&season, &["--predictions", "predictions.csv"]);
    assert_eq!(column(&separations, "other").len(), 4);
    let predictions = season.read("predictions.csv");
    assert_eq!(
        column(&predictions, "class")[..3],
        ["bone", "calcite", "lichen"]
    );
    // Calcite is brightest, at half of full scale, which sRGB encodes as 188 of 255.
    let red = numbers(&predictions, "r")[1];
    assert!((red - 187.5).abs() < 0.1, "{red}");
    let stated = numbers(&predictions, "u");
    for (u, truth) in stated.iter().zip(numbers(&predictions, "u_true")) {
        assert!((u - truth).abs() < 0.03, "{predictions}");
    }
    season.refuses(
        &[
            "simulate",
            "spectra.csv",
            "rigs.csv",
            "--predictions",
            "rigs.csv",
        ],
        &["rigs.csv", "name of its own"],
    );
    assert!(season.read("rigs.csv").starts_with("option,"));
}

#[test]
fn the_noise_is_the_calibrations_or_what_the_call_says() {
    let season = season();
    let told = |options: &[&str]| {
        let table = ["-o", "separations.csv"];
        let said = simulated(&season, &[&table, options].concat());
        (
            said,
            numbers(&season.read("separations.csv"), "mahalanobis"),
        )
    };
    let (said, supposed) = told(&[]);
    assert!(
        said.contains("Noise is supposed") && said.contains("15000, 15000"),
        "{said}"
    );
    season.succeeds(&["calibrate"]);
    let (said, calibrated) = told(&[]);
    assert!(said.contains("Noise is as calibrated"), "{said}");
    assert_ne!(supposed, calibrated);
    let (said, quiet) = told(&["--full-scale-electrons", "1e9", "--read-electrons", "0"]);
    assert!(said.contains("Noise is as stated"), "{said}");
    assert!(quiet.iter().zip(&calibrated).all(|(q, c)| q > c));
    // Without leak all that parts the classes falls with the number of pixels.
    let (said, many) = told(&["--pixels", "400"]);
    assert!(said.contains("400 pixels"), "{said}");
    for (many, few) in many.iter().zip(&calibrated) {
        assert!((many / few - 2.0).abs() < 0.001, "{many} {few}");
    }
    let dim = [
        "--brightest-signal",
        "0.1",
        "--predictions",
        "predictions.csv",
    ];
    let (_, dim) = told(&dim);
    assert!(dim[0] < calibrated[0]);
    let signals = numbers(&season.read("predictions.csv"), "r_signal");
    assert!((signals[1] - 0.1).abs() < 1e-6, "{signals:?}");
}

#[test]
fn a_noise_or_a_patch_that_cannot_be_is_refused() {
    let season = season();
    for (option, value, said) in [
        ("--pixels", "0", "0 pixels"),
        ("--brightest-signal", "1.5", "brightest signal of 1.5"),
        ("--full-scale-electrons", "0", "electrons at full scale"),
        ("--read-electrons", "NaN", "read noise of NaN"),
    ] {
        season.refuses(
            &["simulate", "spectra.csv", "rigs.csv", option, value],
            &[said],
        );
    }
}

#[test]
fn rigs_are_ranked_best_first_and_the_table_is_explained() {
    let season = season();
    season.write(
        "rigs.csv",
        "option,laser_nm,cut_on_nm\nnarrow,450,560\nwide,450,480\n",
    );
    let output = season
        .command(&["simulate", "spectra.csv", "rigs.csv"])
        .output()
        .unwrap();
    let table = String::from_utf8(output.stdout).unwrap();
    assert_eq!(column(&table, "rank"), ["1", "1", "2", "2"]);
    assert_eq!(
        column(&table, "option"),
        ["wide", "wide", "narrow", "narrow"]
    );
    let said = String::from_utf8(output.stderr).unwrap();
    for part in [
        "Best first, by",
        "1. wide: bone and",
        "Best is \"wide\". The next, \"narrow\",",
    ] {
        assert!(said.contains(part), "expected {part:?} in {said}");
    }
    let help = season.succeeds(&["simulate", "--help"]);
    for name in table.lines().next().unwrap().split(',') {
        let explained =
            ["option", "laser_nm"].contains(&name) || help.contains(&format!("  {name} "));
        assert!(explained, "{name} is not explained in {help}");
    }
}

#[test]
fn a_cut_on_below_the_laser_is_refused_with_its_line() {
    let season = season();
    season.write(
        "rigs.csv",
        "option,laser_nm,cut_on_nm\nwide,450,480\nopen,450,430\n",
    );
    season.refuses(
        &["simulate", "spectra.csv", "rigs.csv"],
        &[
            "line 3",
            "cut_on_nm",
            "found a cut-on of 430 nm",
            "above the laser's",
        ],
    );
}
