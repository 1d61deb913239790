//! How often the interval of a cut holds the cut that new sites would ask for, on simulated seasons.
//!
//! A site's bones score N(3 + a, 1), its other glows N(b, 1), where a and b are the site's own shifts of
//! N(0, 0.6^2). What new sites ask for then follows from the normal distribution alone. Stated
//! probabilities are those of one site, too sure of themselves for sites that differ.

use super::cases::{Cases, Stakes, expit, logit};
use super::choice::{Choice, Terms, choose};
use crate::evaluation::ClusterBootstrap;
use crate::numeric::{Stream, normal_quantile, stream};
use crate::season::{Policy, ThresholdPlan};
use rand::RngExt;
use rayon::prelude::*;
use statrs::distribution::{ContinuousCDF, Normal};

const SEASONS: u64 = 400;
const DISTANCE: f64 = 3.0;
const UNLIKE: f64 = 0.6;
const PREVALENCE: f64 = 0.1;
const PATCHES_PER_HECTARE: f64 = 100.0;

fn plan(policy: Policy) -> ThresholdPlan {
    ThresholdPlan {
        policy,
        min_recall: 0.8,
        min_precision: 0.5,
        max_walks_per_hectare: 12.0,
        ..ThresholdPlan::default()
    }
}

/// The stated probability in the field of a glow with this score.
fn stated(score: f64) -> f64 {
    expit(logit(PREVALENCE) + DISTANCE * score - DISTANCE * DISTANCE / 2.0)
}

fn season(groups: usize, rng: &mut Stream) -> Cases {
    let mut normal = || normal_quantile(rng.random_range(1e-12..1.0));
    let mut patches = Vec::new();
    for group in 0..groups {
        let size = (0.5 * normal()).exp();
        for (positive, level, mean) in [(true, DISTANCE, 12.0), (false, 0.0, 60.0)] {
            let level = level + UNLIKE * normal();
            for _ in 0..(mean * size) as usize {
                patches.push((stated(level + normal()), positive, group));
            }
        }
    }
    patches.sort_by(|a, b| b.0.total_cmp(&a.0));
    Cases {
        patch: (0..patches.len()).collect(),
        p: patches.iter().map(|p| p.0).collect(),
        positive: patches.iter().map(|p| p.1).collect(),
        weight: vec![1.0; patches.len()],
        group: patches.iter().map(|p| p.2).collect(),
        never: vec![false; patches.len()],
    }
}

/// Recall and false alarm rate at new sites of a cut on the score.
fn rates(score: f64) -> (f64, f64) {
    let spread = (1.0 + UNLIKE * UNLIKE).sqrt();
    let above = |level: f64| Normal::standard().cdf((level - score) / spread);
    (above(DISTANCE), above(0.0))
}

/// The score below which `holds` and above which it does not, or the reverse.
fn border(holds: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (-10.0, 15.0);
    let at_low = holds(low);
    for _ in 0..80 {
        let middle = (low + high) / 2.0;
        match holds(middle) == at_low {
            true => low = middle,
            false => high = middle,
        }
    }
    low
}

/// The cut that new sites ask for, where the policy's own figure on these patches is what is asked.
fn asked(choice: &Choice, cases: &Cases, terms: Terms) -> f64 {
    let stakes = terms.stakes;
    let point = |score: f64| {
        let (recall, alarms) = rates(score);
        stakes.point(0.0, recall, alarms)
    };
    let score = match terms.plan.policy {
        Policy::Cost => {
            let wanted = logit(stakes.cost_ratio_cut()) - logit(PREVALENCE);
            let variance = 1.0 + UNLIKE * UNLIKE;
            wanted * variance / DISTANCE + DISTANCE / 2.0
        }
        Policy::Recall => {
            let recall = cases.rates(choice.cut).unwrap().0;
            border(|score| rates(score).0 >= recall)
        }
        Policy::Precision => {
            border(|score| point(score).precision.unwrap() >= terms.plan.min_precision)
        }
        Policy::Walks => {
            let most = 1000.0 * terms.plan.max_walks_per_hectare / PATCHES_PER_HECTARE;
            border(|score| point(score).walks_per_1000 <= most)
        }
    };
    stated(score)
}

/// Share of seasons whose interval holds what new sites ask for, and of those without one.
fn coverage(policy: Policy, groups: usize) -> (f64, f64) {
    let plan = plan(policy);
    let held: Vec<Option<bool>> = (0..SEASONS)
        .into_par_iter()
        .map(|number| {
            let cases = season(groups, &mut stream(groups as u64, "cuts", number));
            let terms = Terms {
                plan: &plan,
                stakes: Stakes::new(&plan, PREVALENCE),
                patches_per_hectare: Some(PATCHES_PER_HECTARE),
                bootstrap: ClusterBootstrap {
                    replicates: 200,
                    ..ClusterBootstrap::new(number, 0.95)
                },
                groups,
            };
            let choice = choose(&cases, terms).unwrap();
            let asked = asked(&choice, &cases, terms);
            Some((choice.low?..=choice.high?).contains(&asked))
        })
        .collect();
    let of = |what: Option<bool>| held.iter().filter(|h| **h == what).count() as f64;
    let told = of(Some(true)) + of(Some(false));
    (of(Some(true)) / told, of(None) / SEASONS as f64)
}

#[test]
fn intervals_of_cuts_hold_what_new_sites_ask_for() {
    for policy in [
        Policy::Cost,
        Policy::Recall,
        Policy::Walks,
        Policy::Precision,
    ] {
        for groups in [6, 14, 20] {
            let (held, untold) = coverage(policy, groups);
            let what = format!("{policy:?}, {groups} groups: held {held:.3}, none {untold:.3}");
            assert!((0.92..=0.98).contains(&held) && untold <= 0.02, "{what}");
        }
    }
}
