//! A tree of two splits on Fisher's flowers against independent software (tests/published/data/README.md).

use super::{Grown, LEAF, Rows};
use crate::classify::bins::Bins;
use crate::files::Table;
use ndarray::Array2;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn data(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/published/data");
    folder.join(name)
}

fn gini(counts: &[f64]) -> f64 {
    let all: f64 = counts.iter().sum();
    1.0 - counts.iter().map(|c| (c / all).powi(2)).sum::<f64>()
}

#[test]
fn a_gini_tree_of_the_flowers_equals_the_reference() {
    let flowers = Table::read(&data("iris.csv")).unwrap();
    let species = ["setosa", "versicolor", "virginica"];
    let mut labels = Vec::new();
    let mut features = Array2::zeros((flowers.len(), 2));
    for (i, row) in flowers.rows().enumerate() {
        let label = row.text("species").unwrap();
        labels.push(species.iter().position(|s| *s == label).unwrap() as u8);
        features[(i, 0)] = row.number("petal_length").unwrap();
        features[(i, 1)] = row.number("petal_width").unwrap();
    }
    let bins = Bins::fit(features.view());
    let rows = Rows {
        codes: &bins.codes(features.view()),
        labels: &labels,
        weights: &[1.0; 150],
    };
    // Ties of the first split fall either way, as the key has it.
    let firsts: BTreeSet<u16> = (0..20)
        .map(|key| compare_with_reference(&bins, &rows, key))
        .collect();
    assert_eq!(firsts.len(), 2);
}

/// Compares the tree of one key; gives the feature that it splits first.
fn compare_with_reference(bins: &Bins, rows: &Rows<'_>, key: u64) -> u16 {
    // The second split leaves 54 and 46 flowers: too few for a third.
    let tree: Grown<4> = Grown::new(rows, 3, 60.0, 2, key);
    assert_eq!(tree.nodes.len(), 5);
    let leaves: Vec<usize> = (0..5).filter(|&n| tree.nodes[n].feature == LEAF).collect();
    assert_eq!(leaves.len(), 3);
    let inner: Vec<usize> = (0..5).filter(|n| !leaves.contains(n)).collect();
    let (root, second) = (tree.nodes[inner[0]], tree.nodes[inner[1]]);
    let value = |node: super::Node| bins.edge(usize::from(node.feature), node.code);
    let leaf = |flowers: f64| {
        let of = leaves
            .iter()
            .find(|&&n| tree.counts[n].iter().sum::<f64>() == flowers);
        &tree.counts[*of.unwrap()]
    };

    let text = std::fs::read(data("classification_reference.json")).unwrap();
    let content: serde_json::Value = serde_json::from_slice(&text).unwrap();
    let cases = content["cases"].as_array().unwrap();
    let case = cases.iter().find(|c| c["id"] == "iris_gini_tree_depth2");
    for entry in case.unwrap()["expected"].as_array().unwrap() {
        let name = entry["name"].as_str().unwrap();
        let found = match name {
            "root_gini" => gini(&tree.counts[inner[0]]),
            "gini_after_first_split_mixed_node" => gini(&tree.counts[inner[1]]),
            "leaf_gini_54" => gini(leaf(54.0)),
            "leaf_gini_46" => gini(leaf(46.0)),
            "leaf_54_versicolor" => leaf(54.0)[1],
            "leaf_54_virginica" => leaf(54.0)[2],
            "leaf_46_versicolor" => leaf(46.0)[1],
            "leaf_46_virginica" => leaf(46.0)[2],
            "second_split_petal_width" => {
                assert_eq!(second.feature, 1);
                value(second)
            }
            "first_split" => {
                let either = [(0, 2.45), (1, 0.80)];
                let found = (root.feature, value(root));
                let same =
                    |(feature, at): &(u16, f64)| *feature == found.0 && (at - found.1).abs() < 1e-9;
                assert!(either.iter().any(same), "{found:?}");
                continue;
            }
            other => panic!("{other} is not checked"),
        };
        let reference = entry["reference"].as_f64().unwrap();
        assert!((found - reference).abs() < 1e-9, "{name}: {found}");
    }
    root.feature
}
