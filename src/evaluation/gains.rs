//! What one classifier gains over another on the same patches.

use super::against_rest::PARTIAL_RATE;
use super::assessment::Terms;
use super::evaluation::Merit;
use super::out_of_group::Predictions;
use super::unit_sums::{UnitSums, column, trials};
use super::{Figure, Scale, Scores, roc};
use crate::Result;

/// What `new` gains over `old` on the same patches; above 0 it is better.
pub(super) struct Gains {
    pub log_loss: Option<Merit>,
    pub auc: Option<Merit>,
    pub recall: Option<Merit>,
    pub precision: Option<Merit>,
    /// Log loss, recall and precision of the old and of the new.
    pub sides: [(Option<f64>, Option<f64>); 3],
}

/// Paired differences with intervals over groups; both must be of the same patches in the same order.
/// `terms.cut` is the new one's cut.
pub(super) fn paired_gains(
    old: &Predictions,
    new: &Predictions,
    old_cut: f64,
    terms: Terms,
) -> Result<Gains> {
    let units = new.units(&terms.bootstrap);
    let side = |p: &Predictions, cut: f64| {
        let in_field = p.p_positive_at(terms.prevalence);
        let flagged = p.walked_to(&in_field, cut);
        let sums = UnitSums::new(p, &units, &flagged, &p.decided_class(false));
        (in_field, flagged, sums)
    };
    let (a, b) = (side(old, old_cut), side(new, terms.cut));
    let positive = new.is_positive();
    let all = trials(new, |_| true);
    let positives = trials(new, |i| positive[i]);
    let walks = trials(new, |i| a.1[i] || b.1[i]);
    let figure = |trials| Figure::new(Scale::Identity, trials);
    let figures = [figure(&all), figure(&positives), figure(&walks)];
    let differences = |times: &[f64]| {
        let (old, new) = (a.2.total(times), b.2.total(times));
        let difference = |x: Option<f64>, y: Option<f64>| Some(x? - y?);
        vec![
            difference(old.mean(column::LOSS), new.mean(column::LOSS)),
            difference(new.table().recall(), old.table().recall()),
            difference(new.table().precision(), old.table().precision()),
        ]
    };
    let ones = units.once();
    let values = differences(&ones);
    let (of_old, of_new) = (a.2.total(&ones), b.2.total(&ones));
    let sides = [
        (of_old.mean(column::LOSS), of_new.mean(column::LOSS)),
        (of_old.table().recall(), of_new.table().recall()),
        (of_old.table().precision(), of_new.table().precision()),
    ];
    let mut merits = terms
        .bootstrap
        .intervals(&units, &figures, differences)
        .into_iter()
        .zip(values)
        .map(|(interval, value)| Merit::of(value, interval));
    let mut next = || merits.next().flatten();
    let (log_loss, recall, precision) = (next(), next().map(of_shares), next().map(of_shares));

    let old_scores = Scores::new(&a.0, &positive)?.weighted(&new.weights)?;
    let new_scores = Scores::new(&b.0, &positive)?.weighted(&new.weights)?;
    let resampled = |scores: &Scores| {
        terms
            .bootstrap
            .resample_auc_and_recall(scores, &units, PARTIAL_RATE)
    };
    let aucs: Vec<f64> = resampled(&old_scores)?
        .iter()
        .zip(resampled(&new_scores)?)
        .filter_map(|(old, new)| Some(new.auc? - old.auc?))
        .collect();
    let value = roc::auc(&new_scores)
        .zip(roc::auc(&old_scores))
        .map(|(new, old)| new - old);
    let interval = value.and_then(|v| terms.bootstrap.interval_from(figure(&positives), v, &aucs));
    Ok(Gains {
        log_loss,
        auc: Merit::of(value, interval).map(of_shares),
        recall,
        precision,
        sides,
    })
}

/// A difference of two shares, whose limits are kept to what it can reach.
fn of_shares(merit: Merit) -> Merit {
    Merit {
        low: merit.low.map(|low| low.max(-1.0)),
        high: merit.high.map(|high| high.min(1.0)),
        ..merit
    }
}
