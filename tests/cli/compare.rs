use crate::support::{TrialSeason, small_ledger};
use crate::{json, learn};

const FEATURES: &str = "classifiers = [\"brightness\", \"logistic\", \"discriminant\"]\n";

fn keep_model(season: &TrialSeason) {
    season.write("kept/model.json", &season.read("results/model.json"));
}

#[test]
fn color_is_favored_over_brightness() {
    let season = TrialSeason::small();
    season.replace("season.toml", FEATURES, "classifiers = [\"brightness\"]\n");
    learn(&season);
    keep_model(&season);
    season.replace("season.toml", "classifiers = [\"brightness\"]\n", FEATURES);
    learn(&season);
    season.succeeds(&["compare", "kept/model.json"]);
    let found = json(&season, "results/comparison.json");
    assert_eq!(found["verdict"], "new");
    assert!(found["basis"].as_str().unwrap().contains("learnt again"));
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
    season.replace("season.toml", FEATURES, "classifiers = [\"brightness\"]\n");
    learn(&season);
    let new = season.read("results/model.json");
    let output = season.command(&["compare", "kept/model.json"]).output();
    assert_eq!(output.unwrap().status.code(), Some(1));
    assert_eq!(json(&season, "results/comparison.json")["verdict"], "old");
    assert_eq!(season.read("results/model.json"), new);
}

#[test]
fn models_of_different_features_are_a_stated_warning() {
    let season = TrialSeason::small();
    learn(&season);
    keep_model(&season);
    let features = "classifiers = [\"logistic\"]\nfeatures = [\"u\", \"v\"]\n";
    season.replace("season.toml", FEATURES, features);
    learn(&season);
    let output = season.command(&["compare", "kept/model.json"]).output();
    assert!(matches!(output.unwrap().status.code(), Some(0 | 1)));
    let warnings = json(&season, "results/comparison.json")["warnings"].to_string();
    assert!(warnings.contains("see different features"), "{warnings}");
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
