//! Probability of a positive, corrected on patches that the classifier had not seen.

use super::exponential::exp_of_nonpositive;
use crate::{Error, Result};
use ndarray::{Array2, Axis};
use serde::{Deserialize, Serialize};
use std::fmt;

/// How probabilities are corrected, from simple to complex.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CalibrationKind {
    /// Not at all.
    None,
    /// A logistic curve of the logit.
    Platt,
    /// Any curve that never falls.
    Isotonic,
}

impl CalibrationKind {
    /// All kinds, from simple to complex.
    pub const ALL: [CalibrationKind; 3] = [
        CalibrationKind::None,
        CalibrationKind::Platt,
        CalibrationKind::Isotonic,
    ];
}

impl fmt::Display for CalibrationKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            CalibrationKind::None => "none",
            CalibrationKind::Platt => "Platt",
            CalibrationKind::Isotonic => "isotonic",
        })
    }
}

/// A curve from the classifier's probability of a positive to a corrected one; it never falls.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum ProbabilityCalibration {
    /// The probability as it is.
    None,
    /// logit(corrected) = slope x logit + intercept, slope 0 or above.
    Platt {
        /// Slope; below 1 where the classifier is too sure.
        slope: f64,
        /// Intercept.
        intercept: f64,
    },
    /// Straight lines between knots, level beyond the outermost.
    Isotonic {
        /// Logits of the knots, ascending.
        logits: Vec<f64>,
        /// Corrected probability at each knot, never falling.
        probabilities: Vec<f64>,
    },
}

/// Logits are taken of probabilities at least this far from 0 and 1.
const LEAST: f64 = 1e-12;

fn logit(p: f64) -> f64 {
    let p = p.clamp(LEAST, 1.0 - LEAST);
    (p / (1.0 - p)).ln()
}

impl ProbabilityCalibration {
    /// Fits to out-of-group probabilities of a positive, whether each patch is one, and weights
    /// above 0.
    ///
    /// Platt's targets are smoothed: with N+ and N- the total weights of either side, they are
    /// (N+ + 1) / (N+ + 2) and 1 / (N- + 2), so that no finite set of patches makes it certain. A
    /// falling curve becomes level. The isotonic curve pools adjacent violators and is kept within
    /// 1 / (N + 2) of 0 and 1, N the total weight.
    ///
    /// # Errors
    /// Unequal lengths, values outside 0 to 1, weights not above 0, no positive or nothing else.
    ///
    /// Source: Platt, J. (1999) Probabilistic outputs for support vector machines, in Advances in
    /// Large Margin Classifiers, 61-74; Ayer et al. (1955) Ann. Math. Stat. 26:641-647; Zadrozny
    /// and Elkan (2002) KDD, 694-699.
    pub fn fit(
        kind: CalibrationKind,
        p_positive: &[f64],
        positive: &[bool],
        weights: &[f64],
    ) -> Result<Self> {
        if p_positive.len() != positive.len() || positive.len() != weights.len() {
            return Err(Error::input(format!(
                "{} probabilities, {} labels, {} weights: expected as many of each",
                p_positive.len(),
                positive.len(),
                weights.len()
            )));
        }
        if let Some(p) = p_positive.iter().find(|p| !(0.0..=1.0).contains(*p)) {
            return Err(Error::input(format!(
                "found probability {p}, expected 0 to 1"
            )));
        }
        if let Some(w) = weights.iter().find(|w| !(w.is_finite() && **w > 0.0)) {
            return Err(Error::input(format!(
                "found weight {w}, expected a number above 0"
            )));
        }
        if !positive.contains(&true) || !positive.contains(&false) {
            return Err(Error::too_little(
                "probabilities cannot be corrected without patches of either side",
            )
            .remedy("add ground checks of positives and of others"));
        }
        let logits: Vec<f64> = p_positive.iter().map(|p| logit(*p)).collect();
        match kind {
            CalibrationKind::None => Ok(ProbabilityCalibration::None),
            CalibrationKind::Platt => platt(&logits, positive, weights),
            CalibrationKind::Isotonic => Ok(isotonic(&logits, positive, weights)),
        }
    }

    /// Which kind it is.
    pub fn kind(&self) -> CalibrationKind {
        match self {
            ProbabilityCalibration::None => CalibrationKind::None,
            ProbabilityCalibration::Platt { .. } => CalibrationKind::Platt,
            ProbabilityCalibration::Isotonic { .. } => CalibrationKind::Isotonic,
        }
    }

    /// Corrected probability of a positive.
    ///
    /// ```
    /// use boneglow::classify::ProbabilityCalibration;
    /// let halved = ProbabilityCalibration::Platt { slope: 0.5, intercept: 0.0 };
    /// // odds of 9 become odds of 3
    /// assert!((halved.positive(0.9) - 0.75).abs() < 1e-12);
    /// ```
    pub fn positive(&self, p: f64) -> f64 {
        match self {
            ProbabilityCalibration::None => p,
            _ => self.at_logit(logit(p)),
        }
    }

