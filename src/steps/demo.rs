//! The invented demo season, embedded in the program.

use super::Outcome;
use crate::simulation::demo;
use crate::{Error, Result, files};
use include_dir::{Dir, include_dir};
use std::path::Path;

static SEASON: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/reference-spectra-demo");

/// Writes the demo season into a folder. Files that are there and differ are an error.
pub fn lay_out_demo(folder: &Path) -> Result<Outcome> {
    let mut files = Vec::new();
    collect(&SEASON, &mut files);
    for (name, bytes) in &files {
        let path = folder.join(name);
        if path.is_file() && files::read(&path)? != *bytes {
            return Err(Error::input("this file differs from the demo season's")
                .at(path)
                .remedy(
                    "name another folder, or remove this one, to start from the demo as it is",
                ));
        }
    }
    for (name, bytes) in &files {
        let path = folder.join(name);
        if !path.is_file() {
            files::write_whole(&path, bytes)?;
        }
    }
    Ok(Outcome::new("demo").say(format!(
        "Laid out the demo season in {}. Its place, people, rig, spectra and finds are invented.",
        folder.display()
    )))
}

fn collect(folder: &Dir<'static>, found: &mut Vec<(String, &'static [u8])>) {
    for file in folder.files() {
        found.push((
            file.path().to_string_lossy().replace('\\', "/"),
            file.contents(),
        ));
    }
    for inner in folder.dirs() {
        collect(inner, found);
    }
}

/// Writes the demo season anew from the simulation that made it.
pub fn regenerate_demo(folder: &Path) -> Result<Outcome> {
    demo::write(folder)?;
    Ok(Outcome::new("demo").say(format!("Wrote the demo season to {}.", folder.display())))
}
