use crate::json;
use crate::support::TrialSeason;
use std::path::Path;

/// The demo season with one of its strips, run with one classifier.
fn scored() -> TrialSeason {
    let season = TrialSeason::demo();
    let strips = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference-spectra-demo/strips");
    std::fs::create_dir_all(season.path("strips")).unwrap();
    for name in [
        "north-line.png",
        "north-line.rows.csv",
        "north-line.marks.csv",
    ] {
        std::fs::copy(strips.join(name), season.path("strips").join(name)).unwrap();
    }
    season.replace(
        "season.toml",
        "nights = [\"targets/night-*.csv\"]",
        "nights = []",
    );
    season.replace(
        "season.toml",
        "[classify]\n",
        "[classify]\nclassifiers = [\"discriminant\"]\nreplicates = 100\n",
    );
    season.replace(
        "season.toml",
        "[strips]\n",
        "[strips]\nfiles = [\"strips/*.png\"]\n",
    );
    season.succeeds(&["run"]);
    season
}

#[test]
fn a_strip_that_lost_one_of_its_results_is_scored_again() {
    let season = scored();
    let said = season.succeeds(&["run"]);
    assert!(said.contains("Score: up to date"), "{said}");
    for name in ["glows.csv", "candidates.csv", "overview.svg"] {
        let path = season.path(&format!("results/strips/north-line/{name}"));
        let before = std::fs::read(&path).unwrap();
        std::fs::remove_file(&path).unwrap();
        let said = season.succeeds(&["run"]);
        assert!(!said.contains("Score: up to date"), "{said}");
        assert_eq!(std::fs::read(&path).unwrap(), before, "{name}");
    }
}

#[test]
fn only_strips_that_the_season_names_tell_how_many_patches_a_hectare_has() {
    let season = scored();
    let measured = json(&season, "results/strips/north-line/strip.json")["patches_per_hectare"]
        .as_f64()
        .unwrap();
    season.replace(
        "season.toml",
        "policy = \"cost\"",
        "policy = \"walks\"\nmax_walks_per_hectare = 200.0",
    );
    season.succeeds(&["threshold"]);
    let first = season.read("results/thresholds.json");
    // A strip of an earlier plan, on which things lay closer.
    let text = season.read("results/strips/north-line/strip.json");
    let mut stray: serde_json::Value = serde_json::from_str(&text).unwrap();
    stray["patches_per_hectare"] = (5.0 * measured).into();
    season.write("results/strips/gone/strip.json", &stray.to_string());
    season.succeeds(&["threshold"]);
    assert_eq!(season.read("results/thresholds.json"), first);
    season.write("results/strips/north-line/strip.json", &stray.to_string());
    season.succeeds(&["threshold"]);
    assert_ne!(season.read("results/thresholds.json"), first);
}

#[test]
fn the_methods_tell_of_the_flat_and_of_the_ground_that_the_leak_was_measured_on() {
    let methods = scored().read("results/methods.md");
    for told in [
        "flat captures of an even surface 640 pixels wide",
        "12 patches of ground",
    ] {
        assert!(methods.contains(told), "expected {told:?} in:\n{methods}");
    }
}

