//! Sums by unit of resampling, from which figures of every resample are had without a look at the patches.

use super::out_of_group::{LEAST_PROBABILITY, Predictions};
use super::{GroupTrials, Probabilities, Units, recalibration};

/// What one classifier's figures are made of, summed by unit.
pub(super) struct UnitSums {
    units: usize,
    classes: usize,
    /// Units x columns.
    sums: Vec<f64>,
    columns: usize,
}

/// The columns before those by class.
pub(super) mod column {
    pub const WEIGHT: usize = 0;
    pub const LOSS: usize = 1;
    pub const LOSS_CLASSES: usize = 2;
    pub const BRIER: usize = 3;
    pub const TRUE_POSITIVE: usize = 4;
    pub const FALSE_NEGATIVE: usize = 5;
    pub const FALSE_POSITIVE: usize = 6;
    pub const TRUE_NEGATIVE: usize = 7;
    pub const RIGHT: usize = 8;
    pub const FIXED: usize = 9;
    /// Columns by class: its weight, called rightly so, called so, log loss and Brier score against rest.
    pub const OF_CLASS: usize = 5;
}

impl UnitSums {
    /// `flagged`: decided to be walked to; `called`: the class that each patch is called.
    pub fn new(
        predictions: &Predictions,
        units: &Units,
        flagged: &[bool],
        called: &[usize],
    ) -> Self {
        use column::*;
        let classes = predictions.classes.len();
        let columns = FIXED + OF_CLASS * classes;
        let mut sums = vec![0.0; units.len() * columns];
        let p_positive = predictions.p_positive();
        let likeliest = predictions.decided_class(false);
        for i in 0..predictions.len() {
            let label = predictions.labels[i];
            let positive = predictions.positive[label];
            let w = predictions.weights[i];
            let row = &mut sums[units.of(i) * columns..][..columns];
            let of_found = match positive {
                true => p_positive[i],
                false => 1.0 - p_positive[i],
            };
            let of_class = predictions.probabilities[(i, label)];
            row[WEIGHT] += w;
            row[LOSS] -= w * of_found.max(LEAST_PROBABILITY).ln();
            row[LOSS_CLASSES] -= w * of_class.max(LEAST_PROBABILITY).ln();
            row[BRIER] += w * (1.0 - of_found).powi(2);
            row[match (positive, flagged[i]) {
                (true, true) => TRUE_POSITIVE,
                (true, false) => FALSE_NEGATIVE,
                (false, true) => FALSE_POSITIVE,
                (false, false) => TRUE_NEGATIVE,
            }] += w;
            if likeliest[i] == label {
                row[RIGHT] += w;
            }
            row[FIXED + OF_CLASS * label] += w;
            row[FIXED + OF_CLASS * called[i] + 2] += w;
            if called[i] == label {
                row[FIXED + OF_CLASS * label + 1] += w;
            }
            for class in 0..classes {
                let p = predictions.probabilities[(i, class)];
                let of_found = if class == label { p } else { 1.0 - p };
                let at = FIXED + OF_CLASS * class;
                row[at + 3] -= w * of_found.max(LEAST_PROBABILITY).ln();
                row[at + 4] += w * (1.0 - of_found).powi(2);
            }
        }
        UnitSums {
            units: units.len(),
            classes,
            sums,
            columns,
        }
    }

    /// One column's sums by unit.
    pub fn of(&self, column: usize) -> Vec<f64> {
        (0..self.units)
            .map(|g| self.sums[g * self.columns + column])
            .collect()
    }

    /// All columns summed, units counted `times`.
    pub fn total(&self, times: &[f64]) -> Totals {
        let mut total = vec![0.0; self.columns];
        for (unit, t) in times.iter().enumerate() {
            if *t > 0.0 {
                let row = &self.sums[unit * self.columns..][..self.columns];
                for (sum, x) in total.iter_mut().zip(row) {
                    *sum += t * x;
                }
            }
        }
        Totals {
            sums: total,
            classes: self.classes,
        }
    }
}

/// What groups bring to a figure: the patches where `counts`.
pub(super) fn trials(predictions: &Predictions, counts: impl Fn(usize) -> bool) -> GroupTrials {
    GroupTrials::of(
        &predictions.groups,
        predictions.group_names.len(),
        |patch| match counts(patch) {
            true => predictions.weights[patch],
            false => 0.0,
        },
    )
}

