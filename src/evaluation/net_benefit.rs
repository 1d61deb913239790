//! What decisions are worth at different costs: net benefit and decision curves.
//!
//! Vickers & Elkin (2006, Med. Decis. Making 26:565). A cut at probability t says that one missed
//! bone is worth (1 - t) / t wasted walks.

use super::scores::ratio;
use super::{Probabilities, TwoByTwo};
use serde::{Deserialize, Serialize};

/// One point of a decision curve. All in positives found per patch, false alarms taken off at
/// their worth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NetBenefit {
    /// Probability at or above which one walks.
    pub threshold: f64,
    /// Following the probabilities.
    pub model: f64,
    /// Walking to every patch; walking to none is worth 0.
    pub walk_to_all: f64,
}

impl NetBenefit {
    /// Walks saved per 100 patches against walking to all, at the same number of positives found.
    pub fn walks_saved_per_100(&self) -> f64 {
        100.0 * (self.model - self.walk_to_all) * (1.0 - self.threshold) / self.threshold
    }
}

/// Net benefit of these decisions at `threshold` inside (0, 1).
///
/// With `prevalence`, of a field where that is the share of positives; else of these patches.
///
/// ```
/// use boneglow::evaluation::{TwoByTwo, net_benefit};
/// let table = TwoByTwo { true_positive: 87.0, false_negative: 18.0, false_positive: 193.0, true_negative: 452.0 };
/// let at_one_in_ten = net_benefit::net_benefit(&table, 0.1, None).unwrap();
/// assert!((at_one_in_ten.model - (87.0 - 193.0 / 9.0) / 750.0).abs() < 1e-12);
/// ```
pub fn net_benefit(
    table: &TwoByTwo,
    threshold: f64,
    prevalence: Option<f64>,
) -> Option<NetBenefit> {
    if !(threshold > 0.0 && threshold < 1.0) {
        return None;
    }
    let worth = threshold / (1.0 - threshold);
    let share = prevalence.or_else(|| table.prevalence())?;
    let (found, alarms) = match prevalence {
        Some(share) => (
            share * table.recall()?,
            (1.0 - share) * table.false_alarm_rate()?,
        ),
        None => (
            ratio(table.true_positive, table.total())?,
            ratio(table.false_positive, table.total())?,
        ),
    };
    Some(NetBenefit {
        threshold,
        model: found - worth * alarms,
        walk_to_all: share - worth * (1.0 - share),
    })
}

/// The decision curve at these thresholds; undefined points are left out.
///
/// `probabilities` must be at the prevalence the curve is for (see
/// [`shift_probability`](super::prior::shift_probability)).
pub fn decision_curve(
    probabilities: &Probabilities,
    thresholds: &[f64],
    prevalence: Option<f64>,
) -> Vec<NetBenefit> {
    thresholds
        .iter()
        .filter_map(|&threshold| {
            let table = TwoByTwo::at_cut(&probabilities.scores(), threshold);
            net_benefit(&table, threshold, prevalence)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluation::Scores;

    #[test]
    fn a_perfect_model_is_worth_the_share_of_positives_at_any_threshold() {
        let scores = Scores::new(&[0.0, 1.0, 0.0, 0.0], &[false, true, false, false]).unwrap();
        let probabilities = Probabilities::new(scores).unwrap();
        for point in decision_curve(&probabilities, &[0.0, 0.1, 0.5, 0.9, 1.0], Some(0.02)) {
            assert!((point.model - 0.02).abs() < 1e-12, "{point:?}");
            assert!(point.threshold > 0.0 && point.threshold < 1.0);
        }
        assert_eq!(
            decision_curve(&probabilities, &[0.0, 0.5, 1.0], None).len(),
            1
        );
    }
}
