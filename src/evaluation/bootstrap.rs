//! Intervals from resampled groups.

use super::scores::{ratio, same_length};
use super::{Interval, IntervalMethod};
use crate::Result;
use crate::numeric::{stream, student_quantile};
use rand::RngExt;
use rayon::prelude::*;

/// The scale on which a figure's interval is symmetric.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Figures from 0 to 1: recall, precision, area under the curve.
    Logit,
    /// Figures from -1 to 1: correlations, kappa.
    Correlation,
    /// Figures above 0: costs, losses, odds.
    Log,
    /// Figures without bounds: differences.
    Identity,
}

/// Hits and trials of each group: what a share (recall, precision ...) is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupSums {
    /// Summed weight of each group's hits.
    pub hits: Vec<f64>,
    /// Summed weight of each group's trials, hits included.
    pub trials: Vec<f64>,
}

/// Resamples whole groups with replacement, as many as there are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusterBootstrap {
    /// Number of resamples.
    pub replicates: usize,
    /// The season's seed.
    pub seed: u64,
    /// Two-sided confidence, inside (0, 1).
    pub confidence: f64,
    /// Whether the patches are resampled within the resampled groups as well.
    pub two_stage: bool,
}

impl ClusterBootstrap {
    /// 2000 resamples of whole groups.
    pub fn new(seed: u64, confidence: f64) -> Self {
        Self {
            replicates: 2000,
            seed,
            confidence,
            two_stage: false,
        }
    }

    /// How often each group is drawn in one resample; they sum to `groups`.
    pub fn multiplicities(&self, groups: usize, replicate: usize) -> Vec<f64> {
        let mut rng = stream(self.seed, "bootstrap over groups", replicate as u64);
        let mut times = vec![0.0; groups];
        for _ in 0..groups {
            times[rng.random_range(0..groups)] += 1.0;
        }
        times
    }

    /// The interval of a statistic of the groups' multiplicities (all 1: the figure itself).
    pub fn interval(
        &self,
        groups: usize,
        scale: Scale,
        statistic: impl Fn(&[f64]) -> Option<f64> + Sync,
    ) -> Option<Interval> {
        self.intervals(groups, &[scale], |times| vec![statistic(times)])
            .pop()?
    }

    /// The intervals of several statistics computed together; one scale and one result each.
    pub fn intervals(
        &self,
        groups: usize,
        scales: &[Scale],
        statistics: impl Fn(&[f64]) -> Vec<Option<f64>> + Sync,
    ) -> Vec<Option<Interval>> {
        let values = statistics(&vec![1.0; groups]);
        let resampled: Vec<Vec<Option<f64>>> = (0..self.replicates)
            .into_par_iter()
            .map(|replicate| statistics(&self.multiplicities(groups, replicate)))
            .collect();
        scales
            .iter()
            .enumerate()
            .map(|(at, &scale)| {
                let column: Vec<f64> = resampled.iter().filter_map(|row| row[at]).collect();
                self.interval_from(groups, scale, values[at]?, &column)
            })
            .collect()
    }

    /// The statistic of the patches' multiplicities in each resample where it is defined;
    /// `groups` has one entry a patch.
    ///
    /// With `two_stage` the patches of a drawn group are drawn with replacement too.
    pub fn resamples_of_patches(
        &self,
        groups: &[usize],
        statistic: impl Fn(&[f64]) -> Option<f64> + Sync,
    ) -> Vec<f64> {
        let count = groups.iter().max().map_or(0, |g| g + 1);
        let mut members = vec![Vec::new(); count];
        for (patch, &group) in groups.iter().enumerate() {
            members[group].push(patch);
        }
        (0..self.replicates)
            .into_par_iter()
            .filter_map(|replicate| {
                let times = self.multiplicities(count, replicate);
                if !self.two_stage {
                    return statistic(&groups.iter().map(|&g| times[g]).collect::<Vec<_>>());
                }
                let mut rng = stream(self.seed, "bootstrap within groups", replicate as u64);
                let mut of_patch = vec![0.0; groups.len()];
                for (group, patches) in members.iter().enumerate() {
                    for _ in 0..times[group] as usize * patches.len() {
                        of_patch[patches[rng.random_range(0..patches.len())]] += 1.0;
                    }
                }
                statistic(&of_patch)
            })
            .collect()
    }

