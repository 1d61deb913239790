//! What a survey leaves to its evaluation: how patches came to be checked, and those that were not.

use crate::ledger::ChosenBy;
use crate::{Error, Result};
use ndarray::Array2;

/// Patches with a color and without a ground check.
#[derive(Debug, Clone, PartialEq)]
pub struct Unchecked {
    /// Features as in the dataset, patches x features.
    pub features: Array2<f64>,
    /// Group of each patch: its number in the dataset, or a larger one for a group without checks.
    pub groups: Vec<usize>,
}

/// What is known of a survey beside the checked patches' colors; nothing by default.
#[derive(Debug, Clone, Copy, Default)]
pub struct Survey<'a> {
    /// Patches that nobody checked.
    pub unchecked: Option<&'a Unchecked>,
    /// Whether each checked patch is below the detection limit; empty for none.
    pub too_faint: &'a [bool],
    /// What decided that each checked patch was checked; empty where nothing tells.
    pub chosen_by: &'a [ChosenBy],
}

impl Survey<'_> {
    /// Whether a checked patch was found by the way, and not flagged or drawn from what was surveyed.
    pub(super) fn is_passing(&self, patch: usize) -> bool {
        self.chosen_by.get(patch) == Some(&ChosenBy::Passing)
    }

    /// Checked patches that come from among the glows of the survey, as the unchecked do.
    pub(super) fn beside(&self, patches: usize) -> Vec<usize> {
        let faint = |i: usize| self.too_faint.get(i).copied().unwrap_or(false);
        (0..patches)
            .filter(|&i| !self.is_passing(i) && !faint(i))
            .collect()
    }

    /// Fails where a list is neither empty nor of this many patches.
    pub(super) fn check(&self, patches: usize) -> Result<()> {
        let lists = [
            (self.too_faint.len(), "marks of faint patches"),
            (self.chosen_by.len(), "ways to choose a patch"),
        ];
        match lists.into_iter().find(|(n, _)| *n != 0 && *n != patches) {
            None => Ok(()),
            Some((found, what)) => Err(Error::input(format!(
                "found {found} {what}, expected {patches}"
            ))),
        }
    }
}