    fn at_logit(&self, z: f64) -> f64 {
        match self {
            ProbabilityCalibration::None => 1.0 / (1.0 + (-z).exp()),
            ProbabilityCalibration::Platt { slope, intercept } => {
                1.0 / (1.0 + (-(slope * z + intercept)).exp())
            }
            ProbabilityCalibration::Isotonic {
                logits,
                probabilities,
            } => {
                let above = logits.partition_point(|l| *l <= z);
                if above == 0 {
                    return probabilities[0];
                }
                if above == logits.len() {
                    return probabilities[above - 1];
                }
                let (z0, z1) = (logits[above - 1], logits[above]);
                let (p0, p1) = (probabilities[above - 1], probabilities[above]);
                p0 + (p1 - p0) * (z - z0) / (z1 - z0)
            }
        }
    }

    /// Corrects rows of class probabilities: the positive classes are scaled together to the
    /// corrected probability, the rest to what remains, so that either side keeps its ratios.
    ///
    /// A row with nothing on one side stays as it is.
    pub fn apply(&self, probabilities: &mut Array2<f64>, positive: &[bool]) {
        if *self == ProbabilityCalibration::None {
            return;
        }
        for mut row in probabilities.axis_iter_mut(Axis(0)) {
            let (mut on, mut off) = (0.0, 0.0);
            for (p, positive) in row.iter().zip(positive) {
                *(if *positive { &mut on } else { &mut off }) += p;
            }
            if on <= 0.0 || off <= 0.0 {
                continue;
            }
            let corrected = self.positive(on / (on + off));
            let (up, down) = (corrected / on, (1.0 - corrected) / off);
            for (p, positive) in row.iter_mut().zip(positive) {
                *p *= if *positive { up } else { down };
            }
        }
    }
}

fn platt(logits: &[f64], positive: &[bool], weights: &[f64]) -> Result<ProbabilityCalibration> {
    let side = |of: bool| -> f64 {
        let side = positive.iter().zip(weights).filter(|(p, _)| **p == of);
        side.map(|(_, w)| w).sum()
    };
    let (yes, no) = (side(true), side(false));
    let targets = [1.0 / (no + 2.0), (yes + 1.0) / (yes + 2.0)];
    let curve = Curve {
        logits,
        targets: positive.iter().map(|p| targets[usize::from(*p)]).collect(),
        weights,
    };
    let [slope, intercept] = curve.fit()?;
    if slope > 0.0 {
        return Ok(ProbabilityCalibration::Platt { slope, intercept });
    }
    let share = (yes * targets[1] + no * targets[0]) / (yes + no);
    Ok(ProbabilityCalibration::Platt {
        slope: 0.0,
        intercept: (share / (1.0 - share)).ln(),
    })
}

/// Rows to which a logistic curve of one variable is fitted by weighted likelihood.
struct Curve<'a> {
    logits: &'a [f64],
    /// Share of positives of each row.
    targets: Vec<f64>,
    weights: &'a [f64],
}

/// Least that is added to the curvature, a share of the total weight.
const LEAST_TRACE: f64 = 1e-12;
/// Rows handled at once.
const BLOCK: usize = 128;

/// Negative log likelihood of a curve with its first and second derivatives.
#[derive(Default)]
struct Fit {
    loss: f64,
    gradient: [f64; 2],
    curvature: [f64; 3],
}

