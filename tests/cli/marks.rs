use crate::support::TrialSeason;
use crate::{json, learn};
use std::path::Path;

const MARK: &str = "Not calibrated";

fn said(season: &TrialSeason, arguments: &[&str]) -> String {
    let output = season.command(arguments).output().unwrap();
    assert!(output.status.success(), "{arguments:?}");
    String::from_utf8([output.stdout, output.stderr].concat()).unwrap()
}

fn every_row_is_marked(table: &str) {
    let mut lines = table.lines();
    assert!(lines.next().unwrap().ends_with(",calibrated"), "{table}");
    assert!(lines.all(|line| line.ends_with(",false")), "{table}");
}

#[test]
fn without_targets_everything_says_that_it_is_not_calibrated() {
    let season = TrialSeason::small();
    let strips = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference-spectra-demo/strips");
    std::fs::create_dir_all(season.path("strips")).unwrap();
    for name in ["north-line.png", "north-line.rows.csv"] {
        std::fs::copy(strips.join(name), season.path("strips").join(name)).unwrap();
    }
    season.edit("season.toml", |text| {
        format!("{text}[strips]\nfiles = [\"strips/*.png\"]\n")
    });
    for step in ["evaluate", "train", "threshold", "score", "plan"] {
        let said = said(&season, &[step]).to_lowercase();
        assert!(said.contains("not calibrated"), "{step}: {said}");
    }
    for name in ["evaluation", "model", "thresholds", "plan"] {
        let document = json(&season, &format!("results/{name}.json"));
        assert_eq!(document["not_calibrated"], true, "{name}");
    }
    let strip = json(&season, "results/strips/north-line/strip.json");
    assert_eq!(strip["calibrated"], false);
    for name in [
        "predictions.csv",
        "walk.csv",
        "strips/north-line/candidates.csv",
        "strips/north-line/glows.csv",
    ] {
        every_row_is_marked(&season.read(&format!("results/{name}")));
    }
    for command in ["measure", "classify"] {
        every_row_is_marked(&season.succeeds(&[command, "ledger/checks.csv", "-o", "-"]));
    }
    let places = json(&season, "results/places.geojson");
    let places = places["features"].as_array().unwrap();
    assert!(!places.is_empty());
    let marked = |place: &serde_json::Value| place["properties"]["calibrated"] == false;
    assert!(places.iter().all(marked));
    for name in ["places.gpx", "walk.gpx"] {
        let text = season.read(&format!("results/{name}"));
        let told = text.matches("<desc>not calibrated, ").count();
        assert!(told > 0, "{name}");
        assert_eq!(told, text.matches("<desc>").count(), "{name}");
    }
    let thresholds = json(&season, "results/thresholds.json");
    assert!(thresholds["warnings"].to_string().contains(MARK));
}

#[test]
fn balanced_classes_change_the_fit_and_not_the_share_that_is_stated() {
    let season = TrialSeason::small();
    // One bone in four is left, so that balance weighs each of them four times.
    season.edit("ledger/checks.csv", |text| {
        let kept = text
            .lines()
            .enumerate()
            .filter(|(i, line)| !line.starts_with("bone-") || i % 4 == 0);
        kept.map(|(_, line)| format!("{line}\n")).collect()
    });
    let mean = |season: &TrialSeason| {
        learn(season);
        let text = season.read("results/predictions.csv");
        let mut lines = text.lines().map(|l| l.split(',').collect::<Vec<_>>());
        let header = lines.next().unwrap();
        let place = |name: &str| header.iter().position(|h| *h == name).unwrap();
        let (classifier, p) = (place("classifier"), place("p_positive"));
        let stated: Vec<f64> = lines
            .filter(|cells| cells[classifier] == "discriminant")
            .map(|cells| cells[p].parse().unwrap())
            .collect();
        (text, stated.iter().sum::<f64>() / stated.len() as f64)
    };
    let (plain, plain_share) = mean(&season);
    season.replace(
        "season.toml",
        "[classify]\n",
        "[classify]\nbalance_classes = true\n",
    );
    let (balanced, balanced_share) = mean(&season);
    assert_ne!(plain, balanced);
    let bones = season.read("ledger/checks.csv").matches("\nbone-").count() as f64;
    let share = bones / (bones + 128.0);
    assert!((plain_share - share).abs() < 0.05, "{plain_share} {share}");
    assert!(
        (balanced_share - share).abs() < 0.05,
        "{balanced_share} {share}"
    );
}
