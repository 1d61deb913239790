//! Night and site both left out: what groups share with each other.

use super::evaluate::usual_settings;
use super::evaluation::OtherSplit;
use super::inside::{Part, certain};
use super::out_of_group::{OutOfGroup, log_loss_of, positive_sum};
use super::prior::shift_probability;
use super::{Scores, roc};
use crate::Result;
use crate::classify::{Classifier, Method, Settings, adjust_prior};
use crate::features::Dataset;
use crate::season::ClassifyPlan;
use ndarray::Axis;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// Patches of different groups may share what another column names: sites are recorded on the same
/// night, with its damp and its settings. Then that is on both sides of a split by groups.
///
/// `chosen` are the chosen classifier's predictions by groups; `own` names the groups' column and `column`
/// the other one, whose values `other` gives, one a patch of `data` in order. Each patch is predicted from
/// those that share neither group nor value with it, and beside that from those of other groups; both at the
/// settings that were chosen most often, so that nothing else differs but the number of patches learnt
/// from. Absent where no two groups share a value.
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
    let settings = usual_settings(chosen, Method::parse(chosen.classifier())?);
    let Some(settings) = settings.filter(|_| shared > 0) else {
        return Ok(None);
    };
    let values: Vec<&str> = groups_of.keys().copied().collect();
    let value_of: Vec<usize> = other
        .iter()
        .map(|value| values.partition_point(|known| *known < value.as_str()))
        .collect();
    let split = Split {
        data,
        settings,
        classify,
        ledger_share: chosen.ledger_share(),
    };
    let groups = &data.groups;
    let apart = split.figures(
        |i| (groups[i], value_of[i]),
        |i, (group, value)| groups[i] != group && value_of[i] != value,
    )?;
    let by_group = split.figures(|i| (groups[i], 0), |i, (group, _)| groups[i] != group)?;
    let begin = format!(
        "{shared} of {} checked patches share their {column} with another {own}: what a {column} has of its own is on both sides \
         of the split.",
        data.len()
    );
    let told = |(loss, auc): (f64, Option<f64>)| match auc {
        Some(auc) => format!("a log loss of {loss:.3} and an area under ROC of {auc:.3}"),
        None => format!("a log loss of {loss:.3}"),
    };
    let end = match apart.zip(by_group) {
        Some((apart, by_group)) => format!(
            "Predicted from patches that share neither its {own} nor its {column}, a patch is met by {} at its usual settings with {}; \
             predicted from all of other {own}s, with {}.",
            chosen.classifier(),
            told(apart),
            told(by_group)
        ),
        None => format!(
            "Some share either with every other patch, so nothing tells how another {column} would do."
        ),
    };
    Ok(Some(OtherSplit {
        column: column.to_string(),
        values: values.len(),
        shared,
        log_loss: apart.map(|a| a.0),
        auc: apart.and_then(|a| a.1),
        own_log_loss: by_group.map(|b| b.0),
        own_auc: by_group.and_then(|b| b.1),
        sentence: format!("{begin} {end}"),
    }))
}

struct Split<'a> {
    data: &'a Dataset,
    settings: Settings,
    classify: &'a ClassifyPlan,
    ledger_share: f64,
}

/// Row of a patch, its weighted loss, and its probability at the ledger's share.
type Predicted = (usize, f64, f64);

impl Split<'_> {
    /// Log loss of positive against rest, and area, where the patches of each cell are predicted from
    /// those that it `learns` from; absent where there are none for some cell.
    fn figures(
        &self,
        cell_of: impl Fn(usize) -> (usize, usize),
        learns: impl Fn(usize, (usize, usize)) -> bool + Sync,
    ) -> Result<Option<(f64, Option<f64>)>> {
        let data = self.data;
        let mut cells: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for patch in 0..data.len() {
            cells.entry(cell_of(patch)).or_default().push(patch);
        }
        let cells: Vec<_> = cells.into_iter().collect();
        let predicted: Option<Vec<Vec<Predicted>>> = cells
            .par_iter()
            .map(|(cell, test)| {
                let train: Vec<usize> = (0..data.len()).filter(|&i| learns(i, *cell)).collect();
                match train.is_empty() {
                    true => Ok(None),
                    false => self.predict(&train, test).map(Some),
                }
            })
            .collect::<Result<_>>()?;
        let Some(predicted) = predicted else {
            return Ok(None);
        };
        let (mut loss, mut p) = (0.0, vec![0.0; data.len()]);
        for (patch, of_patch, probability) in predicted.into_iter().flatten() {
            loss += of_patch;
            p[patch] = probability;
        }
        let positive: Vec<bool> = (0..data.len()).map(|i| data.is_positive(i)).collect();
        let scores = Scores::new(&p, &positive)?.weighted(&data.weights)?;
        let weight: f64 = data.weights.iter().sum();
        Ok(Some((loss / weight, roc::auc(&scores))))
    }

    fn predict(&self, train: &[usize], test: &[usize]) -> Result<Vec<Predicted>> {
        let data = self.data;
        let part = Part::new(data, train, self.classify.balance_classes);
        let features = data.features.select(Axis(0), test);
        let mut probabilities = match part.only_class() {
            Some(class) => certain(test.len(), part.shares.len(), class),
            None => self
                .settings
                .method()
                .fit(
                    &part.data,
                    &part.weights,
                    &self.settings,
                    self.classify.seed,
                )?
                .probabilities(features.view()),
        };
        adjust_prior(&mut probabilities, &part.fitted_shares, &part.shares);
        let share = positive_sum(part.shares.iter().copied(), &data.positive);
        let rows = test.iter().zip(probabilities.rows());
        Ok(rows
            .map(|(&patch, row)| {
                let p = positive_sum(row.iter().copied(), &data.positive);
                let loss = data.weights[patch] * log_loss_of(p, data.is_positive(patch));
                (patch, loss, shift_probability(p, share, self.ledger_share))
            })
            .collect())
    }
}
