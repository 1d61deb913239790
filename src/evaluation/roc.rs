//! Recall against false alarm rate: curve, area, parts of the area, cuts.
//!
//! A patch is decided positive if its score is at or above the cut. All sums are weighted; ties
//! between a positive and another count half (Hanley & McNeil 1982).

use super::Scores;
use serde::{Deserialize, Serialize};

/// One point of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RocPoint {
    /// Lowest score that is decided positive; infinite where nothing is.
    pub cut: f64,
    /// Share of the others decided positive.
    pub false_alarm_rate: f64,
    /// Share of the positives decided positive.
    pub recall: f64,
}

/// A cut with what it does.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CutPoint {
    /// Scores at or above it are decided positive.
    pub cut: f64,
    /// Share of the positives decided positive.
    pub recall: f64,
    /// Share of the others decided positive.
    pub false_alarm_rate: f64,
}

/// Area under a part of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PartialArea {
    /// The area itself, 0 to the width of the part.
    pub area: f64,
    /// Scaled so that 0.5 is no skill and 1 the best possible (McClish 1989).
    pub standardized: f64,
}

/// The curve from nothing decided positive (0, 0) to everything (1, 1), a point for each score.
///
/// `None` without positives or without others.
///
/// ```
/// use boneglow::evaluation::{Scores, roc};
/// let scores = Scores::new(&[0.1, 0.4, 0.35, 0.8], &[false, false, true, true])?;
/// let recall: Vec<f64> = roc::curve(&scores).unwrap().iter().map(|p| p.recall).collect();
/// assert_eq!(recall, [0.0, 0.5, 0.5, 1.0, 1.0]);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn curve(scores: &Scores) -> Option<Vec<RocPoint>> {
    let (positives, negatives) = (scores.positive_weight(), scores.negative_weight());
    if !(positives > 0.0 && negatives > 0.0) {
        return None;
    }
    let mut points = vec![RocPoint {
        cut: f64::INFINITY,
        false_alarm_rate: 0.0,
        recall: 0.0,
    }];
    for step in scores.steps(&scores.falling()) {
        points.push(RocPoint {
            cut: step.cut,
            false_alarm_rate: (step.negatives / negatives).min(1.0),
            recall: (step.positives / positives).min(1.0),
        });
    }
    Some(points)
}

/// Area under the curve: the chance that a positive scores above another, ties counting half.
///
/// ```
/// use boneglow::evaluation::{Scores, roc};
/// let scores = Scores::new(&[0.1, 0.4, 0.35, 0.8], &[false, false, true, true])?;
/// assert_eq!(roc::auc(&scores), Some(0.75)); // 3 of 4 pairs in order
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn auc(scores: &Scores) -> Option<f64> {
    Some(area(&as_pairs(&curve(scores)?), 1.0))
}

/// Area where the false alarm rate is at most `max_false_alarm_rate`, inside (0, 1].
pub fn partial_auc(scores: &Scores, max_false_alarm_rate: f64) -> Option<PartialArea> {
    partial(&as_pairs(&curve(scores)?), max_false_alarm_rate)
}

/// Area beside the curve where recall is at least `min_recall`, inside [0, 1): the mean
/// specificity there times the width of the part.
pub fn partial_auc_of_high_recall(scores: &Scores, min_recall: f64) -> Option<PartialArea> {
    // Seen from the other corner, missed recall is the false alarm rate and specificity the recall.
    let turned: Vec<(f64, f64)> = curve(scores)?
        .iter()
        .rev()
        .map(|p| (1.0 - p.recall, 1.0 - p.false_alarm_rate))
        .collect();
    partial(&turned, 1.0 - min_recall)
}

fn as_pairs(curve: &[RocPoint]) -> Vec<(f64, f64)> {
    curve
        .iter()
        .map(|p| (p.false_alarm_rate, p.recall))
        .collect()
}

fn partial(points: &[(f64, f64)], width: f64) -> Option<PartialArea> {
    if !(width > 0.0 && width <= 1.0) {
        return None;
    }
    let area = area(points, width);
    let no_skill = width * width / 2.0;
    Some(PartialArea {
        area,
        standardized: (1.0 + (area - no_skill) / (width - no_skill)) / 2.0,
    })
}

/// Trapezoids up to `end` on the first coordinate, the last one cut by linear interpolation.
fn area(points: &[(f64, f64)], end: f64) -> f64 {
    let mut sum = 0.0;
    for pair in points.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        if x0 >= end {
            break;
        }
        let (stop, y_stop) = match x1 > end {
            true => (end, y0 + (y1 - y0) * (end - x0) / (x1 - x0)),
            false => (x1, y1),
        };
        sum += (stop - x0) * (y0 + y_stop) / 2.0;
    }
    sum
}

/// The cut with the greatest recall minus false alarm rate (Youden 1950).
///
/// The cut lies midway between neighboring scores; of equals the highest is taken.
pub fn youden(scores: &Scores) -> Option<CutPoint> {
    best(scores, |p| p.recall - p.false_alarm_rate)
}

/// The cut whose point is closest to the corner of recall 1 and no false alarm.
pub fn closest_to_corner(scores: &Scores) -> Option<CutPoint> {
    best(scores, |p| -(1.0 - p.recall).hypot(p.false_alarm_rate))
}

