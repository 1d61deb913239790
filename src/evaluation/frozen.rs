//! A finished model on groups that it was not learnt from.

use super::out_of_group::{OutOfGroup, Predictions};
use crate::classify::Model;
use crate::features::Dataset;
use crate::{Error, Result};
use ndarray::Array2;

/// Predicts patches of groups that `model` has never seen; folds and patches are those of `beside`.
///
/// A class of the model that the patches have not is counted with the first of their classes on the
/// same side (worth a walk or not): only the probability of a positive is to be relied upon.
///
/// # Errors
/// A group that the model was learnt from, other features, a side without a class, other patches.
pub fn predict_unseen(model: &Model, data: &Dataset, beside: &OutOfGroup) -> Result<OutOfGroup> {
    if let Some(seen) = data.groups.iter().find_map(|&g| {
        let name = &data.group_names[g];
        model.groups().contains(name).then_some(name)
    }) {
        return Err(Error::input(format!(
            "the model was learnt from group \"{seen}\": its predictions there are no evidence"
        )));
    }
    if model.feature_names() != data.feature_names {
        return Err(Error::input(format!(
            "the model takes {}, found {}",
            model.feature_names().join(", "),
            data.feature_names.join(", ")
        )));
    }
    if data.ids != beside.ids() {
        return Err(Error::input("these are predictions of other patches"));
    }
    let places = model
        .classes()
        .iter()
        .zip(model.positive())
        .map(|(class, positive)| {
            let same = data.classes.iter().position(|c| c == class);
            let side = || data.positive.iter().position(|p| p == positive);
            same.filter(|&at| data.positive[at] == *positive)
                .or_else(side)
                .ok_or_else(|| {
                    Error::input(format!(
                        "the model knows \"{class}\", and no class here is on its side"
                    ))
                    .remedy("compare on patches with positives and others among them")
                })
        })
        .collect::<Result<Vec<usize>>>()?;
    let known = model.probabilities(data.features.view());
    let mut probabilities = Array2::zeros((data.len(), data.classes.len()));
    for (mut to, from) in probabilities.rows_mut().into_iter().zip(known.rows()) {
        for (&place, p) in places.iter().zip(from) {
            to[place] += p;
        }
    }
    let mut shares = vec![0.0; data.classes.len()];
    for (&place, share) in places.iter().zip(model.prior()) {
        shares[place] += share;
    }
    Ok(OutOfGroup::new(Predictions {
        classifier: model.classifier().method().name().to_string(),
        split_sentence: "A finished model, on groups that it was not learnt from.".to_string(),
        probabilities,
        train_shares: vec![shares; beside.folds()],
        inner: Vec::new(),
        choices: Vec::new(),
        unchecked: Vec::new(),
        distances: model.novelty().squared_distances(data),
        never: Vec::new(),
        ..Predictions::clone(beside)
    }))
}
