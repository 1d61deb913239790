//! What a report is made from: the season's results, as far as they are there.

use super::drift_words;
use super::figures::ClassGlow;
use crate::calibration::{self, DRIFT_FORMAT, Drift, Rig, Role};
use crate::evaluation::{self, COMPARISON_FORMAT, Comparison, Evaluation, LOCKED_FORMAT, Openings};
use crate::files::{self, Document, Provenance};
use crate::ledger::Ledger;
use crate::planning::{self, NextWalk};
use crate::season::{Plan, Season};
use crate::signal::{BitDepth, Response};
use crate::strip::StripResult;
use crate::threshold::{self, Thresholds};
use crate::{Error, Result};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// The results of a season; each part may be missing.
#[derive(Debug, Clone)]
pub struct Sources {
    /// What the season file says.
    pub plan: Plan,
    /// `rig.json`.
    pub rig: Option<Rig>,
    /// `drift.json`.
    pub drift: Option<Drift>,
    /// The ledger, where it has a ground check.
    pub ledger: Option<LedgerView>,
    /// `evaluation.json`.
    pub evaluation: Option<Evaluation>,
    /// `thresholds.json`.
    pub thresholds: Option<Thresholds>,
    /// `comparison.json`.
    pub comparison: Option<Comparison>,
    /// `locked.json`.
    pub locked: Option<Openings>,
    /// `plan.json`.
    pub next_walk: Option<NextWalk>,
    /// Every scored strip, sorted by name.
    pub strips: Vec<StripView>,
    /// The SHA-256 of every input of any of them.
    pub made_from: Provenance,
}

/// Name and version of the format of `strips/<stem>/strip.json`.
pub const STRIP_FORMAT: &str = "boneglow-strip/1";

/// A scored strip: `strips/<stem>/strip.json`, and `overview.svg` beside it.
#[derive(Debug, Clone, PartialEq)]
pub struct StripView {
    /// What scoring found.
    pub result: StripResult,
    /// The overview, where it was drawn.
    pub overview_svg: Option<String>,
}

/// What the ledger holds, counted and measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LedgerView {
    /// All patches.
    pub patches: usize,
    /// Those with a ground check.
    pub checked: usize,
    /// Those without.
    pub unchecked: usize,
    /// Number of groups.
    pub groups: usize,
    /// Groups kept for one final test.
    pub locked: Vec<String>,
    /// Checked patches by label, sorted.
    pub labels: Vec<Counted>,
    /// Checked patches by how they were chosen, where that was written down.
    pub selections: Vec<Counted>,
    /// Checked patches that glow too faintly for their color to be relied upon.
    pub too_faint: usize,
    /// What the tables leave open.
    pub warnings: Vec<String>,
    /// (u', v') of the checked patches that have a color, by label.
    #[serde(skip)]
    pub glows: Vec<ClassGlow>,
}

/// A name and how many there are of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Counted {
    /// The name.
    pub name: String,
    /// How many.
    pub count: usize,
}

impl Sources {
    /// Reads what there is in `results/`, and the ledger.
    ///
    /// # Errors
    /// A result of another version or cut short; a ledger that cannot be read although there is an
    /// evaluation of it.
    pub fn gather(season: &Season) -> Result<Self> {
        let mut made_from = Provenance::default();
        let rig: Option<Rig> = read(season, "rig.json", calibration::FORMAT, &mut made_from)?;
        let drift: Option<Drift> = read(season, "drift.json", DRIFT_FORMAT, &mut made_from)?;
        let evaluation: Option<Evaluation> = read(
            season,
            "evaluation.json",
            evaluation::FORMAT,
            &mut made_from,
        )?;
        let thresholds: Option<Thresholds> =
            read(season, "thresholds.json", threshold::FORMAT, &mut made_from)?;
        let comparison = read(season, "comparison.json", COMPARISON_FORMAT, &mut made_from)?;
        let locked = read(season, "locked.json", LOCKED_FORMAT, &mut made_from)?;
        let next_walk = read(season, "plan.json", planning::FORMAT, &mut made_from)?;
        let strips = read_strips(season, &mut made_from)?;
        let ledger = match LedgerView::read(season, rig.as_ref()) {
            Ok(view) => Some(view),
            Err(e) if evaluation.is_some() && !e.is_too_little() => return Err(e),
            Err(_) => None,
        };
        if rig.is_none() && evaluation.is_none() && thresholds.is_none() && strips.is_empty() {
            return Err(Error::too_little("there is nothing to report yet")
                .at(season.result(""))
                .remedy("call `boneglow calibrate` first, or `boneglow run` for all steps"));
        }
        Ok(Sources {
            plan: season.plan.clone(),
            rig,
            drift,
            ledger,
            evaluation,
            thresholds,
            comparison,
            locked,
            next_walk,
            strips,
            made_from,
        })
    }

