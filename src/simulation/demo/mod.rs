//! The demo season: an invented survey of an invented place, made whole from a fixed seed.
//!
//! Nothing in it was measured and no such place, rig, target or team exists. Emission spectra are
//! sums of Gaussians; every site stains, wets and mixes them in its own way, so that a classifier
//! that is tested on the sites it was trained on looks better than it is. Some sites have lichen in
//! the color of bone, some bone is weathered and dim, and at two sites veins of calcite outshine
//! it, so that no plain brightness rule finds all bone.
//!
//! Out: [`files`], the season folder as paths and bytes, and [`write()`]. The same program gives the
//! same bytes.

mod glows;
mod ledger;
mod pictures;
mod rig;
mod sites;
mod strips;
mod surfaces;
mod targets;

use crate::Result;
use std::path::Path;

/// The seed of everything drawn.
const SEED: u64 = 2_031;

/// The files of the demo season: path from its folder with forward slashes, and content, sorted.
pub fn files() -> Result<Vec<(String, Vec<u8>)>> {
    let rig = rig::rig();
    let sites = sites::sites();
    let mut files = vec![
        file("season.toml", include_str!("text/season.toml")),
        file("README.md", include_str!("text/README.md")),
    ];
    files.extend(rig::files());
    files.extend(targets::files(&rig)?);
    files.extend(ledger::files(&rig, &sites));
    files.extend(strips::files(&rig)?);
    files.extend(glows::files(&sites));
    files.sort();
    Ok(files)
}

/// Writes the demo season into `folder`, each file whole; files there of other names stay.
pub fn write(folder: &Path) -> Result<()> {
    for (path, bytes) in files()? {
        crate::files::write_whole(&folder.join(path), &bytes)?;
    }
    Ok(())
}

fn file(path: &str, content: &str) -> (String, Vec<u8>) {
    (path.to_string(), content.as_bytes().to_vec())
}

/// A table as CSV from cells that need no quotes.
fn table(path: &str, header: &str, rows: impl IntoIterator<Item = String>) -> (String, Vec<u8>) {
    let mut text = format!("{header}\n");
    for row in rows {
        text.push_str(&row);
        text.push('\n');
    }
    (path.to_string(), text.into_bytes())
}
