//! Out-of-group predictions and the figures made of them against independent software.
//!
//! `data/grouped_evaluation.json` is made by `data/grouped_evaluation.py` (scikit-learn): patches in turn
//! are put into groups, standardization and ridge logistic regression are learnt without each group, and its
//! patches predicted. Settings are fixed: how they are tuned inside is this project's own rule. Some cases
//! weigh the patches, in fitting and in every figure, and some let each class count the same in fitting.

use crate::classifiers::dataset;
use crate::data;
use boneglow::classify::{Method, Settings, Terms as Logits};
use boneglow::evaluation::{
    ClusterBootstrap, Folds, Inside, Merit, Recipe, Terms, assess, cross_validate,
};
use serde_json::Value;

/// Both programs stop short of the optimum, where losses are flat: they agree to about 1e-8.
const OF_LOSSES: f64 = 1e-6;
/// Figures of ranks and counts are the same to rounding.
const OF_RANKS: f64 = 1e-9;

#[test]
fn figures_out_of_group_equal_those_of_independent_software() {
    let text = std::fs::read(data("grouped_evaluation.json")).unwrap();
    let content: Value = serde_json::from_slice(&text).unwrap();
    let cases = content["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 7);
    for case in cases {
        let number = |key: &str| case[key].as_f64().unwrap();
        let mut patches = dataset(case["data"].as_str().unwrap());
        let groups = case["groups"].as_u64().unwrap() as usize;
        let weights = case["weights"].as_array().unwrap();
        patches.weights = weights.iter().map(|w| w.as_f64().unwrap()).collect();
        patches.groups = (0..patches.len()).map(|i| i % groups).collect();
        patches.group_names = (0..groups).map(|g| format!("group {g}")).collect();
        patches.positive = patches
            .classes
            .iter()
            .map(|c| case["positive"] == c.as_str())
            .collect();
        let recipe = Recipe::fixed(Settings::Logistic {
            terms: Logits::Linear,
            strength: number("strength"),
        });
        let inside = Inside {
            balance_classes: case["balanced"].as_bool().unwrap(),
            nested: false,
            seed: 1,
        };
        let folds = Folds::by_group(&patches.groups).unwrap();
        assert_eq!(recipe.method(), Method::Logistic);
        let found = cross_validate(&patches, &[recipe], &folds, inside, None, &|_| ())
            .unwrap()
            .remove(0);

        for (group, reference) in case["log_loss_by_group"]
            .as_array()
            .unwrap()
            .iter()
            .enumerate()
        {
            let rows: Vec<usize> = (0..found.len())
                .filter(|&i| found.groups()[i] == group)
                .collect();
            let loss = |&i: &usize| -found.probabilities()[(i, found.labels()[i])].ln();
            let weight = |i: &usize| patches.weights[*i];
            let total: f64 = rows.iter().map(weight).sum();
            let mean = rows.iter().map(|i| weight(i) * loss(i)).sum::<f64>() / total;
            let off = (mean - reference.as_f64().unwrap()).abs();
            assert!(off < OF_LOSSES, "{} group {group}: {mean}", case["data"]);
        }
        let terms = Terms {
            cut: number("cut"),
            prevalence: number("prevalence"),
            bootstrap: ClusterBootstrap {
                replicates: 50,
                ..ClusterBootstrap::new(1, 0.95)
            },
        };
        let of = assess(&found, terms).unwrap();
        let positive = patches.positive.iter().position(|p| *p).unwrap();
        for (name, merit, tolerance) in [
            ("log_loss_classes", &of.log_loss_classes, OF_LOSSES),
            ("log_loss", &of.log_loss, OF_LOSSES),
            ("log_loss", &of.classes[positive].log_loss, OF_LOSSES),
            ("brier", &of.brier, OF_LOSSES),
            ("brier", &of.classes[positive].brier, OF_LOSSES),
            ("auc", &of.auc, OF_RANKS),
            ("partial_auc", &of.partial_auc, OF_RANKS),
            ("average_precision", &of.average_precision, OF_RANKS),
            ("recall", &of.recall, OF_RANKS),
            ("precision", &of.precision, OF_RANKS),
            ("specificity", &of.specificity, OF_RANKS),
            ("f1", &of.f1, OF_RANKS),
            ("matthews", &of.matthews, OF_RANKS),
            ("kappa", &of.kappa, OF_RANKS),
            ("balanced_accuracy", &of.balanced_accuracy, OF_RANKS),
        ] {
            let Merit { value, .. } = merit.as_ref().unwrap();
            assert!(
                (value - number(name)).abs() < tolerance,
                "{} {name}: {value}, reference {}",
                case["data"],
                number(name)
            );
        }
    }
}
