use crate::support::{TrialSeason, small_ledger};
use crate::{json, learn};

const FEATURES: &str = "classifiers = [\"brightness\", \"logistic\", \"discriminant\"]\n";

fn with_features(season: &TrialSeason, features: &str) {
    season.replace(
        "season.toml",
        FEATURES,
        &format!("{FEATURES}features = [{features}]\n"),
    );
}

fn keep_model(season: &TrialSeason) {
    season.write("kept/model.json", &season.read("results/model.json"));
}

#[test]
fn a_model_that_sees_brightness_only_loses_against_color() {
    let season = TrialSeason::small();
    with_features(&season, "\"log_luminance\"");
    learn(&season);
    keep_model(&season);
    season.replace(
        "season.toml",
        "features = [\"log_luminance\"]",
        "features = [\"u\", \"v\", \"log_luminance\"]",
    );
    learn(&season);
    let output = season.command(&["compare", "kept/model.json"]).output();
    let output = output.unwrap();
    let errors = String::from_utf8_lossy(&output.stderr).to_string();
    assert_eq!(output.status.code(), Some(0), "{errors}");
    let found = json(&season, "results/comparison.json");
    assert_eq!(found["verdict"], "new");
    assert!(found["basis"].as_str().unwrap().contains("learnt again"));
    let warnings = found["warnings"].to_string();
    assert!(warnings.contains("see different features"), "{warnings}");
    let loss = &found["figures"][0];
    assert!(loss["old"].as_f64() > loss["new"].as_f64());
    assert!(!found["changed"].as_array().unwrap().is_empty());
    season.succeeds(&["report"]);
    assert!(season.read("results/methods.md").contains("older model"));
}

#[test]
fn a_worse_model_is_not_favored_and_replaces_nothing() {
    let season = TrialSeason::small();
    learn(&season);
    keep_model(&season);
    with_features(&season, "\"log_luminance\"");
    learn(&season);
    let new = season.read("results/model.json");
    let output = season.command(&["compare", "kept/model.json"]).output();
    assert_eq!(output.unwrap().status.code(), Some(1));
    assert_eq!(json(&season, "results/comparison.json")["verdict"], "old");
    assert_eq!(season.read("results/model.json"), new);
}

#[test]
fn an_old_model_is_judged_as_it_stands_where_it_has_not_been() {
    let season = TrialSeason::small();
    let all = small_ledger(8, 8);
    let first: String = all
        .lines()
        .filter(|l| {
            !["3", "4", "5", "6", "7"]
                .iter()
                .any(|s| l.contains(&format!(",site-{s},")))
        })
        .map(|l| format!("{l}\n"))
        .collect();
    season.write("ledger/checks.csv", &first);
    learn(&season);
    keep_model(&season);
    season.write("ledger/checks.csv", &all);
    learn(&season);
    let output = season.command(&["compare", "kept/model.json"]).output();
    assert!(matches!(output.unwrap().status.code(), Some(0 | 1)));
    let found = json(&season, "results/comparison.json");
    let basis = found["basis"].as_str().unwrap();
    assert!(basis.contains("as it stands, on 5 groups"), "{basis}");
    assert_eq!(found["patches"], 5 * 3 * 8);
}

#[test]
fn the_same_model_twice_is_refused() {
    let season = TrialSeason::small();
    learn(&season);
    keep_model(&season);
    season.refuses(&["compare", "kept/model.json"], &["the same model"]);
}

#[test]
fn models_that_look_for_other_classes_are_refused() {
    let season = TrialSeason::small();
    learn(&season);
    keep_model(&season);
    season.replace("season.toml", "[\"bone\"]", "[\"bone\", \"calcite\"]");
    learn(&season);
    season.refuses(
        &["compare", "kept/model.json"],
        &[
            "\"calcite\" is worth a walk to one of the models only",
            "ledger.positive",
        ],
    );
}

#[test]
fn what_is_no_model_is_refused() {
    let season = TrialSeason::small();
    learn(&season);
    season.refuses(
        &["compare", "results/rig.json"],
        &["rig.json", "boneglow-model"],
    );
    season.refuses(&["compare", "nowhere.json"], &["nowhere.json"]);
}
