//! The model that is used in the field: learnt from all checked patches.

use super::cross_validation::{Inside, Recipe, check_folds};
use super::folds::Folds;
use super::inside::{Block, Part, certain, learn};
use crate::Result;
use crate::classify::{Model, Novelty, adjust_prior, training_weights};
use crate::features::Dataset;
use ndarray::Axis;
use rayon::prelude::*;

/// Learns a model from all checked patches, in the way that [`cross_validate`](super::cross_validate)
/// learns from the training part of a fold.
///
/// Settings and probability calibration are chosen on predictions out of group; the novelty cut
/// leaves at most the share `novelty_rate` of known patches beyond it, out of group.
///
/// # Errors
/// Folds of another number of patches, and what a fit may refuse.
pub fn train(
    data: &Dataset,
    recipe: &Recipe,
    folds: &Folds,
    inside: Inside,
    novelty_rate: f64,
) -> Result<Model> {
    check_folds(data, folds)?;
    let tests: Vec<Vec<usize>> = (0..folds.count()).map(|f| folds.test(f)).collect();
    let all = Part::new(
        data,
        &(0..data.len()).collect::<Vec<_>>(),
        inside.balance_classes,
    );
    let (method, grid) = (recipe.method(), recipe.grid());
    let trials = (0..folds.count())
        .into_par_iter()
        .map(|fold| {
            let part = Part::new(data, &folds.train(&[fold]), inside.balance_classes);
            let held_out = data.features.select(Axis(0), &tests[fold]);
            let predicted = match part.only_class() {
                Some(class) => {
                    vec![certain(held_out.nrows(), part.shares.len(), class); grid.len()]
                }
                None => {
                    let mut predicted = method.trial(
                        &part.data,
                        &part.weights,
                        grid,
                        held_out.view(),
                        inside.seed,
                        None,
                    )?;
                    for probabilities in &mut predicted {
                        adjust_prior(probabilities, &part.fitted_shares, &part.shares);
                    }
                    predicted
                }
            };
            Ok((predicted, part.shares))
        })
        .collect::<Result<Vec<_>>>()?;
    let blocks: Vec<Block> = trials
        .iter()
        .zip(&tests)
        .map(|((predicted, shares), rows)| Block {
            rows,
            predicted: predicted.iter().map(|p| p.view()).collect(),
            shares: shares.clone(),
        })
        .collect();
    let learnt = learn(data, &blocks, &all.shares)?;
    let fitted = method.fit(&all.data, &all.weights, &grid[learnt.setting], inside.seed)?;
    let novelty = known_classes(data, &novelty_distances(data, folds)?, novelty_rate)?;
    // The model's own shares are those that its probabilities are learnt at.
    let mut learnt_at = all.data;
    learnt_at.weights = all.own_weights;
    Model::new(&learnt_at, fitted, learnt.calibration, novelty)
}

/// The known classes; where out-of-group `distances` could be had, with the cut that leaves at most the
/// share `rate` of known patches beyond it.
pub(super) fn known_classes(data: &Dataset, distances: &[f64], rate: f64) -> Result<Novelty> {
    let novelty = Novelty::fit(data, &training_weights(data, false))?;
    match distances.is_empty() {
        true => Ok(novelty),
        false => novelty.with_cut(distances, &data.weights, rate),
    }
}

/// Squared distance of every patch to the nearest class learnt without its fold.
///
/// Empty where some fold leaves one class only, so that no distance can be had.
pub(super) fn novelty_distances(data: &Dataset, folds: &Folds) -> Result<Vec<f64>> {
    let parts = (0..folds.count())
        .into_par_iter()
        .map(|fold| {
            let train = data.select(&folds.train(&[fold]));
            if train.labels.iter().all(|l| *l == train.labels[0]) {
                return Ok(None);
            }
            let weights = training_weights(&train, false);
            let rows = folds.test(fold);
            let distances = Novelty::fit(&train, &weights)?.squared_distances(&data.select(&rows));
            Ok(Some((rows, distances)))
        })
        .collect::<Result<Vec<_>>>()?;
    let mut all = vec![0.0; data.len()];
    for part in parts {
        let Some((rows, distances)) = part else {
            return Ok(Vec::new());
        };
        for (row, distance) in rows.into_iter().zip(distances) {
            all[row] = distance;
        }
    }
    Ok(all)
}
