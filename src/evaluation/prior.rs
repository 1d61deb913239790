//! From the ledger's share of positives to the field's.
//!
//! Saerens, Latinne & Decaestecker (2002, Neural Comput. 14:21). Assumes that within a class the
//! field looks like the ledger: only the shares of the classes differ.

use super::scores::{check_weights, same_length};
use super::{ClusterBootstrap, Interval, IntervalMethod};
use crate::{Error, Result};

/// Probability of being positive at another share of positives (Saerens et al. 2002, eq. 2.4); all in 0 to 1.
///
/// A `training` share of 0 or 1 knows one class only and moves nothing. Probabilities of all classes are moved by
/// [`adjust_prior`](crate::classify::adjust_prior); this is the same for two sides, without a matrix.
///
/// ```
/// let moved = boneglow::evaluation::prior::shift_probability(0.8, 0.5, 0.1);
/// assert!((moved - 4.0 / 13.0).abs() < 1e-12);
/// ```
pub fn shift_probability(probability: f64, training: f64, field: f64) -> f64 {
    if training <= 0.0 || training >= 1.0 {
        return probability;
    }
    let positive = probability * field / training;
    let other = (1.0 - probability) * (1.0 - field) / (1.0 - training);
    match positive + other > 0.0 {
        true => positive / (positive + other),
        false => probability,
    }
}

/// What to add to the intercept of a logistic model when the share of positives changes
/// (King & Zeng 2001, Polit. Anal. 9:137, eq. 7): the change of the share's log odds.
///
/// ```
/// let change = boneglow::evaluation::prior::intercept_shift(0.5, 0.01);
/// assert!((change + 99.0_f64.ln()).abs() < 1e-12);
/// ```
pub fn intercept_shift(training: f64, field: f64) -> f64 {
    let log_odds = |share: f64| (share / (1.0 - share)).ln();
    log_odds(field) - log_odds(training)
}

/// Weights of positives and others that turn a sample's share of positives into the field's
/// (King & Zeng 2001, eq. 8). `None` if the sample holds one class only.
pub fn class_weights(training: f64, field: f64) -> Option<(f64, f64)> {
    (training > 0.0 && training < 1.0).then(|| (field / training, (1.0 - field) / (1.0 - training)))
}

/// One step of expectation-maximization: the mean of the probabilities moved to the share
/// `field` (Saerens et al. 2002, eq. 2.9). Weights are optional.
pub fn em_step(probabilities: &[f64], weights: Option<&[f64]>, training: f64, field: f64) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for (patch, &p) in probabilities.iter().enumerate() {
        let w = weights.map_or(1.0, |w| w[patch]);
        sum += w * shift_probability(p, training, field);
        weight += w;
    }
    if weight > 0.0 { sum / weight } else { field }
}

/// The share of positives among unlabelled patches, from their probabilities at the share
/// `training`: where [`em_step`] comes to rest.
///
/// Found as the maximum of the likelihood, which is concave in the share, so that nothing depends
/// on how long one iterates; 0 or 1 where the likelihood still rises at the end.
///
/// Errors: no patch, probabilities outside 0 to 1, a `training` share outside (0, 1), bad weights.
///
/// ```
/// use boneglow::evaluation::prior;
/// // A perfect classifier: the share is a count.
/// assert_eq!(prior::estimate(&[1.0, 0.0, 0.0, 0.0], None, 0.5)?, 0.25);
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn estimate(probabilities: &[f64], weights: Option<&[f64]>, training: f64) -> Result<f64> {
    check(probabilities, weights, training)?;
    Ok(maximum(&contrasts(probabilities, training), |patch| {
        weights.map_or(1.0, |w| w[patch])
    }))
}

/// [`estimate`] with its interval, unlabelled patches resampled by group; the classifier itself
/// is held fixed.
///
/// Quantiles of the bootstrap: the estimate may lie at 0, where a standard error means nothing.
///
/// Errors: as [`estimate`]; as many groups as probabilities are expected.
pub fn estimate_with_interval(
    probabilities: &[f64],
    weights: Option<&[f64]>,
    training: f64,
    groups: &[usize],
    bootstrap: &ClusterBootstrap,
) -> Result<Option<Interval>> {
    same_length("groups", groups.len(), "probabilities", probabilities.len())?;
    let value = estimate(probabilities, weights, training)?;
    let contrasts = contrasts(probabilities, training);
    let weight = |patch: usize| weights.map_or(1.0, |w| w[patch]);
    let units = bootstrap.units(groups, groups.iter().max().map_or(0, |g| g + 1));
    let resampled = bootstrap.resamples(&units, |times| {
        Some(maximum(&contrasts, |patch| {
            weight(patch) * times[units.of(patch)]
        }))
    });
    Ok(bootstrap.quantiles(resampled).map(|(low, high)| Interval {
        value,
        low: low.min(value),
        high: high.max(value),
        method: IntervalMethod::BootstrapPercentile,
    }))
}

