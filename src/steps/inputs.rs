//! What each step is made from, and whether its result still is.

use crate::files::{self, Document, Provenance, Table};
use crate::season::Season;
use crate::{Error, Result};
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Collects the inputs of a step: files by name, sections of the season file by value.
pub struct Inputs<'a> {
    season: &'a Season,
    provenance: Provenance,
}

impl<'a> Inputs<'a> {
    /// Nothing yet.
    pub fn of(season: &'a Season) -> Self {
        Inputs {
            season,
            provenance: Provenance::default(),
        }
    }

    /// A section of the season file, such as `[rig]`, by its values and not by its comments.
    pub fn section(mut self, name: &str) -> Self {
        if let Some(values) = self.season.plan.section(name) {
            self.provenance
                .add(format!("season.toml {name}"), values.as_bytes());
        }
        self
    }

    /// A file.
    pub fn file(mut self, path: &Path) -> Result<Self> {
        self.provenance
            .add(self.season.name_of(path), &files::read(path)?);
        Ok(self)
    }

    /// A file that need not be there.
    pub fn optional_file(self, path: &Path) -> Result<Self> {
        if path.is_file() {
            self.file(path)
        } else {
            Ok(self)
        }
    }

    /// A table and the pictures that its column `image` names.
    pub fn table(mut self, path: &Path) -> Result<Self> {
        let bytes = files::read(path)?;
        let table = Table::from_bytes(path, &bytes)?;
        self.provenance.add(self.season.name_of(path), &bytes);
        let pictures: BTreeSet<PathBuf> = table
            .rows()
            .filter_map(|row| row.get("image"))
            .map(|image| self.season.resolve(image))
            .collect();
        for picture in pictures {
            // A picture that is not there is the reading stage's error, with its line.
            self = self.optional_file(&picture)?;
        }
        Ok(self)
    }

    /// What was collected.
    pub fn done(self) -> Provenance {
        self.provenance
    }
}

/// Whether the document at `path` was made by this version from exactly these inputs, and not edited since.
pub fn is_up_to_date(path: &Path, inputs: &Provenance) -> bool {
    if files::is_edited(path) {
        return false;
    }
    let Ok(found) = files::read_json::<Document<Value>>(path) else {
        return false;
    };
    let made_now = Document::new(&found.format, inputs.clone(), Value::Null);
    found.made_by == made_now.made_by && found.made_from == made_now.made_from
}

/// Whether a result of learning was made from `learnt_from`, and from the result before it; absent where
/// that one is missing.
pub fn is_current(season: &Season, learnt_from: &Provenance, result: &str) -> Result<Option<bool>> {
    let wanted = match result {
        "model.json" => Some("evaluation.json"),
        "thresholds.json" => Some("model.json"),
        _ => None,
    };
    let wanted = match wanted {
        Some(before) if !season.result(before).is_file() => return Ok(None),
        Some(before) => with_result(season, learnt_from.clone(), before)?,
        None => learnt_from.clone(),
    };
    Ok(Some(is_up_to_date(&season.result(result), &wanted)))
}

/// What to say of results that were made from other inputs than the present ones; of `evaluation.json`,
/// `model.json` and `thresholds.json`.
pub fn out_of_date(season: &Season, results: &[&str]) -> Result<Vec<String>> {
    let learnt_from = of_learning(season)?;
    let mut notes = Vec::new();
    for result in results {
        if files::is_edited(&season.result(result)) {
            continue;
        }
        if is_current(season, &learnt_from, result)? == Some(false) {
            notes.push(format!(
                "results/{result} was made from other inputs than the present ones: `boneglow run` makes anew all that is out of date."
            ));
        }
    }
    Ok(notes)
}

/// What to say of results that are no longer what a step wrote.
pub fn edited(season: &Season, results: &[&str]) -> Vec<String> {
    let edited = results
        .iter()
        .filter(|result| files::is_edited(&season.result(result)));
    edited
        .map(|result| {
            format!(
                "results/{result} was edited by hand since boneglow wrote it: what rests on it is of the edited figures. `boneglow \
                 run` makes it anew."
            )
        })
        .collect()
}

/// [`out_of_date`] of what judges glows. It may do so without the ledger that it was learnt from, and
/// nothing is said then.
pub fn judging_out_of_date(season: &Season) -> Vec<String> {
    let mut notes = edited(season, &["rig.json", "model.json", "thresholds.json"]);
    notes.extend(out_of_date(season, &["model.json", "thresholds.json"]).unwrap_or_default());
    notes
}

/// The document that an earlier step leaves, with the remedy if it is not there.
pub fn earlier<T: Serialize + serde::de::DeserializeOwned>(
    season: &Season,
    name: &str,
    format: &str,
    command: &str,
) -> Result<T> {
    let path = season.result(name);
    if !path.is_file() {
        return Err(Error::input("this result is not there yet")
            .at(&path)
            .remedy(format!(
                "call `boneglow {command}` first, or `boneglow run` for all steps"
            )));
    }
    Ok(Document::read(&path, format)?.content)
}

/// What the calibration is made from.
pub fn of_calibration(season: &Season) -> Result<Provenance> {
    let plan = &season.plan;
    let mut inputs = Inputs::of(season).section("[rig]").section("[calibration]");
    for (key, table) in [
        ("calibration.reference", &plan.calibration.reference),
        ("calibration.captures", &plan.calibration.captures),
    ] {
        if let Some(table) = table {
            let found = inputs.table(&season.resolve(table));
            inputs = found.map_err(|e| e.named_by(key))?;
        }
    }
    for (key, curve) in curves(season) {
        let found = inputs.file(&season.resolve(curve));
        inputs = found.map_err(|e| e.named_by(key))?;
    }
    Ok(inputs
        .optional_file(&season.resolve(&plan.rig.response))?
        .done())
}

/// The rig's curves that the season names, each with its key.
pub fn curves(season: &Season) -> impl Iterator<Item = (&'static str, &PathBuf)> {
    let rig = &season.plan.rig;
    let named = [
        ("rig.sensitivities", &rig.sensitivities),
        ("rig.filter", &rig.filter),
    ];
    named
        .into_iter()
        .filter_map(|(key, path)| Some((key, path.as_ref()?)))
}

/// What everything that learns from the ledger is made from.
pub fn of_learning(season: &Season) -> Result<Provenance> {
    let plan = &season.plan;
    let mut inputs = Inputs::of(season)
        .section("[ledger]")
        .section("[classify]")
        .section("[threshold]")
        .file(&season.result("rig.json"))?;
    for table in season.matching(&plan.ledger.files, "ledger.files")? {
        inputs = inputs.table(&table)?;
    }
    Ok(inputs.done())
}

/// Adds a result that the step was made from.
pub fn with_result(season: &Season, mut inputs: Provenance, name: &str) -> Result<Provenance> {
    let path = season.result(name);
    inputs.add(season.name_of(&path), &files::read(&path)?);
    Ok(inputs)
}
