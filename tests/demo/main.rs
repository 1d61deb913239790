//! The committed demo season is what the program makes.

use boneglow::calibration::calibrate;
use boneglow::files::Table;
use boneglow::season::Season;
use boneglow::simulation::{ComparisonPlan, compare_rigs, read_options};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn committed() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference-spectra-demo")
}

fn read_all(folder: &Path, below: &Path, found: &mut BTreeMap<String, Vec<u8>>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            read_all(&path, below, found);
        } else {
            let name: Vec<String> = path
                .strip_prefix(below)
                .unwrap()
                .iter()
                .map(|part| part.to_string_lossy().to_string())
                .collect();
            found.insert(name.join("/"), std::fs::read(&path).unwrap());
        }
    }
}

#[test]
fn the_demo_season_is_regenerated_byte_for_byte() {
    let made: BTreeMap<_, _> = boneglow::simulation::demo::files()
        .unwrap()
        .into_iter()
        .collect();
    let mut kept = BTreeMap::new();
    read_all(&committed(), &committed(), &mut kept);
    let names = |of: &BTreeMap<String, Vec<u8>>| of.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&made), names(&kept), "files that are there");
    for (name, bytes) in &made {
        assert!(bytes == &kept[name], "{name} differs: regenerate the demo");
    }
}

#[test]
fn the_demo_season_is_small_enough_to_carry() {
    let mut kept = BTreeMap::new();
    read_all(&committed(), &committed(), &mut kept);
    let bytes: usize = kept.values().map(Vec::len).sum();
    assert!(bytes < 4_000_000, "{bytes} bytes");
}

/// The rows of the ledger: label, site, mean green code value, selection.
fn ledger() -> Vec<(String, String, f64, String)> {
    let season = Season::read(&committed().join("season.toml")).unwrap();
    let files = season.matching(&season.plan.ledger.files, "ledger.files");
    let mut rows = Vec::new();
    for file in files.unwrap() {
        for row in Table::read(&file).unwrap().rows() {
            let text = |column: &str| row.get(column).unwrap_or("").to_string();
            let green = row.number("g").unwrap();
            rows.push((text("label"), text("site"), green, text("selection")));
        }
    }
    rows
}

#[test]
fn the_ledger_holds_what_makes_a_survey_hard() {
    let rows = ledger();
    let median = |label: &str| {
        let own = rows.iter().filter(|r| r.0 == label).map(|r| r.2);
        let mut values: Vec<f64> = own.collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    let bone: Vec<_> = rows.iter().filter(|r| r.0 == "bone").collect();
    assert!(bone.len() > 60);
    assert!(
        bone.iter().any(|b| b.2 < median("matrix") * 1.2),
        "dim bone"
    );
    assert!(median("litter") > median("bone"), "litter outshines bone");
    assert!(
        bone.iter().any(|b| b.3 == "audit"),
        "bone that the rule of thumb missed"
    );
    let unchecked = rows.iter().filter(|r| r.0.is_empty()).count();
    assert!(unchecked > rows.len() / 4);
    let sites: std::collections::BTreeSet<_> = rows.iter().map(|r| &r.1).collect();
    assert_eq!(sites.len(), 16);
}

#[test]
fn lichen_is_what_every_laser_and_filter_finds_hardest_to_tell_from_bone() {
    let season = Season::read(&committed().join("season.toml")).unwrap();
    let plan = ComparisonPlan::of_season(&season, None).unwrap();
    let table = Table::read(&season.resolve("spectra/options.csv")).unwrap();
    let options = read_options(&table, season.folder(), None).unwrap();
    let first = options[0].name.clone();
    let found = compare_rigs(&plan, &options).unwrap();
    assert_eq!(found.options.len(), 5);
    for option in &found.options {
        let weakest = option.weakest.unwrap();
        assert!(
            weakest < 2.0,
            "{} tells all apart: {weakest}",
            option.option
        );
        let hardest = option.separations.iter();
        let hardest =
            hardest.min_by(|a, b| a.mahalanobis.unwrap().total_cmp(&b.mahalanobis.unwrap()));
        assert_eq!(hardest.unwrap().other, "lichen");
    }
    // The leak of the blue laser through the season's filter is on the table.
    let mut options = found.options.iter();
    let own = options.find(|o| o.option == first).unwrap();
    assert!(own.leak_over_dimmest.unwrap() > 0.05);
}

#[test]
fn the_calibration_finds_the_fan_of_the_line_and_the_leak_of_the_ground() {
    let season = Season::read(&committed().join("season.toml")).unwrap();
    let rig = calibrate(&season).unwrap();
    let flat = rig.flat.unwrap();
    assert_eq!(flat.width, 640);
    for x in [5.0, 100.0, 250.0, 400.0, 635.0] {
        // The fan of the simulation is a Gaussian of 0.75 of the width.
        let light = f64::exp(-0.5 * ((x - 320.0) / 480.0_f64).powi(2));
        let found = flat.at(x) / flat.at(320.0);
        assert!((found - light).abs() < 0.01, "{x}: {found}, drawn {light}");
    }
    // The clay of the simulation sends back 0.33 of the white's leak.
    assert_eq!(rig.leak.ground_patches, 12);
    let share = rig.leak.ground_share;
    assert!((share - 0.33).abs() < 0.03, "{share}");
}