    /// Whether the rig is missing although there are results that rest on its colors.
    pub fn lacks_rig(&self) -> bool {
        let rests = self.drift.is_some()
            || self.evaluation.is_some()
            || self.thresholds.is_some()
            || self.comparison.is_some()
            || self.locked.is_some()
            || self.next_walk.is_some()
            || !self.strips.is_empty();
        self.rig.is_none() && rests
    }

    /// Every warning once, in the order of the steps.
    pub fn warnings(&self) -> Vec<String> {
        let lacking = self.lacks_rig().then(|| {
            "results/rig.json is missing although other results rest on it: how color was calibrated, and how well, cannot be \
             said; call `boneglow calibrate` and the steps after it again"
                .to_string()
        });
        let lists = [
            self.rig.as_ref().map(|r| &r.warnings),
            self.drift.as_ref().map(|d| &d.warnings),
            self.ledger.as_ref().map(|l| &l.warnings),
            self.evaluation.as_ref().map(|e| &e.warnings),
            self.thresholds.as_ref().map(|t| &t.warnings),
            self.comparison.as_ref().map(|c| &c.warnings),
            self.next_walk.as_ref().map(|w| &w.warnings),
        ];
        let of_steps = lists.into_iter().flatten().flatten().cloned();
        let nights = self.drift.iter().flat_map(|d| &d.nights);
        let drifted = nights.flat_map(|n| drift_words::warnings(n, self.rig.as_ref(), &self.plan));
        let of_strips = self.strips.iter().flat_map(|s| {
            let named = |w: &String| format!("strip {}: {w}", s.result.strip);
            s.result.warnings.iter().map(named)
        });
        let mut warnings: Vec<String> = Vec::new();
        for warning in lacking
            .into_iter()
            .chain(drifted)
            .chain(of_steps)
            .chain(of_strips)
        {
            if !warnings.contains(&warning) {
                warnings.push(warning);
            }
        }
        warnings
    }
}

fn read_strips(season: &Season, made_from: &mut Provenance) -> Result<Vec<StripView>> {
    let folder = season.result("strips");
    let Ok(entries) = std::fs::read_dir(&folder) else {
        return Ok(Vec::new());
    };
    let mut folders: Vec<PathBuf> = entries.filter_map(|e| e.ok().map(|e| e.path())).collect();
    folders.sort();
    let mut strips = Vec::new();
    for folder in folders {
        let path = folder.join("strip.json");
        if !path.is_file() {
            continue;
        }
        let document: Document<StripResult> = Document::read(&path, STRIP_FORMAT)?;
        made_from.merge(&document.made_from);
        let overview = folder.join("overview.svg");
        let overview_svg = match overview.is_file() {
            true => String::from_utf8(files::read(&overview)?).ok(),
            false => None,
        };
        strips.push(StripView {
            result: document.content,
            overview_svg,
        });
    }
    Ok(strips)
}

fn read<T: Serialize + DeserializeOwned>(
    season: &Season,
    name: &str,
    format: &str,
    made_from: &mut Provenance,
) -> Result<Option<T>> {
    let path = season.result(name);
    if !path.is_file() {
        return Ok(None);
    }
    let document: Document<T> = Document::read(&path, format)?;
    made_from.merge(&document.made_from);
    Ok(Some(document.content))
}

impl LedgerView {
    pub(super) fn read(season: &Season, rig: Option<&Rig>) -> Result<Self> {
        let response = match rig {
            Some(rig) => rig.response.clone(),
            None => Response::read(
                &season.plan.rig.response,
                season.folder(),
                BitDepth::new(season.plan.rig.bit_depth)?,
            )?,
        };
        let ledger = Ledger::read(season, &response)?;
        let mut selections: BTreeMap<&str, usize> = BTreeMap::new();
        let mut glows: BTreeMap<&str, Vec<[f64; 2]>> = BTreeMap::new();
        let mut too_faint = 0;
        for patch in ledger.checked() {
            if let Some(selection) = patch.selection {
                *selections.entry(selection.name()).or_default() += 1;
            }
            let Some(label) = patch.label.as_deref() else {
                continue;
            };
            let points = glows.entry(label).or_default();
            if let Some(rig) = rig {
                let measured = rig.measure(&patch.reading, Role::Ground);
                too_faint += usize::from(measured.too_faint);
                points.extend(measured.color.map(|c| [c.u, c.v]));
            }
        }
        let checked = ledger.checked().count();
        let counted = |(name, count): (&str, usize)| Counted {
            name: name.to_string(),
            count,
        };
        Ok(LedgerView {
            patches: ledger.patches.len(),
            checked,
            unchecked: ledger.patches.len() - checked,
            groups: ledger.groups().len(),
            locked: season.plan.ledger.locked.clone(),
            labels: ledger.label_counts().into_iter().map(counted).collect(),
            selections: selections.into_iter().map(counted).collect(),
            too_faint,
            warnings: ledger.warnings.clone(),
            glows: glows
                .into_iter()
                .map(|(label, points)| ClassGlow {
                    label: label.to_string(),
                    points,
                })
                .collect(),
        })
    }
}
