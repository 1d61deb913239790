//! Figures, the methods text and the one-page report.
//!
//! In: the results of the other stages, as far as they are there. Out: `figures/*.svg`,
//! `methods.md` and `report.html`, one file that needs no network.

mod drawing;
mod drift_words;
pub mod figures;
mod freshness;
mod markdown;
mod numbers;
mod page;
mod plates;
mod references;
mod sources;
mod strip_plate;
mod strip_words;
#[cfg(test)]
mod tests;
mod text;

pub use drift_words::{learnt_from_drifted, measured_when_drifted, strips_of_nights};
pub use freshness::Older;
pub use page::description;
pub use plates::Part;
pub use sources::{
    Counted, LedgerView, ModelView, STRIP_FORMAT, Sources, StripView, calibration_nights,
};
pub use strip_plate::strip_figure;

use crate::files;
use crate::season::Season;
use crate::{Error, Result};
use figures::Figure;
use std::path::PathBuf;

/// A report as text and figures, not yet written.
#[derive(Debug, Clone)]
pub struct Report {
    /// The figures in the order of the page, each with the part it belongs to.
    pub figures: Vec<(Part, Figure)>,
    /// The methods, Markdown.
    pub methods: String,
    /// The page, HTML.
    pub page: String,
    /// Everything the reader was warned of.
    pub warnings: Vec<String>,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportSummary {
    /// The page, the methods and the figures.
    pub files: Vec<PathBuf>,
    /// Everything the reader was warned of.
    pub warnings: Vec<String>,
}

impl Report {
    /// Draws and writes up what the sources hold.
    pub fn of(sources: &Sources) -> Result<Self> {
        let figures = plates::plates(sources)?;
        let values = text::values(sources);
        let methods = text::methods(&values)?;
        let page = page::page(&values, &figures, &sources.strips, &methods)?;
        Ok(Report {
            figures,
            methods,
            page,
            warnings: sources.warnings(),
        })
    }
}

/// Writes the report of a season into its `results/`; a figure that an earlier report left and
/// that this one has not goes away.
///
/// # Errors
/// Nothing to report yet, a result of another version, a file that cannot be written.
pub fn write(season: &Season) -> Result<ReportSummary> {
    let report = Report::of(&Sources::gather(season)?)?;
    let folder = season.result("figures");
    let mut files = Vec::new();
    for (_, figure) in &report.figures {
        let path = folder.join(format!("{}.svg", figure.name));
        files::write_whole(&path, figure.svg.as_bytes())?;
        files.push(path);
    }
    remove_others(&folder, &files)?;
    for (name, text) in [
        ("methods.md", &report.methods),
        ("report.html", &report.page),
    ] {
        let path = season.result(name);
        files::write_whole(&path, text.as_bytes())?;
        files.push(path);
    }
    Ok(ReportSummary {
        files,
        warnings: report.warnings,
    })
}

fn remove_others(folder: &std::path::Path, kept: &[PathBuf]) -> Result<()> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Ok(());
    };
    for path in entries.filter_map(|e| e.ok().map(|e| e.path())) {
        if path.extension().is_some_and(|e| e == "svg") && !kept.contains(&path) {
            std::fs::remove_file(&path).map_err(|e| Error::io(&path, e))?;
        }
    }
    Ok(())
}
