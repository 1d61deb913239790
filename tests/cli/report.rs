//! What a report shows of results that are not of the present inputs.

use crate::support::TrialSeason;
use crate::{json, learn};

const OLDER: &str = "Older than its inputs.";

fn report(season: &TrialSeason) -> String {
    season.succeeds(&["report"]);
    season.read("results/report.html")
}

#[test]
fn a_comparison_of_an_earlier_ledger_is_marked_and_that_of_the_present_one_is_not() {
    let season = TrialSeason::small();
    season.replace(
        "season.toml",
        "\"brightness\", \"logistic\", \"discriminant\"",
        "\"brightness\"",
    );
    learn(&season);
    season.write("kept/model.json", &season.read("results/model.json"));
    season.replace("season.toml", "\"brightness\"]", "\"discriminant\"]");
    learn(&season);
    season
        .command(&["compare", "kept/model.json"])
        .output()
        .unwrap();
    assert!(!report(&season).contains(OLDER));
    season.edit("ledger/checks.csv", |text| {
        let lines: Vec<&str> = text.lines().collect();
        lines[..lines.len() - 1].join("\n") + "\n"
    });
    assert!(report(&season).contains("call `boneglow evaluate` again"));
    learn(&season);
    let page = report(&season);
    for told in [
        OLDER,
        "results/comparison.json was made from other inputs",
        "ledger/checks.csv",
    ] {
        assert!(page.contains(told), "expected {told:?}");
    }
    assert!(!page.contains("Parts of this page are older"));
    assert!(!page.contains("results/evaluation.json was made from other"));
    let methods = season.read("results/methods.md");
    let (_, comparison) = methods
        .split_once("## Comparison with an older model")
        .unwrap();
    assert!(
        comparison
            .trim_start()
            .starts_with("**Older than its inputs.**")
    );
    // The files listed are those of what is not older.
    let old = json(&season, "results/comparison.json")["made_from"]["ledger/checks.csv"].clone();
    assert!(!page.contains(old.as_str().unwrap()));
}

#[test]
fn a_table_that_is_new_to_the_ledger_makes_its_results_older() {
    let season = TrialSeason::small();
    learn(&season);
    assert!(!report(&season).contains(OLDER));
    season.write(
        "ledger/more.csv",
        "patch_id,site,night,label,r,g,b\nmore-1,site-1,n2,bone,150,150,90\n",
    );
    let page = report(&season);
    assert!(page.contains("Parts of this page are older than their inputs, or were edited."));
    assert!(page.contains("(changed since: ledger/more.csv)"));
}

/// All that is said, on both streams.
fn told(season: &TrialSeason, arguments: &[&str]) -> String {
    let output = season.command(arguments).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{arguments:?}");
    [output.stdout, output.stderr]
        .map(|stream| String::from_utf8(stream).unwrap())
        .concat()
}

#[test]
fn a_cut_follows_a_prevalence_that_is_stated_anew() {
    let season = TrialSeason::small();
    let stated = "[threshold]\nprevalence = 0.04\n[ledger]";
    season.replace("season.toml", "[ledger]", stated);
    learn(&season);
    let prior = || json(&season, "results/thresholds.json")["prior"]["value"].clone();
    assert_eq!(prior(), 0.04);
    season.replace("season.toml", "prevalence = 0.04", "prevalence = 0.01");
    let said = told(&season, &["threshold"]);
    for part in [
        "at a prevalence of 0.01 is at least",
        "results/evaluation.json was made from other inputs",
    ] {
        assert!(said.contains(part), "{said}");
    }
    assert_eq!(prior(), 0.01);
    season.replace("season.toml", "prevalence = 0.01", "");
    season.refuses(
        &["threshold"],
        &[
            "evaluation.json",
            "threshold.prevalence",
            "boneglow evaluate",
        ],
    );
}

#[test]
fn steps_say_that_what_they_build_on_is_out_of_date() {
    let season = TrialSeason::small();
    learn(&season);
    let note = "was made from other inputs than the present ones";
    let classify = ["classify", "ledger/checks.csv", "-o", "-"];
    for step in [&["train"][..], &["threshold"], &classify] {
        assert!(!told(&season, step).contains(note), "{step:?}");
    }
    season.edit("ledger/checks.csv", |text| {
        let lines: Vec<&str> = text.lines().collect();
        lines[..lines.len() - 1].join("\n") + "\n"
    });
    for step in [&classify[..], &["train"], &["threshold"]] {
        assert!(told(&season, step).contains(note), "{step:?}");
    }
}
