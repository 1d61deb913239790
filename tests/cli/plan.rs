use crate::support::{TrialSeason, small_ledger};
use crate::{json, learn};
use boneglow::ledger::Ledger;
use boneglow::season::Season;
use boneglow::signal::Response;

/// A season with patches at two more sites that nobody has checked.
fn with_unchecked() -> TrialSeason {
    let season = TrialSeason::small();
    let more: String = small_ledger(10, 8)
        .lines()
        .enumerate()
        .filter(|(i, l)| *i == 0 || l.contains(",site-8,") || l.contains(",site-9,"))
        .map(|(_, l)| {
            ["bone", "calcite", "matrix"]
                .iter()
                .fold(l.to_string(), |l, class| {
                    l.replace(&format!(",{class},"), ",,")
                })
                + "\n"
        })
        .collect();
    season.write("ledger/waiting.csv", &more);
    learn(&season);
    season
}

fn ledger(season: &TrialSeason) -> Ledger {
    let season = Season::read(&season.path("")).unwrap();
    Ledger::read(&season, &Response::Srgb).unwrap()
}

fn rows(season: &TrialSeason, name: &str) -> Vec<Vec<String>> {
    let text = season.read(name);
    let lines = text.lines();
    lines
        .map(|l| l.split(',').map(str::to_string).collect())
        .collect()
}

#[test]
fn a_walk_goes_out_comes_back_filled_in_and_joins_the_ledger() {
    let season = with_unchecked();
    season.succeeds(&["plan", "--walks", "12", "-o", "ledger/walk-1.csv"]);
    let stops = rows(&season, "ledger/walk-1.csv");
    assert_eq!(stops.len(), 13);
    let column = |name: &str| stops[0].iter().position(|c| c == name).unwrap();
    let (label, reason, chance) = (
        column("label"),
        column("reason"),
        column("inclusion_probability"),
    );
    assert!(stops[1..].iter().all(|stop| stop[label].is_empty()));
    let audit: Vec<_> = stops.iter().filter(|s| s[reason] == "audit").collect();
    assert_eq!(audit.len(), 2);
    let plan = json(&season, "results/plan.json");
    let among = plan["audited_among"].as_f64().unwrap();
    for stop in &audit {
        assert!((stop[chance].parse::<f64>().unwrap() - 2.0 / among).abs() < 1e-12);
    }
    // Still waiting, the table changes nothing; filled in, it does.
    season.succeeds(&["evaluate"]);
    let before = json(&season, "results/evaluation.json")["protocol"]["patches"].clone();
    assert_eq!(before, 192);
    season.edit("ledger/walk-1.csv", |text| {
        let mut lines = text.lines();
        let header = lines.next().unwrap().to_string();
        let filled = lines.map(|line| {
            let mut cells: Vec<&str> = line.split(',').collect();
            cells[label] = "bone";
            cells.join(",")
        });
        std::iter::once(header)
            .chain(filled)
            .collect::<Vec<_>>()
            .join("\n")
            + "\n"
    });
    learn(&season);
    let after = json(&season, "results/evaluation.json")["protocol"]["patches"].clone();
    assert_eq!(after, 192 + 12);
    season.succeeds(&["plan", "--walks", "40"]);
    let (again, next): (Vec<_>, Vec<_>) = rows(&season, "results/walk.csv")
        .into_iter()
        .partition(|row| row[0].is_empty());
    let id = column("patch_id");
    assert_eq!(next.len() - 1, 36, "48 waited, 12 are checked");
    assert!(
        next.iter()
            .all(|n| stops[1..].iter().all(|s| s[id] != n[id]))
    );
    // Nothing is left to draw: what the first audit drew counts as certain too, its label left empty.
    assert_eq!(again.len(), 2);
    for row in &again {
        assert!(audit.iter().any(|stop| stop[id] == row[id]));
        assert_eq!((row[chance].as_str(), row[label].as_str()), ("1", ""));
    }
    season.succeeds(&["plan", "--walks", "10", "-o", "ledger/walk-2.csv"]);
    let second = rows(&season, "ledger/walk-2.csv");
    let drawn: Vec<_> = second
        .iter()
        .filter(|r| r[reason].starts_with("audit"))
        .collect();
    let among = json(&season, "results/plan.json")["audited_among"]
        .as_f64()
        .unwrap();
    for row in &drawn {
        let chance: f64 = row[chance].parse().unwrap();
        assert!(
            (chance - drawn.len() as f64 / among).abs() < 1e-12,
            "{row:?}"
        );
    }
    // The row that waits raises the probability of the one that is checked.
    let weights: f64 = ledger(&season)
        .checked()
        .filter(|patch| audit.iter().any(|stop| stop[id] == patch.id))
        .map(|patch| patch.weight())
        .sum();
    let new = drawn.iter().filter(|row| !row[0].is_empty()).count();
    let ground = weights + new as f64 * among / drawn.len() as f64;
    assert!((ground - among).abs() < 1e-9, "{ground} of {among}");
    std::fs::remove_file(season.path("ledger/walk-2.csv")).unwrap();
    season.succeeds(&["report"]);
    assert!(
        season
            .read("results/report.html")
            .contains("What to check next")
    );
    season.edit("results/walk.csv", |text| {
        let mut lines: Vec<String> = text.lines().map(String::from).collect();
        let mut cells: Vec<&str> = lines[1].split(',').collect();
        cells[label] = "matrix";
        lines[1] = cells.join(",");
        lines.join("\n") + "\n"
    });
    season.refuses(
        &["plan", "--walks", "4"],
        &[
            "walk.csv",
            "1 patch of the last walk is filled in",
            "ledger",
        ],
    );
}