/// Sums over all units of one resample.
pub(super) struct Totals {
    sums: Vec<f64>,
    classes: usize,
}

impl Totals {
    pub fn mean(&self, column: usize) -> Option<f64> {
        share(self.sums[column], self.sums[column::WEIGHT])
    }

    pub fn table(&self) -> super::TwoByTwo {
        super::TwoByTwo {
            true_positive: self.sums[column::TRUE_POSITIVE],
            false_negative: self.sums[column::FALSE_NEGATIVE],
            false_positive: self.sums[column::FALSE_POSITIVE],
            true_negative: self.sums[column::TRUE_NEGATIVE],
        }
    }

    /// One class against rest, by the class that each patch is called.
    pub fn class_table(&self, class: usize) -> super::TwoByTwo {
        let at = column::FIXED + column::OF_CLASS * class;
        let [of, right, called] = [self.sums[at], self.sums[at + 1], self.sums[at + 2]];
        let rest = self.sums[column::WEIGHT] - of;
        super::TwoByTwo {
            true_positive: right,
            false_negative: (of - right).max(0.0),
            false_positive: (called - right).max(0.0),
            true_negative: (rest - (called - right)).max(0.0),
        }
    }

    pub fn class_log_loss(&self, class: usize) -> Option<f64> {
        self.mean(column::FIXED + column::OF_CLASS * class + 3)
    }

    pub fn class_brier(&self, class: usize) -> Option<f64> {
        self.mean(column::FIXED + column::OF_CLASS * class + 4)
    }

    /// Mean of recall over the classes that occur.
    pub fn macro_recall(&self) -> Option<f64> {
        let recalls: Vec<f64> = (0..self.classes)
            .filter_map(|c| self.class_table(c).recall())
            .collect();
        share(recalls.iter().sum(), recalls.len() as f64)
    }
}

fn share(of: f64, whole: f64) -> Option<f64> {
    (whole > 0.0).then(|| of / whole)
}

/// Intercept and slope of calibration in every resample, by one Newton step from the whole.
///
/// The step is exact to first order in the resample's departure from the whole, as the standard
/// error needs it; a full fit a resample would cost a thousand times as much.
pub(super) struct Recalibrated {
    pub in_the_large: f64,
    pub slope: f64,
    /// By unit, of the fit with slope: gradient (2) and curvature (3); then of the other: 1 and 1.
    sums: Vec<[f64; 7]>,
}

impl Recalibrated {
    pub fn new(units: &Units, probabilities: &Probabilities) -> Option<Self> {
        let fit = recalibration::recalibrate(probabilities)?;
        let mut sums = vec![[0.0; 7]; units.len()];
        for (i, (p, outcome, w)) in probabilities.rows().enumerate() {
            let p = p.clamp(1e-15, 1.0 - 1e-15);
            let z = (p / (1.0 - p)).ln();
            let fitted = |logit: f64| 1.0 / (1.0 + (-logit).exp());
            let q = fitted(fit.intercept + fit.slope * z);
            let r = fitted(fit.in_the_large + z);
            let row = &mut sums[units.of(i)];
            let (g, v) = (w * (outcome - q), w * q * (1.0 - q));
            let step = [
                g,
                g * z,
                v,
                v * z,
                v * z * z,
                w * (outcome - r),
                w * r * (1.0 - r),
            ];
            for (sum, x) in row.iter_mut().zip(step) {
                *sum += x;
            }
        }
        Some(Recalibrated {
            in_the_large: fit.in_the_large,
            slope: fit.slope,
            sums,
        })
    }

    /// Intercept at slope 1, and slope.
    pub fn figures(&self, times: &[f64]) -> (Option<f64>, Option<f64>) {
        let mut s = [0.0; 7];
        for (row, t) in self.sums.iter().zip(times) {
            for (sum, x) in s.iter_mut().zip(row) {
                *sum += t * x;
            }
        }
        let determinant = s[2] * s[4] - s[3] * s[3];
        let slope = (determinant > 1e-12 * s[2] * s[4])
            .then(|| self.slope + (s[2] * s[1] - s[3] * s[0]) / determinant);
        let large = (s[6] > 0.0).then(|| self.in_the_large + s[5] / s[6]);
        (large, slope)
    }
}
