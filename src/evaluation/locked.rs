//! Groups kept for one final test (`locked.json`).

use super::ClusterBootstrap;
use super::evaluation::Merit;
use super::proportion::heaviest;
use super::too_few::too_few;
use crate::features::Dataset;
use crate::files::{Provenance, nearest_known};
use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Name and version of the format of `locked.json`.
pub const LOCKED_FORMAT: &str = "boneglow-locked/1";

/// Every opening of the locked groups, the first one first.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Openings {
    /// The openings.
    pub openings: Vec<Opening>,
}

/// One opening of the locked groups.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Opening {
    /// SHA-256 of every input it was made on.
    pub inputs: Provenance,
    /// The locked groups.
    pub groups: Vec<String>,
    /// Checked patches in them.
    pub patches: usize,
    /// ... of positive classes.
    pub positives: usize,
    /// Share of positives that are walked to.
    pub recall: Option<Merit>,
    /// Share of the others that are walked to.
    pub false_alarm_rate: Option<Merit>,
    /// Share of walks that end at a positive, at the locked groups' own share of positives.
    pub precision: Option<Merit>,
    /// What this opening is worth, a sentence.
    pub sentence: String,
}

impl Opening {
    /// What so few groups or positives cannot tell, sentences.
    pub fn warnings(&self) -> Vec<String> {
        too_few(self.groups.len(), self.positives)
    }
}

/// Splits a dataset into what may be used (first) and the locked groups (second).
///
/// # Errors
/// A locked group that does not exist, nothing left outside.
pub fn split_locked(data: &Dataset, locked: &[String]) -> Result<(Dataset, Dataset)> {
    for name in locked {
        if !data.group_names.contains(name) {
            let remedy = match nearest_known(name, data.group_names.iter().map(String::as_str)) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("the groups are {}", data.group_names.join(", ")),
            };
            return Err(Error::input(format!("there is no group \"{name}\""))
                .key("ledger.locked")
                .remedy(remedy));
        }
    }
    let (inside, outside): (Vec<usize>, Vec<usize>) =
        (0..data.len()).partition(|&i| locked.contains(&data.group_names[data.groups[i]]));
    if outside.is_empty() {
        return Err(
            Error::too_little("every checked patch is in a locked group")
                .key("ledger.locked")
                .remedy("leave some groups to learn from"),
        );
    }
    Ok((data.select(&outside), data.select(&inside)))
}

/// Records what the decisions on locked groups came to; `walks` says of each patch of `locked` whether
/// the saved model and thresholds would walk there.
///
/// The same inputs again change nothing; other inputs are added and marked as a later opening, whose figures
/// are no longer those of unseen groups.
///
/// # Errors
/// No locked patch, decisions on other patches.
pub fn open_locked(
    earlier: Openings,
    walks: &[bool],
    locked: &Dataset,
    inputs: Provenance,
    bootstrap: &ClusterBootstrap,
) -> Result<Openings> {
    if locked.is_empty() {
        return Err(
            Error::too_little("there is no checked patch in a locked group")
                .key("ledger.locked")
                .remedy("name the groups to be kept for the final test"),
        );
    }
    if walks.len() != locked.len() {
        return Err(Error::input(format!(
            "found {} decisions, expected one for each of {} locked patches",
            walks.len(),
            locked.len()
        )));
    }
    if earlier.openings.iter().any(|o| o.inputs == inputs) {
        return Ok(earlier);
    }
    // A share over the patches that count, of those that are hits.
    let share = |counts: &dyn Fn(usize) -> bool, hit: &dyn Fn(usize) -> bool| {
        let weight = |i: usize| if counts(i) { locked.weights[i] } else { 0.0 };
        let units = bootstrap.units(&locked.groups, locked.group_names.len());
        Merit::of_share(bootstrap, &units, weight, hit, heaviest(&locked.weights))
    };
    let mut present = locked.groups.clone();
    present.sort_unstable();
    present.dedup();
    let sentence = match earlier.openings.len() {
        0 => "The locked groups were opened for the first time on record: the present model was neither learnt from them nor chosen \
              on them. That they were locked before any earlier model saw them, only the survey can say."
            .to_string(),
        n => format!(
            "The locked groups had been opened {n} time{} before, on other inputs: these figures are no longer those of unseen groups.",
            if n == 1 { "" } else { "s" }
        ),
    };
    let positive = |i: usize| locked.is_positive(i);
    let opening = Opening {
        inputs,
        groups: present
            .iter()
            .map(|&g| locked.group_names[g].clone())
            .collect(),
        patches: locked.len(),
        positives: (0..locked.len()).filter(|&i| positive(i)).count(),
        recall: share(&|i| positive(i), &|i| walks[i]),
        false_alarm_rate: share(&|i| !positive(i), &|i| walks[i]),
        precision: share(&|i| walks[i], &positive),
        sentence,
    };
    let mut all = earlier;
    all.openings.push(opening);
    Ok(all)
}
