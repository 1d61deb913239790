//! The ledger: all patches with their ground checks, the season's memory.
//!
//! In: tables of patches. Out: [`Ledger`], every patch read and checked, labelled or not.

mod oddities;
mod patch;

pub use oddities::{check_colors, oddities};
pub use patch::{ChosenBy, Patch, Selection};

use crate::files::{Row, Table, nearest_known};
use crate::season::Season;
use crate::signal::{BitDepth, PictureCache, Reading, Response, check_scale, read_reading};
use crate::{Error, Result};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::Path;

/// The patches of a season in the order of their files and lines.
#[derive(Debug, Clone)]
pub struct Ledger {
    /// All patches, those without a label among them.
    pub patches: Vec<Patch>,
    /// Patches of nights that the season leaves out; they are none of `patches`.
    pub left_out: usize,
    /// Plain sentences about what the tables leave open.
    pub warnings: Vec<String>,
}

impl Ledger {
    /// Reads the ledger files that the season names.
    ///
    /// A patch may wait without a label in one table and be checked in another (a walk that was
    /// planned from the ledger): the checked row counts. Of an audited patch the largest inclusion probability that any
    /// of its rows states counts: later audits of the same ground raise it.
    ///
    /// # Errors
    /// A missing column, a patch id that stands twice, a cell out of range, a picture that cannot
    /// be read, no label at all, a locked group or a night to be left out that does not exist.
    pub fn read(season: &Season, response: &Response) -> Result<Self> {
        let plan = &season.plan.ledger;
        let mut recordings = Recordings::new(season, response)?;
        let mut patches = Vec::new();
        let mut odd = Vec::new();
        for path in season.matching(&plan.files, "ledger.files")? {
            let table = Table::read(&path)?;
            odd.extend(misspelt_columns(&table));
            patches.extend(read_table(&table, &plan.group, &mut recordings)?);
        }
        let patches = without_waiting(patches)?;
        check_spelling(&patches)?;
        odd.extend(near_names(&patches, &|path| season.name_of(path)));
        let all = patches.len();
        let patches =
            without_nights(patches, &plan.leave_out_nights).map_err(|e| e.at(season.file()))?;
        odd.extend(warnings(&patches));
        let ledger = Ledger {
            warnings: odd,
            left_out: all - patches.len(),
            patches,
        };
        if ledger.checked().next().is_none() {
            return Err(Error::too_little("no patch of the ledger has a label")
                .at(season.file())
                .key("ledger.files")
                .remedy(
                    match ledger.warnings.iter().find(|w| w.contains("\"label\"")) {
                        Some(misspelt) => misspelt.clone(),
                        None => "walk to some of them and fill in the column \"label\"".to_string(),
                    },
                ));
        }
        ledger
            .check_locked(&plan.locked)
            .map_err(|e| e.at(season.file()))?;
        Ok(ledger)
    }

    /// The patches somebody went to see.
    pub fn checked(&self) -> impl Iterator<Item = &Patch> {
        self.patches.iter().filter(|p| p.label.is_some())
    }

    /// How many patches each label has, sorted by label.
    pub fn label_counts(&self) -> BTreeMap<&str, usize> {
        let mut counts = BTreeMap::new();
        for label in self.patches.iter().filter_map(|p| p.label.as_deref()) {
            *counts.entry(label).or_insert(0) += 1;
        }
        counts
    }

    /// The names of the groups, sorted.
    pub fn groups(&self) -> BTreeSet<&str> {
        self.patches.iter().map(|p| p.group.as_str()).collect()
    }

    fn check_locked(&self, locked: &[String]) -> Result<()> {
        let groups = self.groups();
        for group in locked {
            if !groups.contains(group.as_str()) {
                let remedy = match nearest_known(group, groups.iter().copied()) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!(
                        "the groups found are {}",
                        groups.iter().copied().collect::<Vec<_>>().join(", ")
                    ),
                };
                return Err(
                    Error::input(format!("there is no group \"{group}\" in the ledger"))
                        .key("ledger.locked")
                        .remedy(remedy),
                );
            }
        }
        Ok(())
    }
}

/// All patches but those of some nights.
fn without_nights(patches: Vec<Patch>, nights: &[String]) -> Result<Vec<Patch>> {
    let of = |night: &String| patches.iter().any(|p| p.night.as_ref() == Some(night));
    if let Some(unknown) = nights.iter().find(|night| !of(night)) {
        let known: BTreeSet<&str> = patches.iter().filter_map(|p| p.night.as_deref()).collect();
        return Err(Error::input(format!(
            "there is no patch of the night \"{unknown}\" in the ledger"
        ))
        .key("ledger.leave_out_nights")
        .remedy(format!(
            "the nights found are {}",
            known.into_iter().collect::<Vec<_>>().join(", ")
        )));
    }
    let kept = |patch: &Patch| !patch.night.as_ref().is_some_and(|n| nights.contains(n));
    Ok(patches.into_iter().filter(kept).collect())
}

