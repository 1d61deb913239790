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
