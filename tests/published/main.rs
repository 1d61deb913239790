//! Checks against figures from outside the project; the source is named beside each.

mod calibration;
mod classifiers;
mod colorimetry;
mod evaluation;
mod places;
mod statistics;

use boneglow::files::Table;
use serde_json::Value;
use std::path::{Path, PathBuf};

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/published/data")
        .join(name)
}

fn table(name: &str) -> Table {
    Table::read(&data(name)).unwrap()
}

/// A case of a file of check values: its id, its inputs, its expected entries.
type Case = (String, Value, Vec<Value>);

fn cases(name: &str) -> Vec<Case> {
    let file: Value = serde_json::from_slice(&std::fs::read(data(name)).unwrap()).unwrap();
    let one = |case: &Value| {
        (
            case["id"].as_str().unwrap().to_string(),
            case["inputs"].clone(),
            case["expected"].as_array().unwrap().clone(),
        )
    };
    file["cases"].as_array().unwrap().iter().map(one).collect()
}