#[test]
fn the_forecast_begins_at_the_stated_interval_and_says_what_narrows_it() {
    let season = with_unchecked();
    let recall = &json(&season, "results/thresholds.json")["expected"]["recall"];
    let number = |of: &serde_json::Value| of.as_f64().unwrap();
    let stated = number(&recall["high"]) - number(&recall["low"]);
    let enough = season.succeeds(&["plan", "--width", &format!("{}", 1.1 * stated)]);
    assert!(enough.contains("takes no further checks"), "{enough}");
    let wanted = 0.8 * stated;
    let said = season.succeeds(&["plan", "--width", &format!("{wanted}")]);
    let told = format!("Further checks until it is {wanted:.2} wide");
    assert!(said.contains(&told), "{told}: {said}");
    let forecast = &json(&season, "results/plan.json")["forecast"];
    assert_eq!(forecast["today"][0], 8);
    assert_eq!(forecast["today"][1], 64);
    assert_eq!(number(&forecast["recall"]), number(&recall["value"]));
    assert!((number(&forecast["width_today"]) - stated).abs() < 1e-12);
    assert_eq!(forecast["kinds"][0]["kind"], "any");
    let first = &forecast["kinds"][0]["sites"][0]["widths"][0];
    assert_eq!(first[0], 0);
    assert!((number(&first[1]) - stated).abs() < 1e-12);
}

#[test]
fn what_cannot_be_planned_is_refused() {
    let season = TrialSeason::small();
    season.refuses(&["plan"], &["thresholds.json", "boneglow threshold"]);
    learn(&season);
    season.refuses(&["plan"], &["no glow left to walk to"]);
    let season = with_unchecked();
    season.refuses(&["plan", "--walks", "0"], &["0 walks"]);
    season.refuses(&["plan", "--audit", "0.9"], &["no more than 1 together"]);
    season.refuses(&["plan", "--kilometers", "3"], &["no glow left"]);
    season.refuses(&["plan", "--start", "north"], &["latitude and longitude"]);
    season.refuses(
        &["plan", "--start", "95,200"],
        &["a latitude of 95, expected -90 to 90 degrees"],
    );
    season.refuses(
        &["plan", "--start", "-45,200"],
        &["a longitude of 200, expected -180 to 180 degrees"],
    );
    season.refuses(
        &["plan", "-o", "ledger/waiting.csv"],
        &["waiting.csv", "there already"],
    );
}
