//! How often known and unknown glows are called novel.

use super::evaluation::{LeftOutClass, Merit, NoveltyReport};
use super::folds::Folds;
use super::out_of_group::OutOfGroup;
use super::{ClusterBootstrap, GroupTrials, proportion};
use crate::Result;
use crate::classify::{Novelty, training_weights};
use crate::features::Dataset;
use crate::season::ThresholdPlan;
use rayon::prelude::*;

/// Absent where there is no cut.
pub(super) fn novelty_report(
    data: &Dataset,
    predictions: &OutOfGroup,
    novelty: &Novelty,
    folds: &Folds,
    plan: &ThresholdPlan,
    bootstrap: &ClusterBootstrap,
) -> Result<Option<NoveltyReport>> {
    let distances = predictions.novelty_distances();
    let Some(cut) = novelty.cut() else {
        return Ok(None);
    };
    let trials = GroupTrials::of(&data.groups, data.group_names.len(), |i| data.weights[i]);
    let mut hits = vec![0.0; data.group_names.len()];
    for (i, distance) in distances.iter().enumerate() {
        if novelty.is_novel(*distance) {
            hits[data.groups[i]] += data.weights[i];
        }
    }
    let known = hits.iter().sum::<f64>() / data.weights.iter().sum::<f64>();
    let left_out = (0..data.classes.len())
        .into_par_iter()
        .map(|class| left_out_class(data, folds, class, cut, plan.confidence))
        .collect::<Result<Vec<_>>>()?;
    Ok(Some(NoveltyReport {
        cut,
        stated_rate: plan.novelty_rate,
        known_rate: Merit::of(Some(known), bootstrap.share(&hits, &trials)),
        left_out: left_out.into_iter().flatten().collect(),
    }))
}

/// The class's patches against the other classes, learnt without their fold either.
fn left_out_class(
    data: &Dataset,
    folds: &Folds,
    class: usize,
    cut: f64,
    confidence: f64,
) -> Result<Option<LeftOutClass>> {
    let (mut patches, mut novel) = (0, 0);
    for fold in 0..folds.count() {
        let of_class: Vec<usize> = folds
            .test(fold)
            .into_iter()
            .filter(|&i| data.labels[i] == class)
            .collect();
        if of_class.is_empty() {
            continue;
        }
        let rest: Vec<usize> = folds
            .train(&[fold])
            .into_iter()
            .filter(|&i| data.labels[i] != class)
            .collect();
        let train = data.select(&rest);
        if train.labels.iter().all(|l| Some(l) == train.labels.first()) {
            return Ok(None);
        }
        let distances = Novelty::fit(&train, &training_weights(&train, false))?
            .squared_distances(&data.select(&of_class));
        patches += distances.len();
        novel += distances.iter().filter(|d| **d > cut).count();
    }
    Ok(Some(LeftOutClass {
        class: data.classes[class].clone(),
        patches,
        called_novel: proportion::wilson(novel as f64, patches as f64, confidence).map(Merit::from),
    }))
}
