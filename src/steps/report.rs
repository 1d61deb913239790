//! Everything in `results/` to figures, `methods.md` and `report.html`.

use super::{Outcome, Progress};
use crate::Result;
use crate::report as pages;
use crate::season::Season;
use serde_json::json;

/// Writes the report of what is in `results/`.
pub fn report(season: &Season, progress: &dyn Progress) -> Result<Outcome> {
    progress.start("drawing", 1);
    let summary = pages::write(season);
    progress.finish();
    let summary = summary?;
    Ok(Outcome::new("report")
        .say(format!(
            "Wrote {} with {} figures, and methods.md beside it.",
            season.result("report.html").display(),
            summary.files.len().saturating_sub(2)
        ))
        .result(json!({"files": summary.files})))
}
