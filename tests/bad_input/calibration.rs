//! Targets, captures and curves with something wrong in them.

use crate::support::TrialSeason;

const CAPTURES: &str = "targets/captures.csv";
const REFERENCE: &str = "targets/reference.csv";

/// A cell of a line of the table of captures.
fn cell<'a>(season: &TrialSeason, line: &'a str, column: &str) -> &'a str {
    let text = season.read(CAPTURES);
    let mut header = text.lines().next().unwrap().split(',');
    let at = header.position(|c| c == column).unwrap();
    line.split(',').nth(at).unwrap()
}

/// The captures of one kind, as whole lines.
fn lines_of(season: &TrialSeason, kind: &str) -> Vec<String> {
    let text = season.read(CAPTURES);
    let of_kind = |line: &&str| cell(season, line, "kind") == kind;
    text.lines().filter(of_kind).map(str::to_string).collect()
}

/// Changes a table line by line; the header is line 0.
fn edit_lines(season: &TrialSeason, file: &str, change: impl Fn(usize, &str) -> String) {
    season.edit(file, |text| {
        let lines = text.lines().enumerate();
        lines.map(|(i, line)| change(i, line) + "\n").collect()
    });
}

fn without(season: &TrialSeason, file: &str, unwanted: impl Fn(&str) -> bool) {
    season.edit(file, |text| {
        text.lines()
            .filter(|l| !unwanted(l))
            .map(|l| format!("{l}\n"))
            .collect()
    });
}

#[test]
fn targets_without_captures_are_refused() {
    let season = TrialSeason::demo();
    let targets = lines_of(&season, "target");
    without(&season, CAPTURES, |line| targets.iter().any(|t| t == line));
    season.refuses(
        &["calibrate"],
        &[
            "captures.csv",
            "of the reference has no capture",
            "capture it, or",
        ],
    );
}

#[test]
fn a_captured_target_without_reference_is_refused() {
    let season = TrialSeason::demo();
    let line = lines_of(&season, "target")[0].clone();
    let name = target_of(&season, &line);
    let stranger = line.replacen(&name, "stranger tile", 1);
    season.edit(CAPTURES, |text| format!("{text}{stranger}\n"));
    season.refuses(&["calibrate"], &["captures.csv", "stranger tile"]);
}

#[test]
fn fewer_targets_than_coefficients_are_refused() {
    let season = TrialSeason::demo();
    let lines = lines_of(&season, "target");
    let kept: Vec<String> = {
        let mut names: Vec<String> = lines.iter().map(|l| target_of(&season, l)).collect();
        names.dedup();
        names.into_iter().take(3).collect()
    };
    let dropped: Vec<String> = lines
        .iter()
        .filter(|l| !kept.contains(&target_of(&season, l)))
        .cloned()
        .collect();
    without(&season, CAPTURES, |line| dropped.iter().any(|d| d == line));
    season.edit(REFERENCE, |text| {
        let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
        let keeps = |i: usize| i == 0 || kept.iter().any(|k| k == header[i]);
        let cells = |line: &str| -> String {
            let kept: Vec<&str> = line
                .split(',')
                .enumerate()
                .filter(|(i, _)| keeps(*i))
                .map(|(_, c)| c)
                .collect();
            kept.join(",") + "\n"
        };
        text.lines().map(cells).collect()
    });
    season.refuses(
        &["calibrate"],
        &["captures.csv", "found 3 targets, expected at least"],
    );
}

#[test]
fn wavelengths_out_of_order_are_refused() {
    let season = TrialSeason::demo();
    season.edit(REFERENCE, |text| {
        let mut lines: Vec<&str> = text.lines().collect();
        lines.swap(3, 4);
        lines.join("\n") + "\n"
    });
    season.refuses(&["calibrate"], &["reference.csv, line", "wavelength_nm"]);
}

#[test]
fn spectra_that_stop_short_of_the_visible_are_refused() {
    let season = TrialSeason::demo();
    season.edit(REFERENCE, |text| {
        text.lines().take(40).map(|l| format!("{l}\n")).collect()
    });
    season.refuses(&["calibrate"], &["reference.csv", "nm"]);
}

#[test]
fn a_filter_in_per_cent_is_refused() {
    let season = TrialSeason::demo();
    edit_lines(&season, "targets/filter.csv", |i, line| {
        match line.split_once(',') {
            Some((nm, t)) if i > 0 => format!("{nm},{}", t.parse::<f64>().unwrap() * 100.0),
            _ => line.to_string(),
        }
    });
    season.refuses(&["calibrate"], &["filter.csv", "per cent"]);
}

