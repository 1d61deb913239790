//! Precision against recall.

use super::Scores;
use super::scores::ratio;
use serde::{Deserialize, Serialize};

/// One point of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PrecisionRecallPoint {
    /// Lowest score that is decided positive.
    pub cut: f64,
    /// Share of the positives decided positive.
    pub recall: f64,
    /// Share of positives among what is decided positive.
    pub precision: f64,
}

/// The curve by falling cut, a point for each score. `None` without positives.
pub fn curve(scores: &Scores) -> Option<Vec<PrecisionRecallPoint>> {
    let positives = scores.positive_weight();
    let mut points = Vec::new();
    for step in scores.steps(&scores.falling()) {
        let Some(precision) = ratio(step.positives, step.positives + step.negatives) else {
            continue; // patches of weight 0 alone
        };
        points.push(PrecisionRecallPoint {
            cut: step.cut,
            recall: ratio(step.positives, positives)?.min(1.0),
            precision,
        });
    }
    (positives > 0.0).then_some(points)
}

/// Sum of precisions, each times the recall it adds; no interpolation.
///
/// ```
/// use boneglow::evaluation::{Scores, precision_recall};
/// let scores = Scores::new(&[0.1, 0.4, 0.35, 0.8], &[false, false, true, true])?;
/// let average = precision_recall::average_precision(&scores).unwrap();
/// assert!((average - (0.5 * 1.0 + 0.5 * 2.0 / 3.0)).abs() < 1e-12);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn average_precision(scores: &Scores) -> Option<f64> {
    let mut sum = 0.0;
    let mut recall = 0.0;
    for point in curve(scores)? {
        sum += (point.recall - recall) * point.precision;
        recall = point.recall;
    }
    Some(sum)
}

/// Precision at `hits` between two points given as (hits, false alarms) (Davis & Goadrich 2006).
///
/// A straight line between two points of this curve promises too much: false alarms grow
/// linearly with hits, not precision with recall. `None` outside the two points or without decisions.
///
/// ```
/// use boneglow::evaluation::precision_recall::precision_between;
/// let precision = precision_between((5.0, 5.0), (10.0, 30.0), 6.0).unwrap();
/// assert!((precision - 6.0 / 16.0).abs() < 1e-12);
/// ```
pub fn precision_between(from: (f64, f64), to: (f64, f64), hits: f64) -> Option<f64> {
    if !(from.0..=to.0).contains(&hits) {
        return None;
    }
    let false_alarms = match to.0 > from.0 {
        true => from.1 + (to.1 - from.1) * (hits - from.0) / (to.0 - from.0),
        false => from.1,
    };
    ratio(hits, hits + false_alarms)
}
