//! What is learnt inside a fold: settings and probability calibration, from blocks of patches that
//! the models which predict them have not seen.

use super::choice::{BlockLoss, simplest_within_one_standard_error};
use super::clusters::{OneWay, design_effect};
use super::out_of_group::{Inner, LEAST_PROBABILITY, log_loss_of, positive_sum};
use crate::Result;
use crate::classify::{CalibrationKind, ProbabilityCalibration, adjust_prior, training_weights};
use crate::features::Dataset;
use ndarray::{Array2, ArrayView2};

/// Patches to fit to, with their weights and class shares.
pub(super) struct Part {
    pub data: Dataset,
    /// Weights to fit with.
    pub weights: Vec<f64>,
    /// The dataset's weights, less in groups whose patches are alike.
    pub own_weights: Vec<f64>,
    /// Class shares by `own_weights`.
    pub shares: Vec<f64>,
    /// Class shares by the weights to fit with.
    pub fitted_shares: Vec<f64>,
}

impl Part {
    pub fn new(data: &Dataset, rows: &[usize], balance: bool) -> Self {
        let data = data.select(rows);
        let share = group_factors(&data);
        let thin = |weights: &[f64]| -> Vec<f64> {
            let thinned = weights.iter().zip(&share).map(|(w, s)| w * s);
            thinned.collect()
        };
        let own = thin(&data.weights);
        let mut weights = thin(&training_weights(&data, balance));
        let mean = weights.iter().sum::<f64>() / weights.len() as f64;
        weights.iter_mut().for_each(|w| *w /= mean);
        Part {
            shares: shares(&data, &own),
            own_weights: own,
            fitted_shares: shares(&data, &weights),
            weights,
            data,
        }
    }

    /// The only class there is, if there is only one: nothing can then be fitted.
    pub fn only_class(&self) -> Option<usize> {
        let mut present = (0..self.shares.len()).filter(|&c| self.shares[c] > 0.0);
        match (present.next(), present.next()) {
            (Some(class), None) => Some(class),
            _ => None,
        }
    }
}

/// By how much each patch counts less in learning because its group's patches are alike.
///
/// 1 / (1 + (m - 1) r) for a group of m patches: the weights under which a mean over groups has the
/// least variance when any two patches of a group correlate by r (Kish 1965, section 5.4; Liang and
/// Zeger 1986 for regression). r is the intraclass correlation of the class labels, kept to 0 to 1.
fn group_factors(data: &Dataset) -> Vec<f64> {
    let mut sizes = vec![0.0; data.group_names.len()];
    let mut indicators = vec![Vec::new(); data.group_names.len()];
    for (&group, &label) in data.groups.iter().zip(&data.labels) {
        sizes[group] += 1.0;
        indicators[group].push(label);
    }
    let mut all: Option<OneWay> = None;
    for class in 0..data.classes.len() {
        let groups: Vec<Vec<f64>> = indicators
            .iter()
            .map(|labels| labels.iter().map(|&l| f64::from(l == class)).collect())
            .collect();
        if let Some(of_class) = OneWay::of(&groups) {
            match &mut all {
                Some(all) => {
                    all.between_ms += of_class.between_ms;
                    all.within_ms += of_class.within_ms;
                }
                None => all = Some(of_class),
            }
        }
    }
    let alike = all
        .and_then(|a| a.intraclass_correlation())
        .map_or(0.0, |r| r.clamp(0.0, 1.0));
    data.groups
        .iter()
        .map(|&g| 1.0 / design_effect(sizes[g], alike))
        .collect()
}

fn shares(data: &Dataset, weights: &[f64]) -> Vec<f64> {
    let mut shares = vec![0.0; data.classes.len()];
    for (&label, weight) in data.labels.iter().zip(weights) {
        shares[label] += weight;
    }
    let total: f64 = shares.iter().sum();
    shares.iter_mut().for_each(|s| *s /= total);
    shares
}

/// The prediction of a model that has seen one class only.
pub(super) fn certain(rows: usize, classes: usize, class: usize) -> Array2<f64> {
    Array2::from_shape_fn((rows, classes), |(_, c)| f64::from(c == class))
}

/// One block of patches with its predictions under each setting, by a model that has not seen it.
pub(super) struct Block<'a> {
    pub rows: &'a [usize],
    /// One matrix a setting, rows as in `rows`.
    pub predicted: Vec<ArrayView2<'a, f64>>,
    /// Class shares that the predictions are at.
    pub shares: Vec<f64>,
}

/// What was learnt from all blocks together; by default nothing.
#[derive(Debug, Clone)]
pub(super) struct Learnt {
    pub setting: usize,
    pub calibration: ProbabilityCalibration,
    pub inner: Inner,
}

impl Default for Learnt {
    fn default() -> Self {
        Learnt {
            setting: 0,
            calibration: ProbabilityCalibration::None,
            inner: Inner::default(),
        }
    }
}

