//! Whole nights left out instead of whole sites: what the groups share with each other.

use super::cross_validation::{Inside, Recipe, demonstrate_leak};
use super::evaluate::{mean_loss, usual_settings};
use super::evaluation::OtherSplit;
use super::folds::Folds;
use super::out_of_group::{OutOfGroup, Predictions};
use super::{Scores, roc};
use crate::Result;
use crate::classify::Method;
use crate::features::Dataset;
use crate::season::ClassifyPlan;
use std::collections::{BTreeMap, BTreeSet};

/// Patches of different groups may share what another column names: sites are recorded on the same
/// night, with its damp and its settings. Then that is on both sides of a split by groups.
///
/// `chosen` are the chosen classifier's predictions by groups; `own` names the groups' column and `column`
/// the other one, whose values `other` gives, one a patch of `data` in order. Both splits are made at
/// the settings that were chosen most often, so that they differ in nothing else. Absent where no two groups
/// share a value.
///
/// # Errors
/// What a fit may refuse.
pub fn other_split(
    data: &Dataset,
    chosen: &OutOfGroup,
    own: &str,
    (column, other): (&str, &[String]),
    classify: &ClassifyPlan,
) -> Result<Option<OtherSplit>> {
    let mut groups_of: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
    for (value, &group) in other.iter().zip(&data.groups) {
        groups_of.entry(value).or_default().insert(group);
    }
    let shared = other
        .iter()
        .filter(|value| groups_of[value.as_str()].len() > 1)
        .count();
    if shared == 0 {
        return Ok(None);
    }
    let begin = format!(
        "{shared} of {} checked patches share their {column} with another {own}: what a {column} has of its own is on both sides \
         of the split.",
        data.len()
    );
    let mut found = OtherSplit {
        column: column.to_string(),
        values: groups_of.len(),
        shared,
        log_loss: None,
        auc: None,
        own_log_loss: None,
        own_auc: None,
        sentence: format!(
            "{begin} There is one {column} only, so nothing tells how another would do."
        ),
    };
    let Some(settings) = usual_settings(chosen, Method::parse(chosen.classifier())?) else {
        return Ok(None);
    };
    if groups_of.len() < 2 {
        return Ok(Some(found));
    }
    let names: Vec<&str> = groups_of.keys().copied().collect();
    let numbers: Vec<usize> = other
        .iter()
        .map(|value| names.partition_point(|name| *name < value.as_str()))
        .collect();
    let inside = Inside {
        balance_classes: classify.balance_classes,
        nested: false,
        seed: classify.seed,
    };
    let figures = |of: &[usize]| -> Result<(f64, Option<f64>)> {
        let folds = Folds::by_group(of)?;
        let folds: Vec<usize> = (0..data.len()).map(|patch| folds.of(patch)).collect();
        let folds = Folds::given_leaking(&folds)?;
        let predictions = demonstrate_leak(data, &[Recipe::fixed(settings)], &folds, inside)?;
        Ok((mean_loss(&predictions[0]), area(&predictions[0])?))
    };
    let ((loss, auc), (own_loss, own_auc)) = (figures(&numbers)?, figures(&data.groups)?);
    let with_area = |loss: f64, auc: Option<f64>| match auc {
        Some(auc) => format!("a log loss of {loss:.3} and an area under ROC of {auc:.3}"),
        None => format!("a log loss of {loss:.3}"),
    };
    found.sentence = format!(
        "{begin} With every {column} left out in turn ({}), {} at its usual settings has {}; with every {own} left out, {}.",
        names.len(),
        chosen.classifier(),
        with_area(loss, auc),
        with_area(own_loss, own_auc)
    );
    (found.log_loss, found.own_log_loss) = (Some(loss), Some(own_loss));
    (found.auc, found.own_auc) = (auc, own_auc);
    Ok(Some(found))
}

fn area(predictions: &Predictions) -> Result<Option<f64>> {
    let p = predictions.p_positive_at(predictions.ledger_share());
    let positive = predictions.is_positive();
    Ok(roc::auc(
        &Scores::new(&p, &positive)?.weighted(predictions.weights())?,
    ))
}
