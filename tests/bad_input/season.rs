//! A season file with something wrong in it.

use crate::support::TrialSeason;

#[test]
fn an_unknown_key_names_the_nearest_known_one() {
    let season = TrialSeason::small();
    season.replace("season.toml", "positive =", "positve =");
    season.refuses(
        &["evaluate"],
        &[
            "season.toml, line 10",
            "unknown key \"positve\"",
            "did you mean \"positive\"",
        ],
    );
}

#[test]
fn a_missing_key_is_named() {
    let season = TrialSeason::small();
    season.replace("season.toml", "filter_cut_on_nm = 480\n", "");
    season.refuses(
        &["run"],
        &["season.toml", "\"filter_cut_on_nm\" is missing"],
    );
}

#[test]
fn a_value_out_of_range_is_named() {
    let season = TrialSeason::small();
    season.edit("season.toml", |text| {
        format!("{text}[threshold]\nconfidence = 1.5\n")
    });
    season.refuses(&["threshold"], &["key threshold.confidence", "found 1.5"]);
}

#[test]
fn a_season_that_is_not_there_says_how_to_start_one() {
    let season = TrialSeason::small();
    season.refuses(
        &["run", "--season", "nowhere.toml"],
        &["nowhere.toml", "boneglow init"],
    );
}

#[test]
fn a_filter_below_the_laser_is_refused() {
    let season = TrialSeason::small();
    season.replace(
        "season.toml",
        "filter_cut_on_nm = 480",
        "filter_cut_on_nm = 440",
    );
    season.refuses(
        &["calibrate"],
        &["rig.filter_cut_on_nm", "not above the laser"],
    );
}

#[test]
fn an_unknown_classifier_names_the_nearest_known_one() {
    let season = TrialSeason::small();
    season.replace("season.toml", "\"logistic\"", "\"logistik\"");
    season.refuses(
        &["evaluate"],
        &["classify.classifiers", "\"logistik\"", "logistic"],
    );
}

#[test]
fn an_unknown_feature_names_the_nearest_known_one() {
    let season = TrialSeason::small();
    season.replace(
        "season.toml",
        "replicates",
        "features = [\"u\", \"log_luminence\"]\nreplicates",
    );
    season.refuses(
        &["evaluate"],
        &["classify.features", "log_luminence", "log_luminance"],
    );
}

#[test]
fn a_positive_class_that_no_label_has_is_refused() {
    let season = TrialSeason::small();
    season.replace("season.toml", "[\"bone\"]", "[\"bones\"]");
    season.refuses(
        &["evaluate"],
        &["ledger.positive", "\"bones\"", "did you mean \"bone\""],
    );
}

#[test]
fn a_locked_group_that_does_not_exist_is_refused() {
    let season = TrialSeason::small();
    season.replace(
        "season.toml",
        "[classify]",
        "locked = [\"site-99\"]\n[classify]",
    );
    season.refuses(&["evaluate"], &["ledger.locked", "site-99"]);
}

#[test]
fn a_ledger_that_is_not_there_is_refused() {
    let season = TrialSeason::small();
    season.replace("season.toml", "ledger/*.csv", "notes/*.csv");
    season.refuses(&["evaluate"], &["notes"]);
}

#[test]
fn a_limit_of_drift_that_is_no_distance_is_refused() {
    let season = TrialSeason::demo();
    season.replace(
        "season.toml",
        "[calibration]",
        "[calibration]\nmax_drift_uv = 0.0",
    );
    season.refuses(&["calibrate"], &["season.toml", "calibration.max_drift_uv"]);
}

#[test]
fn a_path_with_backslashes_is_named_as_such() {
    // In quotes "\c" is no escape, and "\r" is one that would pass for a carriage return.
    for path in ["ledger\\checks.csv", "ledger\\random.csv"] {
        let season = TrialSeason::small();
        season.replace("season.toml", "ledger/*.csv", path);
        season.refuses(&["evaluate"], &["season.toml", "forward slashes"]);
    }
}

#[test]
fn a_season_just_started_says_what_to_fill_in_first() {
    let season = TrialSeason::small();
    season.succeeds(&["init", "new"]);
    season.refuses(
        &["run", "--season", "new"],
        &[
            "new/targets/reference.csv",
            "holds no target yet",
            "calibration.assume",
        ],
    );
    season.write(
        "new/targets/reference.csv",
        "target,x,y\nsand,0.42,0.5\nmoss,0.3,0.6\nrust,0.55,0.44\nsea,0.2,0.5\n",
    );
    season.refuses(
        &["run", "--season", "new"],
        &[
            "new/targets/captures.csv",
            "holds no capture yet",
            "fill in a row",
        ],
    );
}

#[test]
fn more_threads_than_make_sense_are_refused() {
    let season = TrialSeason::small();
    for threads in ["0", "1000"] {
        season.refuses(
            &["evaluate", "--threads", threads],
            &[&format!("found {threads} threads"), "expected 1 to 256"],
        );
    }
}

#[test]
fn a_value_of_the_wrong_kind_is_told_in_plain_words() {
    for (key, value, said) in [
        (
            "laser_nm = 450",
            "laser_nm = \"blue\"",
            "found \"blue\", expected a number",
        ),
        (
            "laser_nm = 450",
            "laser_nm = [450]",
            "found a list, expected a number",
        ),
        (
            "laser_nm = 450",
            "laser_nm = 450\nbit_depth = -8",
            "found -8, expected a whole number of 0 or more",
        ),
        (
            "laser_nm = 450",
            "laser_nm = 450\nbit_depth = 8.5",
            "found 8.5, expected a whole number of 0 or more",
        ),
        (
            "files = [\"ledger/*.csv\"]",
            "files = \"ledger/*.csv\"",
            "found \"ledger/*.csv\", expected a list in square brackets",
        ),
        (
            "name = \"trial rig\"",
            "name = 7",
            "found 7, expected text in quotes",
        ),
        (
            "replicates = 200",
            "balance_classes = 1",
            "found 1, expected true or false",
        ),
        (
            "laser_nm = 450",
            "laser_nm = 450\nfilter = true",
            "found true, expected text in quotes",
        ),
    ] {
        let season = TrialSeason::small();
        season.replace("season.toml", key, value);
        season.refuses(&["evaluate"], &["season.toml, line", said]);
    }
}

#[test]
fn a_file_that_is_not_there_is_told_with_the_key_that_names_it() {
    for (from, to, key) in [
        (
            "targets/reference.csv",
            "gone/reference.csv",
            "calibration.reference",
        ),
        (
            "targets/captures.csv",
            "gone/captures.csv",
            "calibration.captures",
        ),
        ("targets/camera.csv", "gone/camera.csv", "rig.sensitivities"),
        ("targets/filter.csv", "gone/filter.csv", "rig.filter"),
        (
            "response = \"srgb\"",
            "response = \"gone/steps.csv\"",
            "rig.response",
        ),
    ] {
        let season = TrialSeason::demo();
        season.replace("season.toml", from, to);
        season.refuses(
            &["calibrate"],
            &[
                "gone/",
                key,
                "no such file",
                "correct the path in season.toml",
            ],
        );
    }
    let season = TrialSeason::demo();
    season.succeeds(&["calibrate"]);
    season.replace("season.toml", "targets/night-*.csv", "gone/night-*.csv");
    season.refuses(
        &["drift"],
        &["gone", "calibration.nights", "correct the path"],
    );
    season.replace("season.toml", "ledger/*.csv", "gone/*.csv");
    season.refuses(&["evaluate"], &["gone", "ledger.files", "correct the path"]);
}
