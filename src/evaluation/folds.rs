//! How patches are split into folds: a group is never on both sides.

use crate::numeric::stream;
use crate::{Error, Result};
use rand::seq::SliceRandom;

/// Up to this many groups each is left out by itself; above, groups share folds.
pub const MOST_GROUPS_ONE_BY_ONE: usize = 20;

/// Folds when there are more groups than [`MOST_GROUPS_ONE_BY_ONE`].
pub const SHARED_FOLDS: usize = 10;

/// How the folds came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Split {
    /// Each group is a fold.
    LeaveOneGroupOut,
    /// Whole groups share folds.
    GroupedFolds,
    /// The folds were given; no group is split by them.
    Given,
    /// Patches were dealt at random, groups split: only to show what a leak pretends.
    Leaking,
}

/// A split of patches into folds.
///
/// ```
/// use boneglow::evaluation::Folds;
/// let groups = [0, 0, 1, 1, 2, 2];
/// let folds = Folds::by_group(&groups)?;
/// assert_eq!(folds.count(), 3);
/// assert_eq!(folds.test(1), [2, 3]);
/// assert_eq!(folds.train(&[1]), [0, 1, 4, 5]);
/// assert!(Folds::given(&[0, 1, 0, 0, 1, 1], &groups).is_err(), "group 0 is split");
/// # Ok::<(), boneglow::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folds {
    fold_of: Vec<usize>,
    count: usize,
    split: Split,
}

impl Folds {
    /// Leave one group out; above [`MOST_GROUPS_ONE_BY_ONE`] groups, [`SHARED_FOLDS`] grouped folds.
    ///
    /// `groups` is the group of each patch, any numbers. Groups without a patch make no fold.
    /// Fewer than two groups are an error: nothing could be left out.
    pub fn by_group(groups: &[usize]) -> Result<Self> {
        let present = distinct(groups);
        if present.len() > MOST_GROUPS_ONE_BY_ONE {
            return Self::grouped(groups, SHARED_FOLDS);
        }
        enough(&present)?;
        let fold_of = groups
            .iter()
            .map(|g| present.partition_point(|p| p < g))
            .collect();
        Ok(Folds {
            fold_of,
            count: present.len(),
            split: Split::LeaveOneGroupOut,
        })
    }

    /// Whole groups in `count` folds of about equal numbers of patches.
    ///
    /// Groups are dealt from the largest to the smallest (the lower number first where equal), each
    /// to the fold that holds fewest patches so far (the first where equal).
    pub fn grouped(groups: &[usize], count: usize) -> Result<Self> {
        let present = distinct(groups);
        enough(&present)?;
        if count < 2 || count > present.len() {
            return Err(Error::input(format!(
                "{count} folds were asked for, expected 2 to {} (the number of groups)",
                present.len()
            )));
        }
        let mut sizes: Vec<(usize, usize)> = present
            .iter()
            .map(|&g| (groups.iter().filter(|&&other| other == g).count(), g))
            .collect();
        sizes.sort_by_key(|&(size, group)| (std::cmp::Reverse(size), group));
        let mut filled = vec![0; count];
        let mut fold_of_group = vec![0; present.len()];
        for (size, group) in sizes {
            let emptiest = (0..count).min_by_key(|&f| filled[f]).unwrap_or(0);
            filled[emptiest] += size;
            fold_of_group[present.partition_point(|p| *p < group)] = emptiest;
        }
        Ok(Folds {
            fold_of: groups
                .iter()
                .map(|g| fold_of_group[present.partition_point(|p| p < g)])
                .collect(),
            count,
            split: if count == present.len() {
                Split::LeaveOneGroupOut
            } else {
                Split::GroupedFolds
            },
        })
    }

    /// A given assignment of patches to folds 0, 1, 2 ..., for a comparison on the same folds.
    ///
    /// A group in two folds is an error, as are a fold without a patch and lists of unequal lengths.
    pub fn given(fold_of: &[usize], groups: &[usize]) -> Result<Self> {
        if fold_of.len() != groups.len() {
            return Err(Error::input(format!(
                "found folds of {} patches, expected {}",
                fold_of.len(),
                groups.len()
            )));
        }
        let folds = distinct(fold_of);
        if folds.len() < 2 || folds.iter().enumerate().any(|(i, &f)| i != f) {
            return Err(Error::input(
                "the folds must be numbered 0, 1, 2 ... and be two or more",
            ));
        }
        for group in distinct(groups) {
            let of_group: Vec<usize> = (0..groups.len())
                .filter(|&i| groups[i] == group)
                .map(|i| fold_of[i])
                .collect();
            if let Some(i) = of_group.iter().position(|f| *f != of_group[0]) {
                return Err(Error::input(format!(
                    "group number {group} is split between folds {} and {}",
                    of_group[0], of_group[i]
                ))
                .remedy("give all patches of a group the same fold"));
            }
        }
        Ok(Folds {
            fold_of: fold_of.to_vec(),
            count: folds.len(),
            split: Split::Given,
        })
    }

