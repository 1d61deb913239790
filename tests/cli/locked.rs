use crate::support::TrialSeason;
use crate::{json, learn};

fn locking() -> TrialSeason {
    let season = TrialSeason::small();
    season.replace(
        "season.toml",
        "positive = [\"bone\"]\n",
        "positive = [\"bone\"]\nlocked = [\"site-6\", \"site-7\"]\n",
    );
    learn(&season);
    season
}

#[test]
fn nothing_is_learnt_from_locked_groups_until_they_are_opened() {
    let season = locking();
    let groups = json(&season, "results/model.json")["groups"].to_string();
    assert!(!groups.contains("site-7"), "{groups}");
    assert!(!season.read("results/predictions.csv").contains("site-7"));
    let said = season.succeeds(&["evaluate", "--locked"]);
    assert!(said.contains("opened for the first time"), "{said}");
    let openings = &json(&season, "results/locked.json")["openings"];
    assert_eq!(openings[0]["patches"], 48);
    assert_eq!(openings[0]["positives"], 16);
    assert!(openings[0]["recall"]["value"].as_f64().unwrap() > 0.3);
    season.succeeds(&["report"]);
    assert!(season.read("results/methods.md").contains("Final test"));
}

#[test]
fn the_same_opening_again_is_the_same_record() {
    let season = locking();
    season.succeeds(&["evaluate", "--locked"]);
    let first = season.read("results/locked.json");
    season.succeeds(&["evaluate", "--locked"]);
    assert_eq!(season.read("results/locked.json"), first);
}

#[test]
fn an_opening_on_other_inputs_is_shown_as_a_later_one() {
    let season = locking();
    season.succeeds(&["evaluate", "--locked"]);
    season.replace(
        "season.toml",
        "replicates = 200",
        "replicates = 200\nseed = 2",
    );
    season.refuses(&["evaluate", "--locked"], &["out of date", "boneglow run"]);
    learn(&season);
    let said = season.succeeds(&["evaluate", "--locked"]);
    assert!(said.contains("had been opened 1 time before"), "{said}");
    let openings = json(&season, "results/locked.json");
    assert_eq!(openings["openings"].as_array().unwrap().len(), 2);
}

#[test]
fn a_season_without_locked_groups_is_refused() {
    let season = TrialSeason::small();
    learn(&season);
    season.refuses(
        &["evaluate", "--locked"],
        &["ledger.locked", "no group is locked"],
    );
}

#[test]
fn a_record_of_openings_that_was_edited_is_refused() {
    let season = locking();
    season.succeeds(&["evaluate", "--locked"]);
    season.replace(
        "results/locked.json",
        "\"positives\": 16",
        "\"positives\": 17",
    );
    season.refuses(
        &["evaluate", "--locked"],
        &["locked.json", "edited by hand", "as it was written"],
    );
}
