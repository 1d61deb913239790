//! Probabilities moved from one set of class shares to another.

use ndarray::{Array2, Axis};

/// Moves `probabilities` (patches x classes) from class shares `from` to class shares `to`.
///
/// Each probability is multiplied by `to / from` of its class and rows are made to sum to 1. A class
/// with share 0 in `from` keeps probability 0. A row left without any probability stays as it was.
///
/// Source: Saerens, Latinne and Decaestecker (2002) Neural Computation 14:21-41, eq. 2.4.
///
/// ```
/// use boneglow::classify::adjust_prior;
/// let mut p = ndarray::array![[0.8, 0.2]];
/// adjust_prior(&mut p, &[0.5, 0.5], &[0.1, 0.9]);
/// assert!((p[(0, 0)] - 4.0 / 13.0).abs() < 1e-15);
/// ```
pub fn adjust_prior(probabilities: &mut Array2<f64>, from: &[f64], to: &[f64]) {
    if from == to {
        return;
    }
    let ratios: Vec<f64> = from
        .iter()
        .zip(to)
        .map(|(from, to)| if *from > 0.0 { to / from } else { 0.0 })
        .collect();
    for mut row in probabilities.axis_iter_mut(Axis(0)) {
        let sum: f64 = row.iter().zip(&ratios).map(|(p, r)| p * r).sum();
        if sum > 0.0 {
            for (p, r) in row.iter_mut().zip(&ratios) {
                *p *= r / sum;
            }
        }
    }
}

/// Class shares in which the positive classes together have `share`, the ratios among the positive
/// classes and among the rest being those of `shares`.
///
/// Where `shares` holds no positives (or nothing else), it is returned as it is.
///
/// ```
/// use boneglow::classify::shares_with_positive;
/// let shares = shares_with_positive(&[0.5, 0.3, 0.2], &[true, false, false], 0.1);
/// assert!((shares[1] - 0.54).abs() < 1e-15 && (shares[2] - 0.36).abs() < 1e-15);
/// ```
pub fn shares_with_positive(shares: &[f64], positive: &[bool], share: f64) -> Vec<f64> {
    let of = |side: bool| -> f64 {
        let side = shares.iter().zip(positive).filter(|(_, p)| **p == side);
        side.map(|(s, _)| s).sum()
    };
    let (positives, rest) = (of(true), of(false));
    if positives <= 0.0 || rest <= 0.0 {
        return shares.to_vec();
    }
    shares
        .iter()
        .zip(positive)
        .map(|(s, p)| {
            s * if *p {
                share / positives
            } else {
                (1.0 - share) / rest
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn moving_there_and_back_changes_nothing() {
        let before = array![[0.7, 0.2, 0.1], [0.0, 0.5, 0.5]];
        let (from, to) = ([0.2, 0.3, 0.5], [0.01, 0.59, 0.4]);
        let mut p = before.clone();
        adjust_prior(&mut p, &from, &to);
        assert!(p.rows().into_iter().all(|r| (r.sum() - 1.0).abs() < 1e-15));
        adjust_prior(&mut p, &to, &from);
        assert!((&p - &before).iter().all(|d| d.abs() < 1e-14));
    }

    #[test]
    fn a_class_that_training_did_not_hold_stays_at_zero() {
        let mut p = array![[0.5, 0.5, 0.0]];
        adjust_prior(&mut p, &[0.5, 0.5, 0.0], &[0.2, 0.3, 0.5]);
        assert!((p[(0, 0)] - 0.4).abs() < 1e-15);
        assert_eq!(p[(0, 2)], 0.0);
    }
}
