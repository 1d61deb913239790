//! Files as every stage reads and writes them: tables, JSON documents, whole-file writes, hashes.
//!
//! In: paths and bytes. Out: [`Table`] with line numbers, [`Document`] with its provenance.

mod csv_text;
mod document;
mod table;

pub use csv_text::to_csv;
pub use document::{Document, MADE_BY, Provenance, read_json, to_json};
pub use table::{Row, Table};

use crate::{Error, Result};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Reads a whole file.
pub fn read(path: &Path) -> Result<Vec<u8>> {
    std::fs::read(path).map_err(|e| Error::io(path, e))
}

/// Writes a file whole or not at all: into a temporary file beside it, then renamed.
///
/// Makes the folders above it where they are missing.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<()> {
    write_with(path, |file| file.write_all(bytes))
}

/// As [`write_whole`], for content that is produced piece by piece.
pub fn write_with(
    path: &Path,
    produce: impl FnOnce(&mut std::io::BufWriter<std::fs::File>) -> std::io::Result<()>,
) -> Result<()> {
    let refused = |e| Error::io(path, e);
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(refused)?;
    }
    let temporary = temporary_beside(path);
    let outcome = std::fs::File::create(&temporary).and_then(|file| {
        let mut writer = std::io::BufWriter::with_capacity(1 << 18, file);
        produce(&mut writer)?;
        writer.flush()
    });
    match outcome.and_then(|()| std::fs::rename(&temporary, path)) {
        Ok(()) => Ok(()),
        Err(e) => {
            let _ = std::fs::remove_file(&temporary);
            Err(refused(e))
        }
    }
}

fn temporary_beside(path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}.part", std::process::id()));
    path.with_file_name(name)
}

/// The nearest of `known` to a misspelt `found`, where one is near enough to be meant.
///
/// ```
/// assert_eq!(boneglow::files::nearest_known("lable", ["label", "site"]), Some("label"));
/// assert_eq!(boneglow::files::nearest_known("zzz", ["label", "site"]), None);
/// ```
pub fn nearest_known<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|k| {
            (
                strsim::jaro_winkler(&found.to_lowercase(), &k.to_lowercase()),
                k,
            )
        })
        .filter(|(similarity, _)| *similarity > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, k)| k)
}