impl Curve<'_> {
    /// Slope and intercept, by Newton's method with a line search from the curve that corrects
    /// nothing (Nocedal and Wright 2006, algorithm 3.1).
    fn fit(&self) -> Result<[f64; 2]> {
        let total: f64 = self.weights.iter().sum();
        let mut at = [1.0, 0.0];
        let mut now = self.evaluate(at);
        // A trace keeps it solvable where all logits are equal; where the loss is flat (classes that are
        // apart) more of it turns a step that does not help into a short one downhill.
        let mut trace = LEAST_TRACE;
        for _ in 0..400 {
            let [g, h] = now.gradient;
            if g.abs().max(h.abs()) <= 1e-9 * total {
                return Ok(at);
            }
            let [a, b, c] = now.curvature;
            let (a, c) = (a + trace * total, c + trace * total);
            let determinant = a * c - b * b;
            let step = [(b * h - c * g) / determinant, (b * g - a * h) / determinant];
            let slope = step[0] * g + step[1] * h;
            match self.downhill(at, step, now.loss, slope) {
                Some(better) => {
                    (at, now) = better;
                    trace = (trace / 10.0).max(LEAST_TRACE);
                }
                None if trace < 1.0 => trace *= 100.0,
                // Not even the shortest step downhill lessens the loss: this is its least to rounding.
                None => return Ok(at),
            }
        }
        Err(not_found())
    }

    /// The point along `step`, halved until it lessens the loss; absent where no length does.
    fn downhill(
        &self,
        at: [f64; 2],
        step: [f64; 2],
        loss: f64,
        slope: f64,
    ) -> Option<([f64; 2], Fit)> {
        let mut length = 1.0;
        while length >= 1e-9 {
            let there = [at[0] + length * step[0], at[1] + length * step[1]];
            let next = self.evaluate(there);
            if next.loss <= loss + 1e-4 * length * slope + 1e-13 * loss {
                return Some((there, next));
            }
            length /= 2.0;
        }
        None
    }

    fn evaluate(&self, [slope, intercept]: [f64; 2]) -> Fit {
        let mut fit = Fit::default();
        let rows = self.logits.chunks(BLOCK).zip(self.targets.chunks(BLOCK));
        for ((logits, targets), weights) in rows.zip(self.weights.chunks(BLOCK)) {
            let mut odds = [0.0; BLOCK];
            for (e, z) in odds.iter_mut().zip(logits) {
                *e = -(slope * z + intercept).abs();
            }
            exp_of_nonpositive(&mut odds);
            for (((z, t), w), e) in logits.iter().zip(targets).zip(weights).zip(&odds) {
                let eta = slope * z + intercept;
                let p = if eta >= 0.0 { 1.0 } else { *e } / (1.0 + e);
                fit.loss += w * ((1.0 + e).ln() + eta.max(0.0) - t * eta);
                let residual = w * (p - t);
                fit.gradient[0] += residual * z;
                fit.gradient[1] += residual;
                let h = w * p * (1.0 - p);
                fit.curvature[0] += h * z * z;
                fit.curvature[1] += h * z;
                fit.curvature[2] += h;
            }
        }
        fit
    }
}

fn not_found() -> Error {
    Error::too_little("the probabilities have no logistic correction within reach")
        .remedy("add ground checks of positives and of others")
}

