//! Targets that are farther off, when they are left out of the fit, than the others let expect.
//!
//! The identifier of Hampel as Davies and Gather put it (1993, J. Am. Stat. Assoc. 88:782): values are
//! compared with a robust scale, here the median, and the cut is such that among so many targets none of
//! which is off, any is named with the stated chance only. That chance is computed from the order
//! statistics of normal errors. Distances in u'v' are taken for the size of an error in one direction,
//! as those of a calibration nearly are; where they are not, fewer targets are named.

use crate::numeric::{normal_quantile, normal_tail};
use statrs::distribution::{Beta, Continuous};

/// A target's error when it is left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LeftOut {
    /// Distance in u'v' from its reference.
    pub distance: f64,
    /// Its own standard uncertainty in u'v' by noise and leak.
    pub own_sd: f64,
    /// Leverage, 0 to 1: the fit without a target that pulls hard is worse at that target.
    pub leverage: f64,
}

/// Where targets pull harder than this in the mean, how far one is off when it is left out is mostly what the
/// mapping cannot know without it: at the ends of the range of hues no target need be wrong to be far off.
const MOST_LEVERAGE: f64 = 0.25;

/// For each target, the chance that any of as many targets without one that is off is so far off: first
/// by the scatter of the errors alone, then with the own uncertainty of each allowed for. Absent for fewer
/// than five targets, and for so few that the mapping follows each.
pub(super) fn chances(targets: &[LeftOut]) -> Option<Vec<[f64; 2]>> {
    let count = targets.len() as f64;
    let pull = targets.iter().map(|t| t.leverage).sum::<f64>() / count;
    if targets.len() < 5 || pull > MOST_LEVERAGE {
        return None;
    }
    let by_scatter = sizes(targets, |_| 0.0);
    let with_own = sizes(targets, |t| t.own_sd * t.own_sd);
    let any = |size: f64| any_so_large(size, targets.len());
    let both = by_scatter.into_iter().zip(with_own);
    Some(both.map(|(a, b)| [any(a), any(b)]).collect())
}

/// The median size of a standard normal error.
fn median_size() -> f64 {
    normal_quantile(0.75)
}

/// The place in ascending order of the size that stands for the median: half of the values, and one
/// more, do not exceed it.
fn middle(count: usize) -> usize {
    count / 2
}

/// Errors over their standard deviation, which is that of `own` and of a common lack of fit such that
/// the middle one has the size of a normal error's median.
fn sizes(targets: &[LeftOut], own: impl Fn(&LeftOut) -> f64) -> Vec<f64> {
    let squares: Vec<f64> = targets
        .iter()
        .map(|t| t.distance * t.distance * (1.0 - t.leverage).max(0.0))
        .collect();
    let of = |common: f64| -> Vec<f64> {
        let sized = squares.iter().zip(targets);
        sized
            .map(|(square, t)| (square / (own(t) + common).max(f64::MIN_POSITIVE)).sqrt())
            .collect()
    };
    let middle_of = |common: f64| {
        let mut sorted = of(common);
        sorted.sort_by(f64::total_cmp);
        sorted[middle(sorted.len())]
    };
    let (mut low, mut high) = (1e-20_f64, 1.0_f64);
    if middle_of(low) <= median_size() {
        return of(low);
    }
    for _ in 0..100 {
        let between = (low * high).sqrt();
        match middle_of(between) > median_size() {
            true => low = between,
            false => high = between,
        }
    }
    of(high)
}

/// The chance that the largest of `count` normal errors is `size` or more where the middle one is brought
/// to the median size: over all the middle one may be, that not all above it stay below.
fn any_so_large(size: f64, count: usize) -> f64 {
    let ratio = size / median_size();
    let below = middle(count) as f64;
    let above = count as f64 - below - 1.0;
    let Ok(middle_share) = Beta::new(below + 1.0, above + 1.0) else {
        return 1.0;
    };
    // Share of sizes that exceed x, and its inverse.
    let exceed = |x: f64| 2.0 * normal_tail(x);
    let size_at = |share: f64| normal_quantile(0.5 + 0.5 * share);
    const STEPS: usize = 2000;
    let steps = (0..STEPS).map(|i| (i as f64 + 0.5) / STEPS as f64);
    let none: f64 = steps
        .map(|share| {
            let farther = exceed(ratio * size_at(share)) / (1.0 - share);
            middle_share.pdf(share) * (1.0 - farther.min(1.0)).powf(above)
        })
        .sum();
    (1.0 - none / STEPS as f64).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::Draw;

    fn target(distance: f64, own_sd: f64) -> LeftOut {
        LeftOut {
            distance,
            own_sd,
            leverage: 0.0,
        }
    }

    /// Where errors are as supposed, a target is named by chance as often as is said.
    #[test]
    fn the_chance_of_naming_any_is_the_stated_one() {
        for count in [5, 8, 12, 25] {
            let (mut low, mut high) = (0.0, 100.0);
            for _ in 0..40 {
                let between = 0.5 * (low + high);
                match any_so_large(between, count) > 0.05 {
                    true => low = between,
                    false => high = between,
                }
            }
            let rounds = 2000;
            let named = (0..rounds).filter(|round| {
                let mut draw = Draw::new(7, "outliers", *round);
                let all: Vec<LeftOut> = (0..count)
                    .map(|_| target(0.003 * draw.normal().abs(), 0.0))
                    .collect();
                sizes(&all, |_| 0.0).iter().any(|size| *size > high)
            });
            let share = named.count() as f64 / rounds as f64;
            // 2000 rounds give a share of 0.05 to within 0.0049 (one standard error).
            assert!((share - 0.05).abs() < 0.015, "{count}: {share}");
        }
    }

    #[test]
    fn one_far_target_is_named_and_no_other() {
        let mut all: Vec<LeftOut> = (1..12)
            .map(|i| target(0.001 + 0.0001 * f64::from(i), 0.0))
            .collect();
        all.push(target(0.03, 0.0));
        let found = chances(&all).unwrap();
        assert!(found[11][0] < 1e-4 && found[11][1] < 1e-4, "{found:?}");
        assert!(found[..11].iter().all(|c| c[0] > 0.5), "{found:?}");
        // Its own uncertainty may explain it.
        all[11].own_sd = 0.02;
        let found = chances(&all).unwrap();
        assert!(found[11][0] < 1e-4 && found[11][1] > 0.5, "{found:?}");
    }

    #[test]
    fn few_targets_and_targets_without_error_name_none() {
        assert_eq!(chances(&[target(0.1, 0.0); 4]), None);
        let followed = LeftOut {
            leverage: 0.4,
            ..target(0.1, 0.0)
        };
        assert_eq!(chances(&[followed; 10]), None);
        let found = chances(&[target(0.0, 0.0); 6]).unwrap();
        assert!(found.iter().flatten().all(|c| *c > 0.5), "{found:?}");
    }
}