/// Settings by class log loss, the simplest within one standard error; then the calibration by
/// positive-against-rest log loss likewise, each block calibrated without itself. `shares` are the
/// class shares of all blocks together, at which the calibration is to work.
pub(super) fn learn(data: &Dataset, blocks: &[Block<'_>], shares: &[f64]) -> Result<Learnt> {
    let settings = blocks.first().map_or(0, |b| b.predicted.len());
    let losses: Vec<Vec<BlockLoss>> = (0..settings)
        .map(|setting| blocks.iter().map(|b| b.class_loss(data, setting)).collect())
        .collect();
    let setting = simplest_within_one_standard_error(&losses).unwrap_or(0);
    let held_out: Vec<HeldOut> = blocks
        .iter()
        .map(|block| {
            let mut probabilities = block.predicted[setting].to_owned();
            adjust_prior(&mut probabilities, &block.shares, shares);
            HeldOut::new(data, block.rows, &probabilities)
        })
        .collect();
    let (kind, calibrated) = choose_calibration(&held_out)?;
    let calibration = fit(kind, held_out.iter())?.unwrap_or(ProbabilityCalibration::None);
    let mut order: Vec<(usize, f64)> = blocks
        .iter()
        .zip(calibrated)
        .flat_map(|(block, p)| block.rows.iter().copied().zip(p))
        .collect();
    order.sort_unstable_by_key(|(row, _)| *row);
    let (rows, p_positive) = order.into_iter().unzip();
    Ok(Learnt {
        setting,
        calibration,
        inner: Inner { rows, p_positive },
    })
}

impl Block<'_> {
    /// Weighted negative log probability of what was found.
    fn class_loss(&self, data: &Dataset, setting: usize) -> BlockLoss {
        let mut block = BlockLoss::default();
        for (&patch, row) in self.rows.iter().zip(self.predicted[setting].rows()) {
            let p = row[data.labels[patch]].max(LEAST_PROBABILITY);
            block.loss -= data.weights[patch] * p.ln();
            block.weight += data.weights[patch];
        }
        block
    }
}

/// A block's probabilities of a positive, what the patches are, and their weights.
struct HeldOut {
    p: Vec<f64>,
    positive: Vec<bool>,
    weights: Vec<f64>,
}

impl HeldOut {
    fn new(data: &Dataset, rows: &[usize], probabilities: &Array2<f64>) -> Self {
        HeldOut {
            p: probabilities
                .rows()
                .into_iter()
                .map(|row| positive_sum(row.iter().copied(), &data.positive).clamp(0.0, 1.0))
                .collect(),
            positive: rows.iter().map(|&r| data.is_positive(r)).collect(),
            weights: rows.iter().map(|&r| data.weights[r]).collect(),
        }
    }

    fn loss(&self, p: &[f64]) -> BlockLoss {
        let mut block = BlockLoss::default();
        for ((p, positive), weight) in p.iter().zip(&self.positive).zip(&self.weights) {
            block.loss += weight * log_loss_of(*p, *positive);
            block.weight += weight;
        }
        block
    }
}

/// Absent where the blocks hold one side only, so that nothing can be corrected.
fn fit<'a>(
    kind: CalibrationKind,
    blocks: impl Iterator<Item = &'a HeldOut> + Clone,
) -> Result<Option<ProbabilityCalibration>> {
    let p: Vec<f64> = blocks.clone().flat_map(|b| b.p.iter().copied()).collect();
    let positive: Vec<bool> = blocks
        .clone()
        .flat_map(|b| b.positive.iter().copied())
        .collect();
    if !positive.contains(&true) || !positive.contains(&false) {
        return Ok(None);
    }
    let mut weights: Vec<f64> = blocks.flat_map(|b| b.weights.iter().copied()).collect();
    let mean = weights.iter().sum::<f64>() / weights.len() as f64;
    weights.iter_mut().for_each(|w| *w /= mean);
    match ProbabilityCalibration::fit(kind, &p, &positive, &weights) {
        // Classes so far apart that no curve is within reach need no correction.
        Err(e) if e.is_too_little() => Ok(None),
        fitted => fitted.map(Some),
    }
}

/// The kind of calibration, and every block's probabilities calibrated without the block.
fn choose_calibration(blocks: &[HeldOut]) -> Result<(CalibrationKind, Vec<Vec<f64>>)> {
    let mut losses = Vec::new();
    let mut calibrated = Vec::new();
    for kind in CalibrationKind::ALL {
        let of_kind = (0..blocks.len())
            .map(|at| {
                let others = blocks.iter().enumerate().filter(move |(i, _)| *i != at);
                let calibration = fit(kind, others.map(|(_, b)| b))?;
                Ok(match calibration {
                    Some(c) => blocks[at].p.iter().map(|&p| c.positive(p)).collect(),
                    None => blocks[at].p.clone(),
                })
            })
            .collect::<Result<Vec<Vec<f64>>>>()?;
        losses.push(
            blocks
                .iter()
                .zip(&of_kind)
                .map(|(block, p)| block.loss(p))
                .collect(),
        );
        calibrated.push(of_kind);
    }
    let at = simplest_within_one_standard_error(&losses).unwrap_or(0);
    Ok((CalibrationKind::ALL[at], calibrated.swap_remove(at)))
}