fn best(scores: &Scores, merit: impl Fn(&RocPoint) -> f64) -> Option<CutPoint> {
    let curve = curve(scores)?;
    let mut at = 0;
    for (candidate, point) in curve.iter().enumerate() {
        if merit(point) > merit(&curve[at]) + 1e-12 {
            at = candidate;
        }
    }
    let cut = match curve.get(at + 1) {
        Some(below) if at > 0 => (curve[at].cut + below.cut) / 2.0,
        _ => curve[at].cut,
    };
    Some(CutPoint {
        cut,
        recall: curve[at].recall,
        false_alarm_rate: curve[at].false_alarm_rate,
    })
}

/// The greatest recall whose false alarm rate is at most `rate`, with its cut.
///
/// No interpolation: a cut that exists reaches it. `None` without positives or others; recall 0
/// and an infinite cut where even the highest score is a false alarm too many.
///
/// ```
/// use boneglow::evaluation::{Scores, roc};
/// let scores = Scores::new(&[0.1, 0.4, 0.35, 0.8], &[false, false, true, true])?;
/// let point = roc::recall_at(&scores, 0.5).unwrap();
/// assert_eq!((point.recall, point.cut), (1.0, 0.35));
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn recall_at(scores: &Scores, rate: f64) -> Option<CutPoint> {
    let curve = curve(scores)?;
    let mut at = curve[0];
    for point in curve.iter().take_while(|p| p.false_alarm_rate <= rate) {
        if point.recall > at.recall {
            at = *point;
        }
    }
    Some(CutPoint {
        cut: at.cut,
        recall: at.recall,
        false_alarm_rate: at.false_alarm_rate,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluation::{delong, precision_recall};

    #[test]
    fn one_class_alone_has_no_curve() {
        for label in [true, false] {
            let (score, positive) = ([0.1, 0.7], [label; 2]);
            let scores = Scores::new(&score, &positive).unwrap();
            assert_eq!(auc(&scores), None);
            assert_eq!(youden(&scores), None);
            assert_eq!(recall_at(&scores, 0.1), None);
            assert!(partial_auc(&scores, 0.1).is_none());
            assert!(delong::auc(&scores, 0.95).is_none());
        }
        assert_eq!(auc(&Scores::new(&[], &[]).unwrap()), None);
    }

    #[test]
    fn weights_of_nought_leave_their_patches_out() {
        let (score, positive) = ([0.9, 0.5, 0.1, 0.2], [false, true, true, false]);
        let scores = Scores::new(&score, &positive).unwrap();
        let none = scores.weighted(&[0.0; 4]).unwrap();
        assert_eq!(auc(&none), None);
        assert_eq!(precision_recall::average_precision(&none), None);
        let without_first = scores.weighted(&[0.0, 1.0, 1.0, 1.0]).unwrap();
        assert_eq!(auc(&without_first), Some(0.5));
    }

    #[test]
    fn a_weight_counts_as_that_many_patches() {
        let score = [0.2, 0.2, 0.4, 0.6, 0.8];
        let positive = [false, true, false, true, false];
        let weight = [3.0, 1.0, 2.0, 2.0, 1.0];
        let weighted = Scores::new(&score, &positive).unwrap();
        let weighted = weighted.weighted(&weight).unwrap();
        let (mut scores, mut labels) = (Vec::new(), Vec::new());
        for patch in 0..score.len() {
            for _ in 0..weight[patch] as usize {
                scores.push(score[patch]);
                labels.push(positive[patch]);
            }
        }
        let repeated = Scores::new(&scores, &labels).unwrap();
        let near = |a: Option<f64>, b: Option<f64>| (a.unwrap() - b.unwrap()).abs() < 1e-12;
        assert!(near(auc(&weighted), auc(&repeated)));
        let part = |s: &Scores| partial_auc(s, 0.3).map(|p| p.area);
        assert!(near(part(&weighted), part(&repeated)));
        let average = precision_recall::average_precision;
        assert!(near(average(&weighted), average(&repeated)));
        assert_eq!(recall_at(&weighted, 0.5), recall_at(&repeated, 0.5));
    }

    #[test]
    fn all_scores_equal_tell_nothing() {
        let scores = Scores::new(&[0.3; 4], &[true, false, false, true]).unwrap();
        assert_eq!(auc(&scores), Some(0.5));
        let best = recall_at(&scores, 0.2).unwrap();
        assert_eq!((best.recall, best.cut), (0.0, f64::INFINITY));
    }

    #[test]
    fn the_whole_width_of_a_partial_area_is_the_area() {
        let (score, positive) = ([0.1, 0.4, 0.35, 0.8], [false, false, true, true]);
        let scores = Scores::new(&score, &positive).unwrap();
        let whole = partial_auc(&scores, 1.0).unwrap();
        assert!((whole.area - 0.75).abs() < 1e-12 && (whole.standardized - 0.75).abs() < 1e-12);
        let turned = partial_auc_of_high_recall(&scores, 0.0).unwrap();
        assert!((turned.area - 0.75).abs() < 1e-12);
        assert!(partial_auc(&scores, 0.0).is_none());
    }

    #[test]
    fn scores_of_other_patches_are_not_paired() {
        let score = [0.1, 0.2, 0.3, 0.4];
        let one = Scores::new(&score, &[true, true, false, false]).unwrap();
        let other = Scores::new(&score, &[true, false, true, false]).unwrap();
        assert!(delong::paired(&one, &other, 0.95).unwrap_err().is_input());
        let same = delong::paired(&one, &one, 0.95).unwrap().unwrap();
        assert_eq!(
            (same.difference.value, same.z, same.p_value),
            (0.0, None, None)
        );
    }
}
