//! The choice of a classifier made anew inside every fold: what choosing is worth out of group.
//!
//! The best of several figures is too good: it was picked for it. Here each fold's classifier is
//! chosen by what the training part predicts of itself, and the fold knows nothing of it (Varma and
//! Simon 2006, BMC Bioinformatics 7:91).

use super::assessment::{Terms, assess};
use super::choice::{BlockLoss, simplest_within_one_standard_error};
use super::evaluation::{ChosenInside, ClassifierEvaluation, Merit, Selection};
use super::out_of_group::{OutOfGroup, log_loss_of};
use crate::Result;

/// `order`: candidates from simple to complex; `chosen`: the one chosen on all folds, of which `figures`
/// are. Absent where nothing was nested.
pub(super) fn selection(
    predictions: &[OutOfGroup],
    order: &[usize],
    chosen: usize,
    figures: &ClassifierEvaluation,
    terms: Terms,
) -> Result<Option<Selection>> {
    let by_fold: Option<Vec<usize>> = (0..predictions[chosen].folds())
        .map(|fold| chosen_without(predictions, order, fold))
        .collect();
    let Some(by_fold) = by_fold else {
        return Ok(None);
    };
    let anew;
    let figures = match by_fold.iter().all(|&c| c == chosen) {
        true => figures,
        false => {
            anew = assess(&spliced(predictions, &by_fold, chosen), terms)?;
            &anew
        }
    };
    let name = |at: usize| predictions[at].classifier().to_string();
    Ok(Some(Selection {
        sentence: sentence(
            predictions,
            order,
            &by_fold,
            chosen,
            figures.log_loss.as_ref(),
        ),
        by_fold: by_fold
            .iter()
            .zip(&predictions[chosen].choices)
            .map(|(&at, fold)| ChosenInside {
                groups: fold.groups.clone(),
                classifier: name(at),
            })
            .collect(),
        log_loss: figures.log_loss.clone(),
        auc: figures.auc.clone(),
        recall: figures.recall.clone(),
        precision: figures.precision.clone(),
    }))
}

/// The candidate that the declared rule chooses by the training part of one fold.
fn chosen_without(predictions: &[OutOfGroup], order: &[usize], fold: usize) -> Option<usize> {
    let losses: Vec<Vec<BlockLoss>> = order
        .iter()
        .map(|&at| inner_losses(&predictions[at], fold))
        .collect::<Option<_>>()?;
    simplest_within_one_standard_error(&losses).map(|at| order[at])
}

/// Log loss of positive against rest, by group of the training part.
fn inner_losses(predictions: &OutOfGroup, fold: usize) -> Option<Vec<BlockLoss>> {
    let inner = predictions.inner.get(fold).filter(|i| !i.rows.is_empty())?;
    let mut blocks = vec![BlockLoss::default(); predictions.group_names.len()];
    for (&patch, p) in inner.rows.iter().zip(&inner.p_positive) {
        let positive = predictions.positive[predictions.labels[patch]];
        let block = &mut blocks[predictions.groups[patch]];
        block.loss += predictions.weights[patch] * log_loss_of(*p, positive);
        block.weight += predictions.weights[patch];
    }
    Some(blocks)
}

/// Each fold as its own classifier predicts it, under the name of the chosen one.
fn spliced(predictions: &[OutOfGroup], by_fold: &[usize], chosen: usize) -> OutOfGroup {
    let mut all = (*predictions[chosen]).clone();
    for (patch, &fold) in all.fold_of.iter().enumerate() {
        let of_fold = predictions[by_fold[fold]].probabilities.row(patch);
        all.probabilities.row_mut(patch).assign(&of_fold);
    }
    OutOfGroup::new(all)
}

fn sentence(
    predictions: &[OutOfGroup],
    order: &[usize],
    by_fold: &[usize],
    chosen: usize,
    log_loss: Option<&Merit>,
) -> String {
    let anew = format!(
        "Made anew without each of the {} folds, by the rest alone, the choice falls",
        by_fold.len()
    );
    if by_fold.iter().all(|c| *c == chosen) {
        return format!(
            "{anew} on {} every time: its figures owe nothing to having been picked.",
            predictions[chosen].classifier()
        );
    }
    let times: Vec<String> = order
        .iter()
        .filter_map(|&at| {
            let times = by_fold.iter().filter(|c| **c == at).count();
            (times > 0).then(|| format!("on {} {times} times", predictions[at].classifier()))
        })
        .collect();
    let value = match log_loss {
        Some(Merit {
            value,
            low: Some(low),
            high: Some(high),
            ..
        }) => format!("{value:.3} ({low:.3} to {high:.3})"),
        Some(merit) => format!("{:.3}", merit.value),
        None => "unknown".to_string(),
    };
    format!(
        "{anew} {}; so chosen, log loss is {value}: this figure owes nothing to having been picked.",
        times.join(", ")
    )
}