    /// The interval of a statistic of the patches' multiplicities (see
    /// [`resamples_of_patches`](Self::resamples_of_patches)).
    pub fn interval_of_patches(
        &self,
        groups: &[usize],
        scale: Scale,
        statistic: impl Fn(&[f64]) -> Option<f64> + Sync,
    ) -> Option<Interval> {
        let count = groups.iter().max()? + 1;
        let value = statistic(&vec![1.0; groups.len()])?;
        let resampled = self.resamples_of_patches(groups, statistic);
        self.interval_from(count, scale, value, &resampled)
    }

    /// The resamples' quantiles at the confidence's two tails; `None` without resamples.
    pub fn quantiles(&self, mut resampled: Vec<f64>) -> Option<(f64, f64)> {
        resampled.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let last = resampled.len().checked_sub(1)?;
            let place = (share * resampled.len() as f64).ceil() as usize;
            resampled.get(place.saturating_sub(1).min(last)).copied()
        };
        let tail = (1.0 - self.confidence) / 2.0;
        Some((at(tail)?, at(1.0 - tail)?))
    }

    /// The interval of a share from the groups' hits and trials.
    ///
    /// Errors: as many hits as trials are expected.
    pub fn share(&self, sums: &GroupSums) -> Result<Option<Interval>> {
        same_length("hits", sums.hits.len(), "trials", sums.trials.len())?;
        let weigh =
            |of: &[f64], times: &[f64]| -> f64 { of.iter().zip(times).map(|(x, t)| x * t).sum() };
        Ok(self.interval(sums.hits.len(), Scale::Logit, |times| {
            ratio(weigh(&sums.hits, times), weigh(&sums.trials, times))
        }))
    }

    fn interval_from(
        &self,
        groups: usize,
        scale: Scale,
        value: f64,
        resampled: &[f64],
    ) -> Option<Interval> {
        if groups < 2 || resampled.len() < 2 {
            return None;
        }
        let g = groups as f64;
        let mean = resampled.iter().sum::<f64>() / resampled.len() as f64;
        let variance = resampled.iter().map(|x| (x - mean).powi(2)).sum::<f64>()
            / (resampled.len() - 1) as f64;
        let error = (variance * g / (g - 1.0)).sqrt();
        let t = student_quantile(0.5 + self.confidence / 2.0, g - 1.0);
        let (low, high) = scale.limits(value, t * error);
        Some(Interval {
            value,
            low,
            high,
            method: IntervalMethod::GroupBootstrap,
        })
    }
}

impl Scale {
    /// Limits `half` (in the figure's own unit) to each side, symmetric on this scale.
    fn limits(self, value: f64, half: f64) -> (f64, f64) {
        match self {
            Scale::Identity => (value - half, value + half),
            Scale::Log if value > 0.0 => {
                let half = half / value;
                (value * (-half).exp(), value * half.exp())
            }
            Scale::Logit if value > 0.0 && value < 1.0 => {
                let half = half / (value * (1.0 - value));
                let odds = value / (1.0 - value);
                let share = |odds: f64| 1.0 - 1.0 / (1.0 + odds);
                (share(odds * (-half).exp()), share(odds * half.exp()))
            }
            Scale::Correlation if value.abs() < 1.0 => {
                let half = half / (1.0 - value * value);
                ((value.atanh() - half).tanh(), (value.atanh() + half).tanh())
            }
            Scale::Log => (0.0, value + half),
            Scale::Logit => ((value - half).max(0.0), (value + half).min(1.0)),
            Scale::Correlation => ((value - half).max(-1.0), (value + half).min(1.0)),
        }
    }
}
