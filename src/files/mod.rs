//! Files as every stage reads and writes them: tables, JSON documents, whole-file writes, hashes.
//!
//! In: paths and bytes. Out: [`Table`] with line numbers, [`Document`] with its provenance.

mod csv_text;
mod document;
mod table;

pub use csv_text::to_csv;
pub use document::{Document, MADE_BY, Provenance, is_edited, read_json, to_json};
pub use table::{Row, Table};

use crate::{Error, Result};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Reads a whole file.
pub fn read(path: &Path) -> Result<Vec<u8>> {
    std::fs::read(path).map_err(|e| Error::io(path, e))
}

/// Writes a file whole or not at all: into a temporary file beside it, then renamed.
///
/// Makes the folders above it where they are missing. A link stays, and what it points to is
/// written; a device or a pipe is written as it is.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<()> {
    write_with(path, |file| file.write_all(bytes))
}

/// As [`write_whole`], for content that is produced piece by piece.
pub fn write_with(
    path: &Path,
    produce: impl FnOnce(&mut BufWriter<File>) -> std::io::Result<()>,
) -> Result<()> {
    let written = if is_a_device_or_pipe(path) {
        File::options()
            .write(true)
            .open(path)
            .and_then(|file| write_to(file, produce))
    } else {
        replace(path, produce)
    };
    written.map_err(|e| Error::io(path, e))
}

fn is_a_device_or_pipe(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|found| !found.is_file() && !found.is_dir())
}

fn replace(
    path: &Path,
    produce: impl FnOnce(&mut BufWriter<File>) -> std::io::Result<()>,
) -> std::io::Result<()> {
    let path = path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    let temporary = temporary_beside(&path);
    let outcome = File::create(&temporary)
        .and_then(|file| write_to(file, produce))
        .and_then(|()| std::fs::rename(&temporary, &path));
    if outcome.is_err() {
        let _ = std::fs::remove_file(&temporary);
    }
    outcome
}

fn write_to(
    file: File,
    produce: impl FnOnce(&mut BufWriter<File>) -> std::io::Result<()>,
) -> std::io::Result<()> {
    let mut writer = BufWriter::with_capacity(1 << 18, file);
    produce(&mut writer)?;
    writer.flush()
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

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::write_whole;
    use std::io::Read;
    use std::os::fd::AsRawFd;

    #[test]
    fn a_link_stays_and_what_it_points_to_is_written() {
        let folder = tempfile::tempdir().unwrap();
        let (file, link) = (folder.path().join("file"), folder.path().join("link"));
        std::fs::write(&file, "old").unwrap();
        std::os::unix::fs::symlink(&file, &link).unwrap();
        write_whole(&link, b"new").unwrap();
        assert!(link.is_symlink());
        assert_eq!(std::fs::read(&file).unwrap(), b"new");
    }

    #[test]
    fn a_pipe_is_written_as_it_is() {
        let (mut reader, writer) = std::io::pipe().unwrap();
        let path = format!("/proc/self/fd/{}", writer.as_raw_fd());
        write_whole(path.as_ref(), b"through").unwrap();
        drop(writer);
        let mut came = String::new();
        reader.read_to_string(&mut came).unwrap();
        assert_eq!(came, "through");
    }
}