#[test]
fn negative_sensitivities_are_refused() {
    let season = TrialSeason::demo();
    edit_lines(&season, "targets/camera.csv", |i, line| {
        let mut cells: Vec<&str> = line.split(',').collect();
        if i == 20 {
            cells[1] = "-0.5";
        }
        cells.join(",")
    });
    season.refuses(&["calibrate"], &["camera.csv, line 21", "-0.5"]);
}

#[test]
fn a_response_without_its_dark_end_is_refused() {
    let season = TrialSeason::demo();
    season.replace(
        "season.toml",
        "response = \"srgb\"",
        "response = \"targets/captures.csv\"",
    );
    season.succeeds(&["calibrate"]);
    let dark = lines_of(&season, "dark");
    without(&season, CAPTURES, |line| dark.iter().any(|d| d == line));
    season.refuses(
        &["calibrate"],
        &[
            "targets/captures.csv",
            "relative exposure 0.03125",
            "lens capped",
        ],
    );
}

#[test]
fn a_missing_dark_capture_is_said() {
    let season = TrialSeason::demo();
    let dark = lines_of(&season, "dark");
    assert!(!dark.is_empty());
    without(&season, CAPTURES, |line| dark.iter().any(|d| d == line));
    let output = season.command(&["calibrate"]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).to_string();
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.contains("There is no dark capture"), "{said}");
    assert!(said.contains("Cap the lens and capture it"), "{said}");
    // What only the dark level explains is not put down to anything else.
    for other in [
        "white balance moved",
        "automatic exposure",
        "step series does not fit",
    ] {
        assert!(!said.contains(other), "{said}");
    }
}

fn target_of(season: &TrialSeason, line: &str) -> String {
    cell(season, line, "target").to_string()
}

#[test]
fn targets_of_one_hue_are_refused() {
    let season = TrialSeason::demo();
    // Every target gets the spectrum of the first.
    edit_lines(&season, REFERENCE, |i, line| match i {
        0 => line.to_string(),
        _ => {
            let cells: Vec<&str> = line.split(',').collect();
            let same = vec![cells[1]; cells.len() - 1].join(",");
            format!("{},{same}", cells[0])
        }
    });
    season.refuses(
        &["calibrate"],
        &["captures.csv", "of one hue", "add targets of other hues"],
    );
}

#[test]
fn a_saturated_capture_is_refused_with_its_line() {
    let season = TrialSeason::demo();
    let whites = lines_of(&season, "white");
    without(&season, CAPTURES, |line| whites.iter().any(|w| w == line));
    let burnt = whites[0]
        .split(',')
        .enumerate()
        .map(|(i, cell)| if (7..=9).contains(&i) { "255" } else { cell })
        .collect::<Vec<_>>()
        .join(",");
    season.edit(CAPTURES, |text| format!("{text}{burnt}\n"));
    season.refuses(
        &["calibrate"],
        &["captures.csv, line", "saturated", "shorter exposure"],
    );
}

#[test]
fn steps_that_are_not_monotone_are_refused_with_both_steps() {
    let season = TrialSeason::demo();
    let steps = lines_of(&season, "step");
    let swapped = |line: &str| match steps.iter().position(|s| s == line) {
        // The exposures of the second and third step change places.
        Some(at @ (1 | 2)) => {
            let exposure = |line: &str| line.split(',').nth(14).unwrap().to_string();
            let other = exposure(&steps[3 - at]);
            line.replacen(&exposure(line), &other, 1)
        }
        _ => line.to_string(),
    };
    edit_lines(&season, CAPTURES, |_, line| swapped(line));
    season.refuses(
        &["calibrate"],
        &["captures.csv", "not monotone: channel r", "0.70711", "0.5"],
    );
}

#[test]
fn one_target_twice_with_captures_that_disagree_is_refused() {
    let season = TrialSeason::demo();
    let line = lines_of(&season, "target")
        .into_iter()
        .find(|l| l.split(',').nth(2) == Some(""))
        .unwrap();
    let cells: Vec<&str> = line.split(',').collect();
    let mut turned = cells.clone();
    (turned[7], turned[9]) = (cells[9], cells[7]);
    let name = target_of(&season, &line);
    season.edit(CAPTURES, |text| format!("{text}{}\n", turned.join(",")));
    season.refuses(&["calibrate"], &["captures.csv, line", &name, "disagree"]);
}

#[test]
fn one_target_twice_in_the_reference_with_other_values_is_refused() {
    let season = TrialSeason::demo();
    season.write(
        REFERENCE,
        "target,x,y\nmoss,0.30,0.55\npea,0.38,0.52\nmoss,0.35,0.50\n",
    );
    season.refuses(
        &["calibrate"],
        &["reference.csv, line 4", "moss", "already stands in line 2"],
    );
}