fn check(probabilities: &[f64], weights: Option<&[f64]>, training: f64) -> Result<()> {
    if probabilities.is_empty() {
        return Err(Error::too_little(
            "found no unlabelled patch, expected one or more",
        ));
    }
    if let Some(found) = probabilities.iter().find(|p| !(0.0..=1.0).contains(*p)) {
        return Err(Error::input(format!(
            "found probability {found}, expected 0 to 1"
        )));
    }
    if !(training > 0.0 && training < 1.0) {
        return Err(Error::input(format!(
            "found a training share of {training}, expected one between 0 and 1"
        )));
    }
    weights.map_or(Ok(()), |w| check_weights(w, probabilities.len()))
}

/// Likelihoods of each patch as positive and as other, up to a common factor.
fn contrasts(probabilities: &[f64], training: f64) -> Vec<(f64, f64)> {
    probabilities
        .iter()
        .map(|&p| (p / training, (1.0 - p) / (1.0 - training)))
        .collect()
}

/// The share with the greatest likelihood, by bisection on its falling slope.
fn maximum(contrasts: &[(f64, f64)], weight: impl Fn(usize) -> f64) -> f64 {
    let slope = |share: f64| -> f64 {
        contrasts
            .iter()
            .enumerate()
            .map(|(patch, (positive, other))| {
                let w = weight(patch);
                match w > 0.0 {
                    true => w * (positive - other) / (share * positive + (1.0 - share) * other),
                    false => 0.0,
                }
            })
            .sum()
    };
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    if slope(0.0) <= 0.0 {
        return 0.0;
    }
    if slope(1.0) >= 0.0 {
        return 1.0;
    }
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if slope(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low + high) / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::stream;
    use rand::RngExt;

    /// Probabilities at a share of a half of patches of which `share` are positive: one feature,
    /// uniform on 0 to 1 in the others, rising (density 2x) in positives.
    fn field(share: f64, patches: usize) -> Vec<f64> {
        let mut rng = stream(5, "prior test", 0);
        (0..patches)
            .map(|patch| {
                let positive = (patch as f64) < share * patches as f64;
                let draw: f64 = rng.random();
                let x = if positive { draw.sqrt() } else { draw };
                2.0 * x / (2.0 * x + 1.0)
            })
            .collect()
    }

    #[test]
    fn the_fields_share_is_recovered_and_the_interval_holds_it() {
        let p = field(0.1, 20_000);
        let groups: Vec<usize> = (0..p.len()).map(|patch| patch % 15).collect();
        let bootstrap = ClusterBootstrap {
            replicates: 200,
            ..ClusterBootstrap::new(1, 0.95)
        };
        let found = estimate_with_interval(&p, None, 0.5, &groups, &bootstrap);
        let found = found.unwrap().unwrap();
        assert!(
            (found.value - 0.1).abs() < 0.03 && found.holds(0.1),
            "{found:?}"
        );
        let rest = em_step(&p, None, 0.5, found.value);
        assert!((rest - found.value).abs() < 1e-9);
    }

    #[test]
    fn a_field_without_bone_has_a_share_near_nought_and_not_below() {
        let found = estimate(&field(0.0, 5000), None, 0.5).unwrap();
        assert!((0.0..0.05).contains(&found), "{found}");
    }

    #[test]
    fn impossible_input_is_refused() {
        assert!(estimate(&[], None, 0.5).unwrap_err().is_too_little());
        assert!(estimate(&[1.5], None, 0.5).unwrap_err().is_input());
        assert!(estimate(&[0.5], None, 1.0).is_err());
        assert!(estimate(&[0.5], Some(&[-1.0]), 0.5).is_err());
    }

    #[test]
    fn moving_there_and_back_changes_nothing() {
        for p in [0.0, 1e-9, 0.01, 0.4, 1.0] {
            let there = shift_probability(p, 0.3, 0.02);
            assert!((shift_probability(there, 0.02, 0.3) - p).abs() < 1e-12);
        }
    }

    #[test]
    fn even_odds_at_one_half_become_the_prevalence_and_one_class_moves_nothing() {
        assert!((shift_probability(0.5, 0.5, 0.01) - 0.01).abs() < 1e-15);
        // Odds 4 at share 1/3 are a likelihood ratio of 8; at share 1/9 odds 1.
        assert!((shift_probability(0.8, 1.0 / 3.0, 1.0 / 9.0) - 0.5).abs() < 1e-12);
        assert_eq!(shift_probability(0.7, 0.0, 0.1), 0.7);
        assert_eq!(shift_probability(0.7, 1.0, 0.1), 0.7);
    }
}
