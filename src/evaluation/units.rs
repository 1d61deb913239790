//! What resamples draw: whole groups, or in two stages patches of drawn groups.

use super::GroupTrials;
use crate::numeric::stream;
use rand::RngExt;

/// Patches by the unit that a resample counts them by: their group, or each patch by itself where
/// patches are drawn within drawn groups.
#[derive(Debug, Clone, PartialEq)]
pub struct Units {
    group_of: Vec<usize>,
    groups: usize,
    /// The patches of each group, where they are drawn too.
    members: Option<Vec<Vec<u32>>>,
}

impl Units {
    pub(super) fn new(group_of: &[usize], groups: usize, two_stage: bool) -> Self {
        let members = two_stage.then(|| {
            let mut members = vec![Vec::new(); groups];
            for (patch, &group) in group_of.iter().enumerate() {
                members[group].push(patch as u32);
            }
            members
        });
        Units {
            group_of: group_of.to_vec(),
            groups,
            members,
        }
    }

    /// So many groups of one patch each.
    ///
    /// ```
    /// use boneglow::evaluation::{ClusterBootstrap, Units};
    /// let values = [1.0, 2.0, 4.0, 9.0];
    /// let means = ClusterBootstrap::new(1, 0.95).resamples(&Units::single(4), |times| {
    ///     Some(values.iter().zip(times).map(|(x, t)| x * t).sum::<f64>() / 4.0)
    /// });
    /// assert!(means.iter().all(|mean| (1.0..=9.0).contains(mean)));
    /// ```
    pub fn single(groups: usize) -> Self {
        Units::new(&(0..groups).collect::<Vec<_>>(), groups, false)
    }

    /// Number of units.
    pub fn len(&self) -> usize {
        match self.members {
            Some(_) => self.group_of.len(),
            None => self.groups,
        }
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Number of patches.
    pub fn patches(&self) -> usize {
        self.group_of.len()
    }

    /// The unit of a patch.
    pub fn of(&self, patch: usize) -> usize {
        match self.members {
            Some(_) => patch,
            None => self.group_of[patch],
        }
    }

    /// The multiplicities of the patches as they are.
    pub fn once(&self) -> Vec<f64> {
        vec![1.0; self.len()]
    }

    /// The multiplicities of all patches but those of one group.
    pub fn without(&self, group: usize) -> Vec<f64> {
        let mut times = self.once();
        for (patch, _) in self
            .group_of
            .iter()
            .enumerate()
            .filter(|(_, g)| **g == group)
        {
            times[self.of(patch)] = 0.0;
        }
        times
    }

    /// Sums of a quantity of the patches by unit.
    pub fn sums(&self, quantity: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut sums = vec![0.0; self.len()];
        for patch in 0..self.group_of.len() {
            sums[self.of(patch)] += quantity(patch);
        }
        sums
    }

    /// What each group brings to a figure, whatever the units.
    pub fn trials(&self, weight: impl Fn(usize) -> f64) -> GroupTrials {
        GroupTrials::of(&self.group_of, self.groups, weight)
    }

    /// How often each unit is drawn in one resample: as many groups as there are, with replacement;
    /// then from each drawn group as many patches as it has.
    pub(super) fn draw(&self, seed: u64, replicate: usize, times: &mut [u32]) {
        let Some(members) = &self.members else {
            return draw_groups(seed, replicate, times);
        };
        let mut of_group = vec![0; self.groups];
        draw_groups(seed, replicate, &mut of_group);
        let mut rng = stream(seed, "bootstrap within groups", replicate as u64);
        times.fill(0);
        for (drawn, patches) in of_group.iter().zip(members) {
            for _ in 0..*drawn as usize * patches.len() {
                times[patches[rng.random_range(0..patches.len())] as usize] += 1;
            }
        }
    }
}

fn draw_groups(seed: u64, replicate: usize, times: &mut [u32]) {
    let mut rng = stream(seed, "bootstrap over groups", replicate as u64);
    let groups = times.len() as u32;
    times.fill(0);
    for _ in 0..groups {
        times[rng.random_range(0..groups) as usize] += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_stage_draws_patches_only_within_drawn_groups() {
        let group_of = [0, 0, 0, 1, 1, 2];
        let (whole, both) = (
            Units::new(&group_of, 3, false),
            Units::new(&group_of, 3, true),
        );
        for replicate in 0..20 {
            let (mut groups, mut patches) = ([0; 3], [0; 6]);
            whole.draw(3, replicate, &mut groups);
            both.draw(3, replicate, &mut patches);
            assert_eq!(groups.iter().sum::<u32>(), 3);
            for (group, size) in [3, 2, 1].into_iter().enumerate() {
                let drawn: u32 = (0..6)
                    .filter(|&i| group_of[i] == group)
                    .map(|i| patches[i])
                    .sum();
                assert_eq!(drawn, groups[group] * size);
            }
        }
    }

    #[test]
    fn without_patches_nothing_is_drawn() {
        let empty = Units::new(&[], 0, true);
        assert!(empty.is_empty());
        empty.draw(1, 0, &mut []);
        assert_eq!(empty.once(), Vec::<f64>::new());
    }
}