#[test]
fn drift_against_the_calibration_of_another_rig_is_refused() {
    let season = TrialSeason::demo();
    season.succeeds(&["calibrate"]);
    let night = "targets/night-2031-05-09.csv";
    // The season's rig was renamed since ...
    season.replace(
        "season.toml",
        "name = \"quad with a 450 nm line (invented)\"",
        "name = \"another quad\"",
    );
    season.refuses(&["drift", night], &["another", "quad"]);
    // ... or the captures say which rig they are of.
    let season = TrialSeason::demo();
    season.succeeds(&["calibrate"]);
    edit_lines(&season, night, |i, line| match i {
        0 => format!("{line},rig"),
        _ => format!("{line},another quad"),
    });
    season.refuses(&["drift", night], &["night-2031-05-09.csv", "another quad"]);
}

#[test]
fn drift_without_a_table_and_without_listed_nights_is_refused() {
    let season = TrialSeason::demo();
    season.succeeds(&["calibrate"]);
    season.replace("season.toml", "nights = [\"targets/night-*.csv\"]\n", "");
    season.refuses(
        &["drift"],
        &["season.toml", "calibration.nights", "CAPTURES.csv"],
    );
}

#[test]
fn flats_that_do_not_fit_are_said_or_refused() {
    let season = TrialSeason::demo();
    // Without a picture nobody knows where it was taken.
    season.edit(CAPTURES, |text| {
        format!("{text}flat,,,,,,,120,120,60,2,2,2,400,,0.008,18,6,\n")
    });
    let output = season.command(&["calibrate"]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).to_string();
    assert!(said.contains("flat capture in line"), "{said}");
    // A box beyond the picture.
    let season = TrialSeason::demo();
    season.edit(CAPTURES, |text| {
        format!("{text}flat,,targets/board.png,0,0,100000,8,,,,,,,,,0.008,18,6,\n")
    });
    season.refuses(
        &["calibrate"],
        &["captures.csv, line", "does not lie inside"],
    );
}

/// What a command that ends well says beside its results.
fn said(season: &TrialSeason, arguments: &[&str]) -> String {
    let output = season.command(arguments).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).to_string();
    assert_eq!(output.status.code(), Some(0), "{said}");
    said
}

/// A table with what stands in some columns changed, in every row that has something there.
fn change_cells(
    season: &TrialSeason,
    file: &str,
    columns: &[&str],
    change: impl Fn(&str) -> String,
) {
    let text = season.read(file);
    let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
    let changes = |at: usize| columns.contains(&header[at]);
    edit_lines(season, file, |i, line| {
        let cells = line.split(',').enumerate();
        let one = |(at, cell): (usize, &str)| match i > 0 && changes(at) && !cell.is_empty() {
            true => change(cell),
            false => cell.to_string(),
        };
        cells.map(one).collect::<Vec<_>>().join(",")
    });
}

#[test]
fn a_clipped_step_is_left_out_and_said() {
    let season = TrialSeason::demo();
    season.replace(
        "season.toml",
        "response = \"srgb\"",
        "response = \"targets/captures.csv\"",
    );
    let before = said(&season, &["calibrate"]);
    assert!(!before.contains("is clipped"), "{before}");
    let brightest = lines_of(&season, "step")[0].clone();
    let cells: Vec<&str> = brightest.split(',').collect();
    let clipped: Vec<String> = cells
        .iter()
        .enumerate()
        .map(|(i, cell)| match i {
            7..=9 => "255".to_string(),
            14 => "1.41421".to_string(),
            _ => cell.to_string(),
        })
        .collect();
    season.edit(CAPTURES, |text| format!("{text}{}\n", clipped.join(",")));
    let after = said(&season, &["calibrate"]);
    assert!(
        after.contains("relative exposure 1.41421 is clipped and was left out"),
        "{after}"
    );
}

#[test]
fn two_targets_that_changed_places_are_named() {
    let season = TrialSeason::demo();
    season.edit(CAPTURES, |text| {
        text.replace("target,moss,", "target,?,")
            .replace("target,rust,", "target,moss,")
            .replace("target,?,", "target,rust,")
    });
    let output = season.command(&["calibrate"]).output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).to_string();
    assert_eq!(output.status.code(), Some(1), "{told}");
    let (_, farthest) = told.split_once("Farthest off are ").unwrap();
    let farthest = farthest.lines().next().unwrap();
    assert!(
        farthest.contains("moss (") && farthest.contains("rust ("),
        "{farthest}"
    );
}

