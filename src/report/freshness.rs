//! Whether a result was made from what the season holds now.

use crate::Result;
use crate::files::{self, Document, Provenance};
use crate::season::Season;
use serde::Serialize;
use std::collections::BTreeMap;

/// A result that was made from other inputs than the present ones, or edited since it was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Older {
    /// The file, such as `results/comparison.json`.
    pub result: String,
    /// Whether it was edited by hand since it was written.
    pub edited: bool,
    /// What is otherwise now: files, sections of the season file, the program.
    pub changed: Vec<String>,
    /// What makes it anew.
    pub command: String,
}

impl Older {
    /// The same in few words, with their stop.
    pub fn title(&self) -> &'static str {
        match self.edited {
            true => "Edited by hand.",
            false => "Older than its inputs.",
        }
    }

    /// What to know of it, a sentence.
    pub fn sentence(&self) -> String {
        if self.edited {
            return format!(
                "The file {} was edited by hand since boneglow wrote it: call `boneglow {}` again",
                self.result, self.command
            );
        }
        let changed = match &self.changed[..] {
            [first, second, third, rest @ ..] if !rest.is_empty() => {
                format!("{first}, {second}, {third} and {} more", rest.len())
            }
            few => few.join(", "),
        };
        format!(
            "The file {} was made from other inputs than the present ones (changed since: {changed}): call `boneglow {}` again",
            self.result, self.command
        )
    }
}

/// Compares what results were made from with what is there now.
pub(super) struct Freshness<'a> {
    season: &'a Season,
    ledger: Vec<String>,
    /// Inputs as they are now, by name; each is read once.
    present: BTreeMap<String, Option<Provenance>>,
    /// Results found to be older, by name.
    older: Vec<Older>,
}

impl<'a> Freshness<'a> {
    pub fn of(season: &'a Season) -> Self {
        let tables = season.matching(&season.plan.ledger.files, "ledger.files");
        let names = tables.unwrap_or_default();
        Freshness {
            season,
            ledger: names.iter().map(|path| season.name_of(path)).collect(),
            present: BTreeMap::new(),
            older: Vec::new(),
        }
    }

    /// Notes a result; whether it is of the present inputs.
    pub fn check<T>(&mut self, result: &str, document: &Document<T>, command: &str) -> bool {
        let mut changed = self.changed(&document.made_from);
        if document.made_by != files::MADE_BY {
            changed.push("the program".to_string());
        }
        let edited = files::is_edited(&self.season.result(result));
        if changed.is_empty() && !edited {
            return true;
        }
        self.older.push(Older {
            result: format!("results/{result}"),
            edited,
            changed,
            command: command.to_string(),
        });
        false
    }

    /// What is otherwise now than it was, by name.
    pub fn changed(&mut self, made_from: &Provenance) -> Vec<String> {
        let learnt = made_from.entries().any(|(name, _)| {
            name == "season.toml [ledger]" || self.ledger.iter().any(|table| table == name)
        });
        let mut changed = Vec::new();
        for (name, digest) in made_from.entries() {
            if name.starts_with("old ") {
                continue;
            }
            let is_older = self.older.iter().any(|older| older.result == name);
            let differs = match self.digest(name) {
                Some(now) => now != digest,
                // A table that was learnt from and is gone is a change; a picture or a table that was
                // named on a command line cannot be found again from its name alone.
                None => learnt && !name.starts_with("results/"),
            };
            if is_older || differs {
                changed.push(name.to_string());
            }
        }
        if learnt {
            let new = self.ledger.iter().filter(|table| {
                let mut known = made_from.entries();
                known.all(|(name, _)| name != table.as_str())
            });
            changed.extend(new.cloned());
        }
        changed
    }

    fn digest(&mut self, name: &str) -> Option<&str> {
        let season = self.season;
        let now = self
            .present
            .entry(name.to_string())
            .or_insert_with(|| present(season, name).ok().flatten());
        now.as_ref()?.entries().next().map(|(_, digest)| digest)
    }

    /// All that was found to be older.
    pub fn older(self) -> Vec<Older> {
        self.older
    }
}

/// An input as it is now; absent where it is not there.
fn present(season: &Season, name: &str) -> Result<Option<Provenance>> {
    let bytes = match name.strip_prefix("season.toml ") {
        Some(section) => season.plan.section(section).map(String::into_bytes),
        None => Some(files::read(&season.resolve(name))?),
    };
    Ok(bytes.map(|bytes| {
        let mut now = Provenance::default();
        now.add(name, &bytes);
        now
    }))
}
