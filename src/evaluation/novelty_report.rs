//! How often known and unknown glows are called novel.

use super::ClusterBootstrap;
use super::evaluation::{LeftOutClass, Merit, NoveltyReport};
use super::folds::Folds;
use super::out_of_group::OutOfGroup;
use super::proportion::heaviest;
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
    let units = bootstrap.units(&data.groups, data.group_names.len());
    let rate = |counts: &dyn Fn(usize) -> bool, novel: &dyn Fn(usize) -> bool| {
        let weight = |i: usize| if counts(i) { data.weights[i] } else { 0.0 };
        Merit::of_share(bootstrap, &units, weight, novel, heaviest(&data.weights))
    };
    let called_novel = (0..data.classes.len())
        .into_par_iter()
        .map(|class| novel_without_class(data, folds, class, cut))
        .collect::<Result<Vec<_>>>()?;
    let beyond_own = beyond_cuts_of_others(data, novelty, distances, folds, plan.novelty_rate)?;
    let left_out = called_novel
        .iter()
        .enumerate()
        .filter_map(|(class, novel)| {
            let novel = novel.as_ref()?;
            Some(LeftOutClass {
                class: data.classes[class].clone(),
                patches: data.labels.iter().filter(|l| **l == class).count(),
                called_novel: rate(&|i| data.labels[i] == class, &|i| novel[i]),
            })
        })
        .collect();
    Ok(Some(NoveltyReport {
        cut,
        stated_rate: plan.novelty_rate,
        known_rate: rate(&|_| true, &|i| beyond_own[i]),
        left_out,
    }))
}

/// Whether each patch is beyond a cut that was set on the distances of the other folds' patches: one that it had a part
/// in setting would leave no more than the stated share beyond it by construction.
fn beyond_cuts_of_others(
    data: &Dataset,
    novelty: &Novelty,
    distances: &[f64],
    folds: &Folds,
    stated: f64,
) -> Result<Vec<bool>> {
    let mut beyond = vec![false; data.len()];
    for fold in 0..folds.count() {
        let others = folds.train(&[fold]);
        let of = |all: &[f64]| -> Vec<f64> { others.iter().map(|&i| all[i]).collect() };
        let set = novelty
            .clone()
            .with_cut(&of(distances), &of(&data.weights), stated)?;
        for patch in folds.test(fold) {
            beyond[patch] = set.is_novel(distances[patch]);
        }
    }
    Ok(beyond)
}

/// Whether each patch of the class is beyond the cut from the other classes, learnt without its fold
/// either; absent where fewer than two other classes are left to learn from.
fn novel_without_class(
    data: &Dataset,
    folds: &Folds,
    class: usize,
    cut: f64,
) -> Result<Option<Vec<bool>>> {
    let mut novel = vec![false; data.len()];
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
        for (&patch, distance) in of_class.iter().zip(distances) {
            novel[patch] = distance > cut;
        }
    }
    Ok(Some(novel))
}