/// Turns rows of tables into readings: the season's pictures and the rig's response.
pub struct Recordings<'a> {
    folder: &'a Path,
    response: &'a Response,
    depth: BitDepth,
    pictures: PictureCache,
}

impl<'a> Recordings<'a> {
    /// Of a season whose rig has this response.
    pub fn new(season: &'a Season, response: &'a Response) -> Result<Self> {
        let depth = BitDepth::new(season.plan.rig.bit_depth)?;
        Ok(Recordings {
            folder: season.folder(),
            response,
            depth,
            pictures: PictureCache::new(),
        })
    }

    /// The reading of a row.
    ///
    /// # Errors
    /// As [`read_reading`].
    pub fn reading(&mut self, row: &Row<'_>) -> Result<Reading> {
        read_reading(
            row,
            self.folder,
            self.response,
            self.depth,
            &mut self.pictures,
        )
    }
}

/// Reads the patches of one table, labels optional; `group` is the column of the groups.
pub fn read_table(
    table: &Table,
    group: &str,
    recordings: &mut Recordings<'_>,
) -> Result<Vec<Patch>> {
    table.require(&["patch_id", group])?;
    if table.is_empty() {
        return Err(Error::input("the table has no patch")
            .at(table.path())
            .remedy("add rows below the header or take the file out of the season"));
    }
    let patches: Vec<Patch> = table
        .rows()
        .map(|row| Patch::read(&row, group, recordings))
        .collect::<Result<_>>()?;
    check_scale(patches.iter().map(|p| &p.reading), recordings.depth)
        .map_err(|e| e.at(table.path()))?;
    Ok(patches)
}

/// Columns that a ledger may have and need not.
const OPTIONAL: [&str; 12] = [
    "label",
    "night",
    "selection",
    "inclusion_probability",
    "latitude",
    "longitude",
    "height_m",
    "exposure_s",
    "gain_db",
    "pixels",
    "strip",
    "image",
];

/// Columns that nobody reads and that look like one that is not there.
fn misspelt_columns(table: &Table) -> Vec<String> {
    let absent: Vec<&str> = OPTIONAL.into_iter().filter(|c| !table.has(c)).collect();
    let name = table.path().file_name().unwrap_or_default();
    table
        .header()
        .iter()
        .filter(|column| !OPTIONAL.contains(&column.as_str()))
        .filter_map(|column| {
            let near = nearest_known(column, absent.iter().copied())?;
            let close = strsim::jaro_winkler(&column.to_lowercase(), near) > 0.9;
            close.then(|| {
                format!(
                    "{} has a column \"{column}\", which is not read; is it \"{near}\"?",
                    name.to_string_lossy()
                )
            })
        })
        .collect()
}

/// Fails where a label or a group is spelt in two ways that differ in capitals or spaces only: it would
/// be two classes, or one site on both sides of a split.
fn check_spelling(patches: &[Patch]) -> Result<()> {
    let folded = |name: &str| {
        name.split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
            .to_lowercase()
    };
    let mut labels: HashMap<String, &Patch> = HashMap::new();
    let mut groups: HashMap<String, &Patch> = HashMap::new();
    for patch in patches {
        let label = patch.label.as_deref();
        let names = [
            (&mut labels, label, "label"),
            (&mut groups, Some(patch.group.as_str()), "group"),
        ];
        for (seen, name, what) in names {
            let Some(name) = name else { continue };
            let first = *seen.entry(folded(name)).or_insert(patch);
            let before = match what {
                "label" => first.label.as_deref().unwrap_or(""),
                _ => first.group.as_str(),
            };
            if before != name {
                return Err(Error::input(format!(
                    "found the {what} \"{name}\", and \"{before}\" in {}, line {}",
                    first.file.display(),
                    first.line
                ))
                .at(&patch.file)
                .line(patch.line)
                .remedy("spell it in one way everywhere"));
            }
        }
    }
    Ok(())
}

