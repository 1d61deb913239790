//! Targets, captures and curves with something wrong in them.

use crate::support::TrialSeason;

const CAPTURES: &str = "targets/captures.csv";
const REFERENCE: &str = "targets/reference.csv";

/// The captures of one kind, as whole lines.
fn lines_of(season: &TrialSeason, kind: &str) -> Vec<String> {
    let text = season.read(CAPTURES);
    let at = text
        .lines()
        .next()
        .unwrap()
        .split(',')
        .position(|c| c == "kind")
        .unwrap();
    text.lines()
        .filter(|line| line.split(',').nth(at) == Some(kind))
        .map(str::to_string)
        .collect()
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
    season.refuses(&["calibrate"], &["captures.csv", "target"]);
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
    season.refuses(&["calibrate"], &["targets"]);
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
    season.edit("targets/filter.csv", |text| {
        text.lines()
            .enumerate()
            .map(|(i, line)| match line.split_once(',') {
                Some((nm, t)) if i > 0 => {
                    format!("{nm},{}\n", t.parse::<f64>().unwrap() * 100.0)
                }
                _ => format!("{line}\n"),
            })
            .collect()
    });
    season.refuses(&["calibrate"], &["filter.csv", "per cent"]);
}

#[test]
fn negative_sensitivities_are_refused() {
    let season = TrialSeason::demo();
    season.edit("targets/camera.csv", |text| {
        text.lines()
            .enumerate()
            .map(|(i, line)| {
                let mut cells: Vec<&str> = line.split(',').collect();
                if i == 20 {
                    cells[1] = "-0.5";
                }
                cells.join(",") + "\n"
            })
            .collect()
    });
    season.refuses(&["calibrate"], &["camera.csv, line 21", "-0.5"]);
}

#[test]
fn a_missing_dark_capture_is_said() {
    let season = TrialSeason::demo();
    let dark = lines_of(&season, "dark");
    assert!(!dark.is_empty());
    without(&season, CAPTURES, |line| dark.iter().any(|d| d == line));
    let output = season.command(&["calibrate"]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).to_string();
    assert!(said.contains("dark"), "{said}");
}

fn target_of(season: &TrialSeason, line: &str) -> String {
    let text = season.read(CAPTURES);
    let at = text
        .lines()
        .next()
        .unwrap()
        .split(',')
        .position(|c| c == "target")
        .unwrap();
    line.split(',').nth(at).unwrap().to_string()
}
