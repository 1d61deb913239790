use crate::json;
use crate::support::TrialSeason;

/// Nights of the demo season on which nothing changed, and the last, on which the filter had aged.
const STEADY: [&str; 2] = ["2031-05-09", "2031-07-30"];
const CHANGED: &str = "2031-10-17";

/// The demo season without strips, of which only these nights are listed and one classifier is fitted.
fn listing(nights: &[&str]) -> TrialSeason {
    let season = TrialSeason::demo();
    list(&season, nights);
    season.replace(
        "season.toml",
        "[classify]\n",
        "[classify]\nclassifiers = [\"discriminant\"]\nreplicates = 100\n",
    );
    season
}

fn table(night: &str) -> String {
    format!("targets/night-{night}.csv")
}

fn list(season: &TrialSeason, nights: &[&str]) {
    let listed: Vec<String> = nights.iter().map(|n| format!("{:?}", table(n))).collect();
    season.edit("season.toml", |text| {
        let keep = |line: &&str| !line.starts_with("nights = ");
        let rest: Vec<&str> = text.lines().filter(keep).collect();
        let key = format!("[calibration]\nnights = [{}]", listed.join(", "));
        rest.join("\n").replacen("[calibration]", &key, 1)
    });
}

/// Runs and gives exit code and standard output.
fn call(season: &TrialSeason, arguments: &[&str]) -> (Option<i32>, String) {
    let output = season.command(arguments).output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    (output.status.code(), said)
}

/// The nights in `drift.json` and whether each drifted.
fn on_record(season: &TrialSeason) -> Vec<(String, bool)> {
    let found = json(season, "results/drift.json");
    let nights = found["nights"].as_array().unwrap().iter();
    let pair = |n: &serde_json::Value| {
        let night = n["night"].as_str().unwrap().to_string();
        (night, n["drifted"].as_bool().unwrap())
    };
    nights.map(pair).collect()
}

#[test]
fn a_run_with_a_drift_does_all_steps_says_so_last_and_ends_with_1() {
    let season = listing(&[STEADY[0], CHANGED]);
    for again in [false, true] {
        let (code, said) = call(&season, &["run"]);
        assert_eq!(code, Some(1), "{said}");
        let last = said.lines().last().unwrap();
        assert!(last.starts_with("DRIFT: "), "{last}");
        assert!(
            last.contains(CHANGED) && !last.contains(STEADY[0]),
            "{last}"
        );
        assert_eq!(said.contains("Drift: up to date"), again, "{said}");
        assert!(said.contains(&format!("Night {CHANGED}")), "{said}");
        assert!(said.contains(" (color: p"), "{said}");
        assert!(season.path("results/report.html").is_file());
    }
    let (code, said) = call(&season, &["run", "--json"]);
    assert_eq!(code, Some(1));
    let last: serde_json::Value = serde_json::from_str(said.lines().last().unwrap()).unwrap();
    assert_eq!(last["favorable"], false);
    assert_eq!(last["result"]["drifted_nights"][0], CHANGED);
}