#[test]
fn a_white_among_the_dark_captures_is_said() {
    let season = TrialSeason::demo();
    season.edit(CAPTURES, |text| text.replacen("\nwhite,", "\ndark,", 1));
    let told = said(&season, &["calibrate"]);
    assert!(told.contains("dark captures differ"), "{told}");
    let told = said(&TrialSeason::demo(), &["calibrate"]);
    assert!(!told.contains("dark captures differ"), "{told}");
}

#[test]
fn captures_in_a_slip_of_unit_are_asked_about() {
    let season = TrialSeason::demo();
    change_cells(&season, CAPTURES, &["height_m"], |m| {
        (100.0 * m.parse::<f64>().unwrap()).to_string()
    });
    let told = said(&season, &["calibrate"]);
    assert!(
        told.contains("height_m is above 200 m in line") && told.contains("centimeters?"),
        "{told}"
    );
    let season = TrialSeason::demo();
    change_cells(&season, CAPTURES, &["exposure_s"], |s| {
        (1000.0 * s.parse::<f64>().unwrap()).to_string()
    });
    let told = said(&season, &["calibrate"]);
    assert!(
        told.contains("exposure_s is above 1 s in line") && told.contains("milliseconds?"),
        "{told}"
    );
}

#[test]
fn captures_from_0_to_1_are_refused() {
    let season = TrialSeason::demo();
    change_cells(
        &season,
        CAPTURES,
        &["r", "g", "b", "r_sd", "g_sd", "b_sd"],
        |code| (code.parse::<f64>().unwrap() / 255.0).to_string(),
    );
    season.refuses(
        &["calibrate"],
        &[
            "captures.csv",
            "look like values from 0 to 1",
            "multiply them by 255",
        ],
    );
}

#[test]
fn chromaticities_that_are_to_be_filtered_are_refused_with_the_default() {
    let season = TrialSeason::demo();
    season.write("targets/reference.csv", "target,x,y\nsea glass,0.1,0.6\n");
    season.replace(
        "season.toml",
        "[calibration]\n",
        "[calibration]\nchromaticity = \"through-filter\"\n",
    );
    season.refuses(
        &["calibrate"],
        &[
            "calibration.chromaticity",
            "remove the key",
            "\"emission\" is the default",
        ],
    );
}

#[test]
fn a_target_that_is_farther_off_than_the_others_is_named_with_what_to_do() {
    // The demo's rust is dim: its own noise and leak explain how far it is off.
    let told = said(&TrialSeason::demo(), &["calibrate"]);
    assert!(
        told.contains("The target rust is off by") && told.contains("Capture it brighter"),
        "{told}"
    );
    assert!(!told.contains("clean it and capture it again"), "{told}");
    // One whose reference is 10 nm off is not explained so.
    let season = TrialSeason::demo();
    season.edit(REFERENCE, |text| {
        let rows: Vec<Vec<&str>> = text.lines().map(|l| l.split(',').collect()).collect();
        let fern = rows[0].iter().position(|c| *c == "fern").unwrap();
        let shifted = |i: usize| {
            let mut row = rows[i].clone();
            row[fern] = rows[if i > 2 { i - 2 } else { i }][fern];
            row.join(",") + "\n"
        };
        (0..rows.len()).map(shifted).collect()
    });
    let told = said(&season, &["calibrate"]);
    assert!(
        told.contains("The target fern is off by")
            && told.contains("clean it and capture it again"),
        "{told}"
    );
    let rig = season.read("results/rig.json");
    assert!(rig.contains("The target fern is off by"));
    season.succeeds(&["report"]);
    let page = season.read("results/report.html");
    assert!(page.contains("beyond its own noise"));
    let methods = season.read("results/methods.md");
    assert!(
        methods.contains("Davies and Gather 1993") && methods.contains("allowed for, fern was.")
    );
}

#[test]
fn pictures_for_the_eye_that_are_called_linear_are_told() {
    let doubt = |season: &TrialSeason| {
        let told = said(season, &["calibrate"]);
        let lines = told.lines().map(str::to_string);
        lines
            .into_iter()
            .find(|l| l.contains("does not fit these captures"))
    };
    let season = TrialSeason::demo();
    assert_eq!(doubt(&season), None);
    season.replace(
        "season.toml",
        "response = \"srgb\"",
        "response = \"linear\"",
    );
    let told = doubt(&season).unwrap();
    assert!(
        told.contains("with \"srgb\" signal and exposure of the steps"),
        "{told}"
    );
    let steps = lines_of(&season, "step");
    without(&season, CAPTURES, |line| steps.iter().any(|s| s == line));
    let told = doubt(&season).unwrap();
    assert!(
        told.contains("with \"srgb\" targets left out of the fit"),
        "{told}"
    );
    season.replace(
        "season.toml",
        "response = \"linear\"",
        "response = \"srgb\"",
    );
    assert_eq!(doubt(&season), None);
}