/// Warns of two groups or two labels whose names differ in one letter: one may be a slip of the other.
/// The rarer one is looked up where it stands; `name_of` names a file.
fn near_names(patches: &[Patch], name_of: &dyn Fn(&Path) -> String) -> Vec<String> {
    let mut groups: BTreeMap<&str, Vec<&Patch>> = BTreeMap::new();
    let mut labels: BTreeMap<&str, Vec<&Patch>> = BTreeMap::new();
    for patch in patches {
        groups.entry(&patch.group).or_default().push(patch);
        if let Some(label) = &patch.label {
            labels.entry(label).or_default().push(patch);
        }
    }
    let mut found = Vec::new();
    for (what, names) in [("groups", groups), ("labels", labels)] {
        let names: Vec<(&str, Vec<&Patch>)> = names.into_iter().collect();
        for (i, (name, of)) in names.iter().enumerate() {
            for (other, of_other) in &names[i + 1..] {
                if !is_near(name, other) {
                    continue;
                }
                let (rarer, rows) = match of_other.len() < of.len() {
                    true => (other, of_other),
                    false => (name, of),
                };
                found.push(format!(
                    "The {what} \"{name}\" and \"{other}\" differ in one letter: if they are one, a misspelt name parts what \
                     belongs together. \"{rarer}\" stands in {}.",
                    whereabouts(rows, name_of)
                ));
            }
        }
    }
    found
}

/// File and line of the first few rows, and how many more there are.
fn whereabouts(rows: &[&Patch], name_of: &dyn Fn(&Path) -> String) -> String {
    const TOLD: usize = 3;
    let told = rows.iter().take(TOLD);
    let told: Vec<String> = told
        .map(|p| format!("{}, line {}", name_of(&p.file), p.line))
        .collect();
    match rows.len().saturating_sub(TOLD) {
        0 => told.join("; "),
        more => format!("{} and {more} rows more", told.join("; ")),
    }
}

/// Whether two names differ by one letter, and not on purpose as "Site 1" and "Site 2" or "Ridge A" and
/// "Ridge B" do.
fn is_near(name: &str, other: &str) -> bool {
    let words = |name: &str| -> (String, usize) {
        let first = name.split_whitespace().next().unwrap_or_default();
        let last = name.split_whitespace().last().unwrap_or_default();
        (first.to_string(), last.chars().count())
    };
    let ((first, last), (other_first, other_last)) = (words(name), words(other));
    let numbered = [name, other]
        .iter()
        .any(|name| name.chars().any(|c| c.is_ascii_digit()));
    let lettered = first == other_first && last == 1 && other_last == 1;
    name.chars().count() >= 4
        && !numbered
        && !lettered
        && strsim::damerau_levenshtein(name, other) == 1
}

/// Joins a patch that waits without a label in one table with its ground check in another; the id may
/// not stand twice otherwise.
fn without_waiting(patches: Vec<Patch>) -> Result<Vec<Patch>> {
    let mut kept: HashMap<String, usize> = HashMap::new();
    let mut superseded = vec![false; patches.len()];
    let mut largest: HashMap<&str, f64> = HashMap::new();
    for (i, patch) in patches.iter().enumerate() {
        if let Some(p) = patch.inclusion_probability {
            let largest = largest.entry(&patch.id).or_insert(p);
            *largest = largest.max(p);
        }
        let Some(&before) = kept.get(&patch.id) else {
            kept.insert(patch.id.clone(), i);
            continue;
        };
        let first = &patches[before];
        let waits = first.label.is_none() || patch.label.is_none();
        if first.file == patch.file || !waits {
            return Err(Error::input(format!(
                "the patch id \"{}\" already stands in {}, line {}",
                patch.id,
                first.file.display(),
                first.line
            ))
            .at(&patch.file)
            .line(patch.line)
            .column("patch_id")
            .remedy("give each patch an id of its own"));
        }
        if first.label.is_none() {
            superseded[before] = true;
            kept.insert(patch.id.clone(), i);
        } else {
            superseded[i] = true;
        }
    }
    let of_all_rows: Vec<Option<f64>> = patches
        .iter()
        .map(|patch| match patch.selection {
            Some(Selection::Audit) => largest.get(patch.id.as_str()).copied(),
            _ => patch.inclusion_probability,
        })
        .collect();
    Ok(patches
        .into_iter()
        .zip(of_all_rows)
        .zip(superseded)
        .filter(|(_, superseded)| !superseded)
        .map(|((patch, inclusion_probability), _)| Patch {
            inclusion_probability,
            ..patch
        })
        .collect())
}

fn warnings(patches: &[Patch]) -> Vec<String> {
    let checked = || patches.iter().filter(|p| p.label.is_some());
    let known = checked()
        .filter(|p| p.inclusion_probability.is_some())
        .count();
    let all = checked().count();
    let mut warnings = Vec::new();
    if known > 0 && known < all {
        warnings.push(format!(
            "{} of {all} checked patches have no inclusion_probability; each of them counts as \
             one patch, as if it had been chosen for certain.",
            all - known
        ));
    }
    warnings
}