#[test]
fn a_run_over_steady_nights_ends_with_0() {
    let season = listing(&STEADY);
    let (code, said) = call(&season, &["run"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(!said.contains("DRIFT"), "{said}");
}

#[test]
fn judged_nights_stay_on_record_over_later_calls_and_runs() {
    let season = listing(&[STEADY[0]]);
    season.succeeds(&["calibrate"]);
    season.succeeds(&["drift"]);
    let first = (STEADY[0].to_string(), false);
    assert_eq!(on_record(&season), std::slice::from_ref(&first));

    let (code, _) = call(&season, &["drift", &table(CHANGED)]);
    assert_eq!(code, Some(1));
    let changed = (CHANGED.to_string(), true);
    assert_eq!(on_record(&season), [first.clone(), changed.clone()]);

    // A night on record counts, whether the season lists it or not.
    let (code, said) = call(&season, &["run"]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("Drift: up to date"), "{said}");
    assert_eq!(on_record(&season), [first.clone(), changed.clone()]);

    list(&season, &STEADY);
    let (code, said) = call(&season, &["run"]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("Calibrate: up to date"), "{said}");
    let second = (STEADY[1].to_string(), false);
    assert_eq!(on_record(&season), [first, second, changed]);

    // Another calibration starts another record.
    season.replace(
        "season.toml",
        "luminance_target = \"lime\"",
        "luminance_target = \"pea\"",
    );
    let (code, said) = call(&season, &["run"]);
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(on_record(&season).len(), 2);
}

#[test]
fn the_demo_drifts_on_purpose_and_ends_with_0() {
    let season = TrialSeason::small();
    let said = season.succeeds(&["demo", "demo"]);
    let drift = said.lines().find(|l| l.starts_with("DRIFT: ")).unwrap();
    for night in STEADY {
        assert!(!drift.contains(night), "{drift}");
    }
    assert!(
        drift.contains("2031-09-19") && drift.contains(CHANGED),
        "{drift}"
    );
    assert!(
        said.lines()
            .last()
            .unwrap()
            .contains("as the demo means it")
    );
    let (code, _) = call(&season, &["run", "--season", "demo"]);
    assert_eq!(code, Some(1));
}

#[test]
fn patches_of_drifted_nights_are_counted_until_the_season_leaves_them_out() {
    let season = listing(&[STEADY[0], CHANGED]);
    call(&season, &["run"]);
    let notes = |step: &str| {
        let output = season.command(&[step]).output().unwrap();
        String::from_utf8(output.stderr).unwrap()
    };
    let told = "checked patches that are learnt from were recorded on nights";
    for step in ["evaluate", "train"] {
        let said = notes(step);
        assert!(
            said.contains(told) && said.contains(&format!("of {CHANGED})")),
            "{said}"
        );
    }
    let page = season.read("results/report.html");
    assert!(page.contains(told));
    let untested =
        "Nights without captures of targets, so not tested for drift: 2031-07-04, 2031-07-30";
    assert!(page.contains(&format!("{untested}, 2031-09-19")), "{page}");
    let methods = season.read("results/methods.md");
    let paragraph = format!("\n\n{untested} and 2031-09-19.\n\n");
    assert!(methods.contains(&paragraph), "{methods}");
    for step in ["measure", "classify"] {
        let of = |table: &str| {
            let arguments = [step, table, "-o", "new.csv"];
            let output = season.command(&arguments).output().unwrap();
            String::from_utf8(output.stderr).unwrap()
        };
        let (autumn, spring) = (of("ledger/autumn.csv"), of("ledger/spring.csv"));
        let drifted = format!("rig was not what was calibrated (83 of {CHANGED})");
        assert!(autumn.contains(&drifted), "{autumn}");
        assert!(!spring.contains("was not what was calibrated"), "{spring}");
    }
    let patches = |season: &TrialSeason| {
        let found = json(season, "results/evaluation.json");
        found["protocol"]["patches"].as_u64().unwrap()
    };
    let before = patches(&season);
    let key = format!("[ledger]\nleave_out_nights = [\"{CHANGED}\"]");
    season.replace("season.toml", "[ledger]", &key);
    let (code, said) = call(&season, &["run"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(
        !said.contains("DRIFT") && !said.contains("calibrate anew"),
        "{said}"
    );
    let last = said.lines().last().unwrap();
    assert!(
        last.contains(&format!("{CHANGED}; ledger.leave_out_nights leaves out")),
        "{last}"
    );
    let both = [(STEADY[0].to_string(), false), (CHANGED.to_string(), true)];
    assert_eq!(on_record(&season), both);
    assert!(patches(&season) < before);
    let said = notes("evaluate");
    assert!(!said.contains(told), "{said}");
    let page = season.read("results/report.html");
    assert!(!page.contains(told) && !page.contains(&format!("On {CHANGED} color had drifted")));
    assert!(page.contains("the ledger leaves this night out"));
    assert!(page.contains(&format!(
        "of the night {CHANGED} are left out of everything"
    )));
}
