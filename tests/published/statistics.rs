//! Figures of merit, intervals and tests against published figures and independent software.
//!
//! Every entry of a case must be given a value of ours, or be named with the reason why not.

mod agreement;
mod calibration;
mod clusters;
mod prior;
mod proportions;
mod roc;
mod verification;

use crate::data;
use boneglow::files::Table;
use serde_json::Value;
use std::collections::BTreeMap;

/// One case of a file of check values.
struct Case {
    id: String,
    inputs: Value,
    expected: Vec<Value>,
}

/// The cases of `file` whose id starts with `id`; at least one.
fn cases(file: &str, id: &str) -> Vec<Case> {
    let found: Vec<Case> = crate::cases(file)
        .into_iter()
        .filter(|case| case.0.starts_with(id))
        .map(|(id, inputs, expected)| Case {
            id,
            inputs,
            expected,
        })
        .collect();
    assert!(!found.is_empty(), "{file} has no case {id}");
    found
}

fn case(file: &str, id: &str) -> Case {
    let mut found = cases(file, id);
    assert_eq!(found.len(), 1, "{file}: {id} is not one case");
    found.remove(0)
}

impl Case {
    fn number(&self, key: &str) -> f64 {
        self.inputs[key].as_f64().unwrap()
    }

    fn numbers(&self, key: &str) -> Vec<f64> {
        numbers(&self.inputs[key])
    }

    fn rows(&self, key: &str) -> Vec<Vec<f64>> {
        self.inputs[key]
            .as_array()
            .unwrap()
            .iter()
            .map(numbers)
            .collect()
    }

    fn flags(&self, key: &str) -> Vec<bool> {
        self.numbers(key).iter().map(|&y| y > 0.0).collect()
    }

    /// Compares ours with every expected entry; `elsewhere` names those this test is not about.
    fn check(&self, ours: &[(&str, f64)], elsewhere: &[&str]) {
        self.check_within(ours, elsewhere, 0.0);
    }

    /// The same with a wider tolerance, where ours is drawn at random.
    fn check_within(&self, ours: &[(&str, f64)], elsewhere: &[&str], wider: f64) {
        let ours: BTreeMap<&str, f64> = ours.iter().copied().collect();
        let mut seen = 0;
        for entry in &self.expected {
            let name = entry["name"].as_str().unwrap();
            let Some(&found) = ours.get(name) else {
                assert!(
                    elsewhere.contains(&name),
                    "{}: {name} is not checked",
                    self.id
                );
                continue;
            };
            seen += 1;
            compare(&self.id, entry, found, wider);
        }
        assert_eq!(
            seen,
            ours.len(),
            "{}: a name of ours is not in the file",
            self.id
        );
    }

    /// The expected list of numbers of this name.
    fn list(&self, name: &str) -> Vec<f64> {
        let entry = self.expected.iter().find(|e| e["name"] == name).unwrap();
        numbers(&entry["reference"])
    }
}

/// The reference at the tolerance that belongs to it, and the print to half a unit of its last digit.
///
/// The file's tolerance of a printed value is for the print; the independent figure at full
/// precision is held to 1e-9 of its size (or the file's tolerance, where that is for it).
fn compare(id: &str, entry: &Value, found: f64, wider: f64) {
    let name = entry["name"].as_str().unwrap();
    let tolerance = entry["abs_tol"].as_f64().unwrap_or(1e-9);
    let reference = entry["reference"].as_f64().unwrap();
    let full = match entry["published_decimals"].is_null() {
        true => tolerance.max(1e-9 * reference.abs()),
        false => 1e-9_f64.max(1e-9 * reference.abs()),
    };
    assert!(
        (found - reference).abs() <= full.max(wider),
        "{id} {name}: {found}, reference {reference}"
    );
    let decimals = entry["published_decimals"].as_i64();
    if let (Some(published), Some(decimals)) = (entry["published"].as_f64(), decimals) {
        let half = 0.5 * 10f64.powi(-(decimals as i32));
        assert!(
            (found - published).abs() <= half.max(tolerance).max(wider) * (1.0 + 1e-9),
            "{id} {name}: {found}, printed {published}"
        );
    }
}

fn numbers(value: &Value) -> Vec<f64> {
    let all = value.as_array().unwrap();
    all.iter().map(|v| v.as_f64().unwrap()).collect()
}

fn column(file: &str, name: &str) -> Vec<f64> {
    let table = Table::read(&data(file)).unwrap();
    table.rows().map(|row| row.number(name).unwrap()).collect()
}
