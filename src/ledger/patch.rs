//! One patch of the ledger.

use crate::Result;
use crate::files::{Row, nearest_known};
use crate::signal::Reading;

use super::Recordings;
use std::path::PathBuf;

/// How a patch came to be checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Selection {
    /// A cut or a score pointed there.
    Flagged,
    /// Drawn at random among what was not flagged.
    Audit,
    /// Somebody passed by.
    Opportunistic,
}

impl Selection {
    const NAMES: [(&'static str, Selection); 3] = [
        ("flagged", Selection::Flagged),
        ("audit", Selection::Audit),
        ("opportunistic", Selection::Opportunistic),
    ];

    /// The word in the table.
    pub fn name(self) -> &'static str {
        match self {
            Selection::Flagged => "flagged",
            Selection::Audit => "audit",
            Selection::Opportunistic => "opportunistic",
        }
    }
}

/// What decided that a patch was checked, as far as the ledger tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChosenBy {
    /// A cut or a score: it was certain to be checked, and what is unlike it was not.
    Rule,
    /// A draw.
    Chance,
    /// Somebody passed by; it may be none of what the survey saw.
    Passing,
    /// Nothing tells.
    Unknown,
}

impl ChosenBy {
    fn of(selection: Option<Selection>, inclusion_probability: Option<f64>) -> Self {
        match (selection, inclusion_probability) {
            (Some(Selection::Opportunistic), _) => ChosenBy::Passing,
            (Some(Selection::Audit), _) => ChosenBy::Chance,
            (_, Some(p)) if p < 1.0 => ChosenBy::Chance,
            (None, None) => ChosenBy::Unknown,
            (Some(Selection::Flagged), _) | (None, Some(_)) => ChosenBy::Rule,
        }
    }
}

/// A small area of one material in one picture, the unit that is labelled.
#[derive(Debug, Clone)]
pub struct Patch {
    /// Its id, one of its own in the ledger.
    pub id: String,
    /// The group that is never split between training and testing.
    pub group: String,
    /// The site where it was recorded, where that was written down.
    pub site: Option<String>,
    /// The night on which it was recorded, where that was written down.
    pub night: Option<String>,
    /// What it is, where somebody went to see.
    pub label: Option<String>,
    /// What the camera recorded.
    pub reading: Reading,
    /// How it came to be checked.
    pub selection: Option<Selection>,
    /// The probability with which it was chosen to be checked, above 0 and at most 1.
    pub inclusion_probability: Option<f64>,
    /// Latitude and longitude in degrees.
    pub place: Option<(f64, f64)>,
    /// The table it stands in.
    pub file: PathBuf,
    /// Its line there.
    pub line: u64,
}

impl Patch {
    pub(super) fn read(
        row: &Row<'_>,
        group: &str,
        recordings: &mut Recordings<'_>,
    ) -> Result<Self> {
        let latitude = row.optional_number_in("latitude", -90.0..=90.0, "degrees")?;
        let longitude = row.optional_number_in("longitude", -180.0..=180.0, "degrees")?;
        Ok(Patch {
            id: row.text("patch_id")?.to_string(),
            group: row.text(group)?.to_string(),
            site: row.get("site").map(str::to_string),
            night: row.get("night").map(str::to_string),
            label: row.get("label").map(str::to_string),
            reading: recordings.reading(row)?,
            selection: selection(row)?,
            inclusion_probability: inclusion_probability(row)?,
            place: latitude.zip(longitude),
            file: row.path().to_path_buf(),
            line: row.line(),
        })
    }

    /// The weight of a checked patch: 1 / inclusion probability.
    pub fn weight(&self) -> f64 {
        1.0 / self.inclusion_probability.unwrap_or(1.0)
    }

    /// What decided that it was checked.
    pub fn chosen_by(&self) -> ChosenBy {
        ChosenBy::of(self.selection, self.inclusion_probability)
    }
}

fn selection(row: &Row<'_>) -> Result<Option<Selection>> {
    let Some(cell) = row.get("selection") else {
        return Ok(None);
    };
    let known = Selection::NAMES.iter().find(|(name, _)| *name == cell);
    match known {
        Some((_, selection)) => Ok(Some(*selection)),
        None => {
            let names = Selection::NAMES.map(|(name, _)| name);
            let error = row.error(
                "selection",
                format!("found \"{cell}\", expected one of {}", names.join(", ")),
            );
            Err(match nearest_known(cell, names) {
                Some(near) => error.remedy(format!("did you mean \"{near}\"?")),
                None => error.remedy("correct the cell or leave it empty"),
            })
        }
    }
}

/// Below it a patch would stand for more than a million: a slip, or a draw that tells nothing.
const LEAST_INCLUSION: f64 = 1e-6;

fn inclusion_probability(row: &Row<'_>) -> Result<Option<f64>> {
    let found = row.optional_number("inclusion_probability")?;
    match found {
        Some(p) if p <= 0.0 || p > 1.0 => Err(row
            .error(
                "inclusion_probability",
                format!("found {p}, expected above 0 and at most 1"),
            )
            .remedy(
                "give the probability with which the patch was chosen to be checked; a patch that \
                 could not be chosen does not belong in the ledger",
            )),
        Some(p) if p < LEAST_INCLUSION => Err(row
            .error(
                "inclusion_probability",
                format!("found {p:e}, expected at least {LEAST_INCLUSION:e}"),
            )
            .remedy(
                "give the probability with which the patch was chosen to be checked, as a share and not in another unit",
            )),
        other => Ok(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_decided_on_a_check_is_told_by_its_selection_or_its_chance() {
        use Selection::{Audit, Flagged, Opportunistic};
        let cases = [
            (Some(Flagged), Some(1.0), ChosenBy::Rule),
            (Some(Flagged), None, ChosenBy::Rule),
            (None, Some(1.0), ChosenBy::Rule),
            (Some(Flagged), Some(0.5), ChosenBy::Chance),
            (Some(Audit), None, ChosenBy::Chance),
            (None, Some(0.05), ChosenBy::Chance),
            (Some(Opportunistic), Some(1.0), ChosenBy::Passing),
            (None, None, ChosenBy::Unknown),
        ];
        for (selection, chance, expected) in cases {
            assert_eq!(
                ChosenBy::of(selection, chance),
                expected,
                "{selection:?} {chance:?}"
            );
        }
    }
}