fn isotonic(logits: &[f64], positive: &[bool], weights: &[f64]) -> ProbabilityCalibration {
    struct Pool {
        low: f64,
        high: f64,
        weight: f64,
        positives: f64,
    }
    let mut order: Vec<usize> = (0..logits.len()).collect();
    order.sort_by(|a, b| logits[*a].total_cmp(&logits[*b]));
    let mut pools: Vec<Pool> = Vec::new();
    for i in order {
        let (z, w) = (logits[i], weights[i]);
        let found = if positive[i] { w } else { 0.0 };
        match pools.last_mut() {
            Some(last) if last.high == z => {
                last.weight += w;
                last.positives += found;
            }
            _ => pools.push(Pool {
                low: z,
                high: z,
                weight: w,
                positives: found,
            }),
        }
    }
    let mut merged: Vec<Pool> = Vec::with_capacity(pools.len());
    for mut pool in pools {
        while let Some(last) = merged.last() {
            if last.positives * pool.weight < pool.positives * last.weight {
                break;
            }
            pool.low = last.low;
            pool.weight += last.weight;
            pool.positives += last.positives;
            merged.pop();
        }
        merged.push(pool);
    }
    let total: f64 = weights.iter().sum();
    let least = 1.0 / (total + 2.0);
    let (mut knots, mut probabilities) = (Vec::new(), Vec::new());
    for pool in merged {
        let p = (pool.positives / pool.weight).clamp(least, 1.0 - least);
        knots.push(pool.low);
        probabilities.push(p);
        if pool.high > pool.low {
            knots.push(pool.high);
            probabilities.push(p);
        }
    }
    ProbabilityCalibration::Isotonic {
        logits: knots,
        probabilities,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    fn expit(z: f64) -> f64 {
        1.0 / (1.0 + (-z).exp())
    }

    /// Scores that are twice too sure: the truth has half their logit.
    fn too_sure() -> (Vec<f64>, Vec<bool>, Vec<f64>) {
        let (mut p, mut y, mut w) = (Vec::new(), Vec::new(), Vec::new());
        for i in -20..=20 {
            let z = f64::from(i) * 0.2;
            for positive in [false, true] {
                p.push(expit(2.0 * z));
                y.push(positive);
                let share = expit(z);
                w.push(1e4 * if positive { share } else { 1.0 - share });
            }
        }
        (p, y, w)
    }

    #[test]
    fn platt_halves_the_logit_of_a_classifier_that_is_twice_too_sure() {
        let (p, y, w) = too_sure();
        let fit = ProbabilityCalibration::fit(CalibrationKind::Platt, &p, &y, &w).unwrap();
        let ProbabilityCalibration::Platt { slope, intercept } = fit else {
            panic!("expected Platt");
        };
        assert!((slope - 0.5).abs() < 1e-3, "{slope}");
        assert!(intercept.abs() < 1e-3, "{intercept}");
    }

    #[test]
    fn isotonic_recovers_the_true_shares_and_never_falls() {
        let (p, y, w) = too_sure();
        let fit = ProbabilityCalibration::fit(CalibrationKind::Isotonic, &p, &y, &w).unwrap();
        let mut last = 0.0;
        for i in -20..=20 {
            let z = f64::from(i) * 0.2;
            let corrected = fit.positive(expit(2.0 * z));
            assert!((corrected - expit(z)).abs() < 1e-9);
            assert!(corrected >= last);
            last = corrected;
        }
    }

    #[test]
    fn adjacent_violators_are_pooled() {
        // Weighted means by hand: 1/1 before 0/3 pools to 1/4; then 1.
        let fit = ProbabilityCalibration::fit(
            CalibrationKind::Isotonic,
            &[0.2, 0.4, 0.6],
            &[true, false, true],
            &[1.0, 3.0, 1.0],
        )
        .unwrap();
        assert!((fit.positive(0.2) - 0.25).abs() < 1e-12);
        assert!((fit.positive(0.4) - 0.25).abs() < 1e-12);
        assert!(
            (fit.positive(0.6) - 6.0 / 7.0).abs() < 1e-12,
            "kept within 1/7 of 1"
        );
        assert!((fit.positive(0.99) - 6.0 / 7.0).abs() < 1e-12);
    }

    #[test]
    fn scores_that_separate_all_stay_finite() {
        let p = [0.0, 0.1, 0.9, 1.0];
        let y = [false, false, true, true];
        for kind in CalibrationKind::ALL {
            let fit = ProbabilityCalibration::fit(kind, &p, &y, &[1.0; 4]).unwrap();
            let corrected = p.map(|p| fit.positive(p));
            assert!(corrected.iter().all(|c| (0.0..=1.0).contains(c)), "{kind}");
            assert!(corrected.is_sorted(), "{kind}");
            if kind != CalibrationKind::None {
                assert!(corrected[3] < 1.0 && corrected[0] > 0.0, "{kind}");
            }
        }
    }

    #[test]
    fn a_worthless_score_gives_the_share_and_no_reversal() {
        let fit = ProbabilityCalibration::fit(
            CalibrationKind::Platt,
            &[0.9, 0.8, 0.2, 0.1],
            &[false, false, true, false],
            &[1.0; 4],
        )
        .unwrap();
        assert!(fit.positive(0.9) >= fit.positive(0.1));
    }

    #[test]
    fn either_side_keeps_its_ratios_when_rows_are_corrected() {
        let positive = [true, true, false, false];
        let halved = ProbabilityCalibration::Platt {
            slope: 0.5,
            intercept: 0.0,
        };
        let mut p = array![[0.6, 0.3, 0.05, 0.05], [0.0, 0.0, 0.4, 0.6]];
        halved.apply(&mut p, &positive);
        assert!((p[(0, 0)] - 0.5).abs() < 1e-12 && (p[(0, 1)] - 0.25).abs() < 1e-12);
        assert!((p[(0, 2)] - 0.125).abs() < 1e-12);
        assert_eq!(p.row(1).to_vec(), [0.0, 0.0, 0.4, 0.6]);
    }

    #[test]
    fn weights_count_as_repeated_patches() {
        let p = [0.3, 0.6, 0.5, 0.8];
        let y = [false, true, true, false];
        let repeat = |v: &[f64]| [v, v].concat();
        for kind in CalibrationKind::ALL {
            let weighted = ProbabilityCalibration::fit(kind, &p, &y, &[2.0; 4]).unwrap();
            let repeated =
                ProbabilityCalibration::fit(kind, &repeat(&p), &[y, y].concat(), &[1.0; 8])
                    .unwrap();
            for q in [0.1, 0.4, 0.7] {
                assert!(
                    (weighted.positive(q) - repeated.positive(q)).abs() < 1e-9,
                    "{kind}"
                );
            }
        }
    }

    #[test]
    fn wrong_input_is_refused() {
        let fit = |p: &[f64], y: &[bool], w: &[f64]| {
            ProbabilityCalibration::fit(CalibrationKind::Platt, p, y, w)
                .unwrap_err()
                .to_string()
        };
        assert!(fit(&[0.5], &[true], &[1.0]).contains("either side"));
        assert!(fit(&[f64::NAN, 0.1], &[true, false], &[1.0; 2]).contains("NaN"));
        assert!(fit(&[0.5, 0.1], &[true, false], &[1.0, 0.0]).contains("weight 0"));
    }
}