    /// Patches dealt at random, groups split: the careless way, kept to show what it pretends.
    ///
    /// Predictions made with it are refused by everything that recommends.
    pub fn leaking(patches: usize, count: usize, seed: u64) -> Result<Self> {
        if count < 2 || count > patches {
            return Err(Error::input(format!(
                "{count} folds were asked for, expected 2 to {patches} (the number of patches)"
            )));
        }
        let mut order: Vec<usize> = (0..patches).collect();
        order.shuffle(&mut stream(seed, "leaking folds", 0));
        let mut fold_of = vec![0; patches];
        for (place, patch) in order.into_iter().enumerate() {
            fold_of[patch] = place % count;
        }
        Ok(Folds {
            fold_of,
            count,
            split: Split::Leaking,
        })
    }

    /// A given assignment that may split groups, for a comparison of the leak itself.
    ///
    /// Predictions made with it are refused by everything that recommends.
    pub fn given_leaking(fold_of: &[usize]) -> Result<Self> {
        let each_its_own: Vec<usize> = fold_of.to_vec();
        let mut folds = Self::given(fold_of, &each_its_own)?;
        folds.split = Split::Leaking;
        Ok(folds)
    }

    /// Number of folds.
    pub fn count(&self) -> usize {
        self.count
    }

    /// Number of patches.
    pub fn patches(&self) -> usize {
        self.fold_of.len()
    }

    /// How the folds came about.
    pub fn split(&self) -> Split {
        self.split
    }

    /// The fold in which a patch is tested.
    pub fn of(&self, patch: usize) -> usize {
        self.fold_of[patch]
    }

    /// The patches of one fold, ascending.
    pub fn test(&self, fold: usize) -> Vec<usize> {
        (0..self.fold_of.len())
            .filter(|&i| self.fold_of[i] == fold)
            .collect()
    }

    /// The patches of all folds but those named, ascending.
    pub fn train(&self, left_out: &[usize]) -> Vec<usize> {
        (0..self.fold_of.len())
            .filter(|&i| !left_out.contains(&self.fold_of[i]))
            .collect()
    }

    /// How the patches are split, a sentence.
    pub fn sentence(&self) -> String {
        match self.split {
            Split::LeaveOneGroupOut => {
                format!("Each of {} groups was left out in turn.", self.count)
            }
            Split::GroupedFolds => format!(
                "Whole groups were left out in {} folds of about equal numbers of patches.",
                self.count
            ),
            Split::Given => format!(
                "Whole groups were left out in {} folds that were given.",
                self.count
            ),
            Split::Leaking => format!(
                "Patches were left out in {} folds that split groups: figures are too good.",
                self.count
            ),
        }
    }
}

fn distinct(of: &[usize]) -> Vec<usize> {
    let mut values = of.to_vec();
    values.sort_unstable();
    values.dedup();
    values
}

fn enough(present: &[usize]) -> Result<()> {
    if present.len() < 2 {
        return Err(Error::too_little(format!(
            "found {} group with checked patches, expected at least 2: nothing can be left out",
            present.len()
        ))
        .key("ledger.group")
        .remedy("check patches at another site, or group by another column (such as night)"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_patch_is_tested_exactly_once() {
        let groups: Vec<usize> = (0..90).map(|i| (i * i) % 31).collect();
        for folds in [
            Folds::by_group(&groups).unwrap(),
            Folds::grouped(&groups, 3).unwrap(),
            Folds::leaking(90, 7, 4).unwrap(),
        ] {
            let mut seen = vec![0; 90];
            for fold in 0..folds.count() {
                for i in folds.test(fold) {
                    seen[i] += 1;
                }
                let train = folds.train(&[fold]);
                assert_eq!(train.len() + folds.test(fold).len(), 90);
            }
            assert!(seen.iter().all(|&s| s == 1));
        }
    }

    #[test]
    fn a_group_is_never_on_both_sides() {
        let groups: Vec<usize> = (0..300).map(|i| i % 37).collect();
        let folds = Folds::by_group(&groups).unwrap();
        assert_eq!(folds.count(), SHARED_FOLDS);
        for i in 0..300 {
            for j in 0..300 {
                if groups[i] == groups[j] {
                    assert_eq!(folds.of(i), folds.of(j));
                }
            }
        }
    }

    #[test]
    fn shared_folds_are_about_equally_large() {
        // Sizes 6, 5, 4, 3, 2, 2 into two folds: 6+3+2 and 5+4+2.
        let sizes = [6, 5, 4, 3, 2, 2];
        let groups: Vec<usize> = sizes
            .iter()
            .enumerate()
            .flat_map(|(g, &n)| std::iter::repeat_n(g, n))
            .collect();
        let folds = Folds::grouped(&groups, 2).unwrap();
        assert_eq!(folds.test(0).len(), 11);
        assert_eq!(folds.test(1).len(), 11);
    }

    #[test]
    fn groups_without_a_patch_make_no_fold() {
        let folds = Folds::by_group(&[3, 3, 9]).unwrap();
        assert_eq!(folds.count(), 2);
        assert_eq!(folds.test(0), [0, 1]);
    }

    #[test]
    fn one_group_is_too_little() {
        assert!(Folds::by_group(&[0, 0, 0]).unwrap_err().is_too_little());
    }

    #[test]
    fn more_folds_than_groups_are_refused() {
        assert!(Folds::grouped(&[0, 1, 1], 3).unwrap_err().is_input());
    }
}
