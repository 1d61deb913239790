use crate::support::TrialSeason;

#[test]
fn quiet_says_nothing_and_json_says_it_for_scripts() {
    let season = TrialSeason::small();
    assert_eq!(season.succeeds(&["--quiet", "evaluate"]), "");
    let said = season.succeeds(&["--json", "evaluate"]);
    let outcome: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!(outcome["step"], "evaluate");
    assert_eq!(outcome["favorable"], true);
    assert!(outcome["result"]["chosen"].is_string());
}

#[test]
fn a_table_goes_through_a_pipe() {
    let season = TrialSeason::small();
    for step in ["evaluate", "train", "threshold"] {
        season.succeeds(&[step]);
    }
    let output = season
        .command(&["classify", "-"])
        .write_stdin(season.read("ledger/checks.csv"))
        .output()
        .unwrap();
    let table = String::from_utf8(output.stdout).unwrap();
    assert_eq!(table.lines().count(), 193);
    let header = table.lines().next().unwrap();
    assert!(
        header.ends_with("p_bone,p_calcite,p_matrix,p_positive,novel,decision,calibrated"),
        "{header}"
    );
}

#[test]
fn a_wrong_call_is_exit_code_2_and_help_is_0() {
    let season = TrialSeason::small();
    for (arguments, code) in [
        (vec!["--help"], 0),
        (vec!["--version"], 0),
        (vec!["evaluate", "--help"], 0),
        (vec!["evaluatte"], 2),
        (vec!["evaluate", "--nonsense"], 2),
        (vec!["--season", "nowhere", "evaluate"], 2),
    ] {
        let output = season.command(&arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(code), "{arguments:?}");
    }
}

#[test]
fn results_do_not_depend_on_the_number_of_threads() {
    let results = [
        "evaluation.json",
        "predictions.csv",
        "model.json",
        "thresholds.json",
    ];
    let of = |threads: &str| {
        let season = TrialSeason::small();
        for step in ["evaluate", "train", "threshold"] {
            season.succeeds(&["--threads", threads, step]);
        }
        results.map(|name| season.read(&format!("results/{name}")))
    };
    let (one, three) = (of("1"), of("3"));
    for ((a, b), name) in one.iter().zip(&three).zip(results) {
        assert!(a == b, "{name} depends on the number of threads");
    }
}

#[test]
fn a_run_gives_one_json_object_a_line_for_each_step() {
    let season = TrialSeason::small();
    let said = season.succeeds(&["--json", "run"]);
    let steps: Vec<String> = said
        .lines()
        .map(|line| {
            let outcome: serde_json::Value = serde_json::from_str(line).unwrap();
            outcome["step"].as_str().unwrap().to_string()
        })
        .collect();
    assert_eq!(
        steps,
        ["calibrate", "evaluate", "train", "threshold", "report"]
    );
    let help = season.succeeds(&["run", "--help"]);
    assert!(help.contains("one JSON object on a line"), "{help}");
    let help = season.succeeds(&["stack", "--help"]);
    assert!(help.contains("Needs a season.toml"), "{help}");
}

#[test]
fn a_result_that_was_edited_by_hand_is_told_of_and_made_anew() {
    let season = TrialSeason::small();
    season.succeeds(&["run"]);
    let notes = |arguments: &[&str]| {
        let output = season.command(arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(0));
        String::from_utf8_lossy(&output.stderr).to_string()
    };
    let classify = ["classify", "ledger/checks.csv", "-o", "classified.csv"];
    assert!(!notes(&classify).contains("edited by hand"));
    let results = ["rig.json", "model.json", "thresholds.json"];
    for name in results {
        let file = format!("results/{name}");
        let before = season.read(&file);
        season.edit(&file, |text| text.replacen("0.", "0.1", 1));
        let said = notes(&classify);
        assert!(
            said.contains(&format!("{file} was edited by hand")),
            "{said}"
        );
        season.succeeds(&["report"]);
        let told = format!("The file {file} was edited by hand since boneglow wrote it");
        assert!(season.read("results/report.html").contains(&told));
        assert!(season.read("results/methods.md").contains("edited by hand"));
        assert!(notes(&["run"]).contains(&format!("{file} was edited by hand")));
        assert_eq!(season.read(&file), before, "{name}");
        assert!(!notes(&["run"]).contains("edited by hand"));
        assert!(
            !season
                .read("results/report.html")
                .contains("edited by hand")
        );
    }
}
