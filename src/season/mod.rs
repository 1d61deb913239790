//! The season file `season.toml`: rig, targets, ledger, classifiers, threshold policy, strips.
//!
//! In: the text of the file. Out: a [`Season`], every value checked; an unknown key is an error
//! that names the nearest known one.

mod plan;

pub use plan::*;

use crate::files;
use crate::{Error, Result};
use std::path::{Path, PathBuf};

/// A season: its plan and the folder that its paths start from.
#[derive(Debug, Clone, PartialEq)]
pub struct Season {
    folder: PathBuf,
    path: PathBuf,
    /// What `season.toml` says.
    pub plan: Plan,
}

impl Season {
    /// Reads a season file; `path` may also be the folder that holds `season.toml`.
    pub fn read(path: &Path) -> Result<Self> {
        let path = if path.is_dir() {
            path.join("season.toml")
        } else {
            path.to_path_buf()
        };
        let bytes = files::read(&path).map_err(|e| {
            e.remedy("make one with `boneglow init`, or name yours with --season PATH")
        })?;
        let text = String::from_utf8(bytes)
            .map_err(|_| Error::input("the text is not UTF-8").at(&path))?;
        let plan = Plan::parse(&text).map_err(|e| e.at(&path))?;
        let folder = match path.parent() {
            Some(p) if !p.as_os_str().is_empty() => p.to_path_buf(),
            _ => PathBuf::from("."),
        };
        Ok(Season { folder, path, plan })
    }

    /// The season folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The season file itself.
    pub fn file(&self) -> &Path {
        &self.path
    }

    /// A path of the season file or of one of its tables, from the season folder.
    pub fn resolve(&self, relative: impl AsRef<Path>) -> PathBuf {
        self.folder.join(relative)
    }

    /// A file in `results/`.
    pub fn result(&self, name: impl AsRef<Path>) -> PathBuf {
        self.folder.join("results").join(name)
    }

    /// How errors, hashes and tables name a file: from the season folder, with forward slashes.
    pub fn name_of(&self, path: &Path) -> String {
        let inside = path.strip_prefix(&self.folder).unwrap_or(path);
        inside
            .components()
            .map(|c| c.as_os_str().to_string_lossy())
            .collect::<Vec<_>>()
            .join("/")
    }

    /// The files that patterns such as `ledger/*.csv` name, sorted; `key` is named in errors.
    ///
    /// `*` stands for any characters of the last part of the path. A pattern that matches nothing
    /// is an error.
    pub fn matching(&self, patterns: &[String], key: &str) -> Result<Vec<PathBuf>> {
        let mut found = Vec::new();
        for pattern in patterns {
            let whole = self.resolve(pattern);
            if !pattern.contains('*') {
                if !whole.is_file() {
                    return Err(Error::input(format!("there is no file \"{pattern}\""))
                        .at(&self.path)
                        .key(key)
                        .remedy("correct the path; paths start from the season folder"));
                }
                found.push(whole);
                continue;
            }
            let last = whole.file_name().map(|n| n.to_string_lossy().to_string());
            let (Some(folder), Some(last)) = (whole.parent(), last) else {
                continue;
            };
            let entries =
                std::fs::read_dir(folder).map_err(|e| Error::io(folder, e).named_by(key))?;
            let mut matches: Vec<PathBuf> = entries
                .filter_map(|entry| entry.ok().map(|e| e.path()))
                .filter(|p| p.is_file())
                .filter(|p| {
                    p.file_name()
                        .is_some_and(|n| matches_pattern(&last, &n.to_string_lossy()))
                })
                .collect();
            if matches.is_empty() {
                return Err(Error::input(format!("no file matches \"{pattern}\""))
                    .at(&self.path)
                    .key(key)
                    .remedy("correct the pattern; paths start from the season folder"));
            }
            matches.sort();
            found.extend(matches);
        }
        found.dedup();
        Ok(found)
    }
}

fn matches_pattern(pattern: &str, name: &str) -> bool {
    let mut parts = pattern.split('*');
    let first = parts.next().unwrap_or("");
    let Some(mut rest) = name.strip_prefix(first) else {
        return false;
    };
    let parts: Vec<&str> = parts.collect();
    let Some((last, middle)) = parts.split_last() else {
        return rest.is_empty();
    };
    for part in middle {
        match rest.find(part) {
            Some(at) => rest = &rest[at + part.len()..],
            None => return false,
        }
    }
    rest.ends_with(last)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_stands_for_any_characters() {
        assert!(matches_pattern("*.csv", "spring.csv"));
        assert!(matches_pattern("night-*.csv", "night-03.csv"));
        assert!(!matches_pattern("*.csv", "spring.csv.bak"));
        assert!(!matches_pattern("a*a", "a"));
    }
}