#[test]
fn strips_say_with_what_they_were_recorded_or_are_warned_of() {
    let season = scored();
    let glows = |season: &TrialSeason| season.read("results/strips/north-line/glows.csv");
    let brightest = |season: &TrialSeason| -> f64 {
        let table = season.read("results/strips/north-line/candidates.csv");
        let mut lines = table.lines().map(|line| line.split(','));
        let at = lines
            .next()
            .unwrap()
            .position(|c| c == "luminance")
            .unwrap();
        let luminance = lines.map(|mut cells| cells.nth(at).unwrap().parse().unwrap());
        luminance.fold(0.0, f64::max)
    };
    let alike = brightest(&season);
    assert!(
        glows(&season)
            .lines()
            .nth(1)
            .unwrap()
            .contains(",0.008,18,")
    );
    let notes = |season: &TrialSeason| {
        let output = season.command(&["score"]).output().unwrap();
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(!notes(&season).contains("recorded with"));
    season.replace("season.toml", "exposure_s = 0.008", "exposure_s = 0.016");
    season.succeeds(&["score"]);
    let ratio = brightest(&season) / alike;
    assert!((0.4..0.6).contains(&ratio), "{ratio}");
    season.replace("season.toml", "exposure_s = 0.016", "exposure_s = 16");
    let said = notes(&season);
    assert!(
        said.contains("Is it in milliseconds?")
            && said.contains("2000.000 times that of the calibration in [strips] of season.toml"),
        "{said}"
    );
    season.replace("season.toml", "exposure_s = 16", "");
    let said = notes(&season);
    assert!(
        said.contains("was recorded with exposure_s = 0.008, and [strips]"),
        "{said}"
    );
    season.succeeds(&["report"]);
    assert!(
        season
            .read("results/report.html")
            .contains("was recorded with exposure_s = 0.008")
    );
}

#[test]
fn scoring_without_a_model_says_how_to_make_one() {
    let season = scored();
    for (result, command) in [("thresholds.json", "threshold"), ("model.json", "train")] {
        std::fs::remove_file(season.path(&format!("results/{result}"))).unwrap();
        let said = format!("call `boneglow {command}` first, or `boneglow run`");
        season.refuses(&["score"], &[result, &said]);
    }
}

#[test]
fn a_strip_that_the_season_no_longer_names_is_left_out_of_the_report_and_said() {
    let season = scored();
    assert!(
        season
            .read("results/report.html")
            .contains("figure-strip-north-line")
    );
    season.replace("season.toml", "files = [\"strips/*.png\"]", "files = []");
    season.succeeds(&["run"]);
    let page = season.read("results/report.html");
    assert!(!page.contains("figure-strip-north-line"));
    assert!(page.contains("north-line is of a strip that season.toml no longer names"));
    assert!(!season.read("results/methods.md").contains("## Survey"));
}

#[test]
fn a_row_table_in_centimeters_or_cut_short_is_told_of() {
    let season = scored();
    let notes = || {
        let output = season.command(&["score"]).output().unwrap();
        String::from_utf8(output.stderr).unwrap()
    };
    let told = |said: &str| said.contains("height_m") || said.contains("have no place");
    let said = notes();
    assert!(!told(&said), "{said}");
    season.edit("strips/north-line.rows.csv", |text| {
        let at = text.lines().next().unwrap().split(',');
        let at = at.clone().position(|column| column == "height_m").unwrap();
        let lines = text.lines().take(401).enumerate().map(|(i, line)| {
            let mut cells: Vec<String> = line.split(',').map(str::to_string).collect();
            if i > 0 {
                cells[at] = (100.0 * cells[at].parse::<f64>().unwrap()).to_string();
            }
            cells.join(",") + "\n"
        });
        lines.collect()
    });
    let said = notes();
    assert!(
        said.contains("height_m is above 200 m in row 0, row 1, ") && said.contains("centimeters?"),
        "{said}"
    );
    // Positions go on by as much as the last two given rows are apart.
    assert!(said.contains("1200 of 1600 rows have no place"), "{said}");
}

#[test]
fn the_night_of_a_strip_is_told_with_what_is_known_of_the_rig_on_it() {
    let season = scored();
    let rows = "strips/north-line.rows.csv";
    let notes = || {
        let output = season.command(&["score"]).output().unwrap();
        assert_eq!(output.status.code(), Some(0));
        String::from_utf8(output.stderr).unwrap()
    };
    let page = || {
        season.succeeds(&["report"]);
        season.read("results/report.html")
    };
    let untested = "strip north-line was recorded on 2031-10-24, a night of which no captures of targets were judged";
    let said = notes();
    assert!(said.contains(untested), "{said}");
    assert!(page().contains(untested) && page().contains("not tested for drift"));
    // A night that was judged, and had drifted ...
    season.edit(rows, |text| text.replace("2031-10-24", "2031-10-17"));
    season
        .command(&["drift", "targets/night-2031-10-17.csv"])
        .output()
        .unwrap();
    let changed =
        "strip north-line was recorded on 2031-10-17, when the rig was not what was calibrated";
    let said = notes();
    assert!(said.contains(changed) && !said.contains(untested), "{said}");
    let told = page();
    assert!(told.contains(changed) && told.contains("not the rig that was calibrated"));
    let methods = season.read("results/methods.md");
    assert!(methods.contains("night 2031-10-17: not the rig that was calibrated"));
    // ... and one that had not; that of the calibration needs no other captures.
    season.succeeds(&["drift", "targets/night-2031-05-09.csv"]);
    for night in ["2031-05-09", "2031-04-11"] {
        season.edit(rows, |text| {
            let text = text.replace("2031-10-17", night);
            text.replace("2031-05-09", night)
        });
        let said = notes();
        assert!(!said.contains("was recorded on"), "{said}");
    }
    season.edit(rows, |text| text.replace(",2031-04-11", ","));
    let said = notes();
    assert!(
        said.contains("On which night the strip north-line was recorded is not stated"),
        "{said}"
    );
    season.edit(rows, |text| {
        let lines = text.lines().enumerate().map(|(i, line)| match i {
            5 => format!("{line}2031-04-11\n"),
            9 => format!("{line}2031-04-12\n"),
            _ => format!("{line}\n"),
        });
        lines.collect()
    });
    season.refuses(
        &["score"],
        &[
            "north-line.rows.csv, line 10",
            "night",
            "expected one night",
            "after midnight",
        ],
    );
}

#[test]
fn without_targets_it_is_told_that_faint_glows_are_not_kept_out() {
    let season = scored();
    season.edit("season.toml", |text| {
        let kept = |line: &&str| {
            let keys = ["reference", "captures", "nights", "luminance_target"];
            keys.iter().all(|key| !line.starts_with(key))
        };
        let lines: Vec<&str> = text.lines().filter(kept).collect();
        let text = lines.join("\n") + "\n";
        text.replace("[calibration]\n", "[calibration]\nassume = \"srgb\"\n")
    });
    let unknown = "The rig's noise is not known, and so neither are its detection limits";
    for step in ["calibrate", "evaluate", "train", "threshold", "score"] {
        let output = season.command(&[step]).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(0), "{said}");
        if ["calibrate", "threshold", "score"].contains(&step) {
            assert!(said.contains(unknown), "{step}: {said}");
        }
    }
    assert!(season.read("results/thresholds.json").contains(unknown));
    season.succeeds(&["report"]);
    assert!(season.read("results/report.html").contains(unknown));
    assert!(
        season
            .read("results/methods.md")
            .contains("no detection limit is known")
    );
}
