//! Ledgers that are well formed and still too little, or odd, to learn from.

use crate::support::{TrialSeason, small_ledger};

const CHECKS: &str = "ledger/checks.csv";

fn keep(season: &TrialSeason, kept: impl Fn(&str) -> bool) {
    season.edit(CHECKS, |text| {
        text.lines()
            .enumerate()
            .filter(|(i, line)| *i == 0 || kept(line))
            .map(|(_, line)| format!("{line}\n"))
            .collect()
    });
}

#[test]
fn a_single_class_is_refused() {
    let season = TrialSeason::small();
    keep(&season, |line| line.starts_with("bone-"));
    season.refuses(&["evaluate"], &["telling classes apart needs two"]);
}

#[test]
fn a_single_group_is_refused() {
    let season = TrialSeason::small();
    keep(&season, |line| line.contains(",site-0,"));
    season.refuses(&["evaluate"], &["group"]);
}

#[test]
fn labels_that_are_all_empty_are_refused() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        ["bone", "calcite", "matrix"]
            .iter()
            .fold(text.to_string(), |text, label| {
                text.replace(&format!(",{label},"), ",,")
            })
    });
    season.refuses(&["evaluate"], &["no patch of the ledger has a label"]);
}

#[test]
fn a_label_seen_once_is_a_stated_warning() {
    let season = TrialSeason::small();
    season.replace(CHECKS, ",matrix,", ",opal,");
    season.succeeds(&["calibrate"]);
    season.succeeds(&["evaluate"]);
    assert!(season.read("results/evaluation.json").contains("opal"));
    warns(&season, "opal");
}

#[test]
fn a_class_in_one_group_only_is_a_stated_warning() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        text.lines()
            .map(|l| match l.contains(",site-3,") {
                true => l.replace(",matrix,", ",lichen,") + "\n",
                false => format!("{l}\n"),
            })
            .collect()
    });
    season.succeeds(&["calibrate"]);
    season.succeeds(&["evaluate"]);
    warns(&season, "lichen");
}

#[test]
fn a_group_with_one_class_only_is_no_obstacle() {
    let season = TrialSeason::small();
    keep(&season, |line| {
        !line.contains(",site-2,") || line.starts_with("matrix-")
    });
    season.succeeds(&["calibrate"]);
    season.succeeds(&["evaluate"]);
    no_silent_nan(&season);
}

#[test]
fn perfectly_separable_classes_give_finite_figures() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        let mut lines: Vec<String> = vec![text.lines().next().unwrap().to_string()];
        for line in text.lines().skip(1) {
            let mut cells: Vec<String> = line.split(',').map(str::to_string).collect();
            let code = if line.starts_with("bone-") {
                ["220", "220", "220"]
            } else {
                ["90", "60", "20"]
            };
            for (cell, code) in cells[4..7].iter_mut().zip(code) {
                *cell = format!("{}", code.parse::<f64>().unwrap() + line.len() as f64 * 0.1);
            }
            lines.push(cells.join(","));
        }
        lines.join("\n") + "\n"
    });
    season.succeeds(&["run"]);
    no_silent_nan(&season);
}

#[test]
fn constant_features_are_no_obstacle() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        let mut lines: Vec<String> = vec![text.lines().next().unwrap().to_string()];
        for line in text.lines().skip(1) {
            let mut cells: Vec<&str> = line.split(',').collect();
            cells[4..7].copy_from_slice(&["120", "110", "80"]);
            lines.push(cells.join(","));
        }
        lines.join("\n") + "\n"
    });
    season.succeeds(&["calibrate"]);
    season.succeeds(&["evaluate"]);
    no_silent_nan(&season);
}

#[test]
fn six_groups_are_too_few_to_be_silent_about() {
    let season = TrialSeason::small();
    season.write(CHECKS, &small_ledger(6, 8));
    season.succeeds(&["calibrate"]);
    season.succeeds(&["evaluate"]);
    warns(&season, "6 groups");
}

#[test]
fn a_few_patches_that_carry_the_weight_are_named() {
    let season = TrialSeason::small();
    season.edit(CHECKS, |text| {
        let cells = text.lines().enumerate().map(|(i, line)| match i {
            0 => format!("{line},inclusion_probability\n"),
            2 | 9 => format!("{line},0.0001\n"),
            _ => format!("{line},1\n"),
        });
        cells.collect()
    });
    season.succeeds(&["evaluate"]);
    warns(&season, "carry most of the weight");
    warns(&season, "calcite-0-0");
    let evaluation: serde_json::Value =
        serde_json::from_str(&season.read("results/evaluation.json")).unwrap();
    for classifier in evaluation["classifiers"].as_array().unwrap() {
        let high = classifier["log_loss"]["high"].as_f64();
        assert!(high.is_none_or(|h| h < 35.0), "{high:?}");
    }
}

fn warns(season: &TrialSeason, word: &str) {
    let evaluation: serde_json::Value =
        serde_json::from_str(&season.read("results/evaluation.json")).unwrap();
    let warnings = evaluation["warnings"].to_string();
    assert!(warnings.contains(word), "expected {word:?} in {warnings}");
}

fn no_silent_nan(season: &TrialSeason) {
    for name in ["evaluation.json", "predictions.csv"] {
        let text = season.read(&format!("results/{name}"));
        assert!(!text.contains("NaN") && !text.contains("inf"), "{name}");
    }
}

#[test]
fn features_that_rule_out_a_plain_rule_are_a_stated_warning() {
    let season = TrialSeason::small();
    let classifiers = "classifiers = [\"brightness\", \"logistic\", \"discriminant\"]\n";
    let features = "classifiers = [\"logistic\"]\nfeatures = [\"u\", \"v\"]\n";
    season.replace("season.toml", classifiers, features);
    season.succeeds(&["evaluate"]);
    warns(&season, "no rival here: it takes log_luminance");
    season.replace("season.toml", "[\"u\", \"v\"]", "[\"u\"]");
    season.refuses(
        &["evaluate"],
        &["classify.features", "no plain rule", "add log_luminance"],
    );
}
