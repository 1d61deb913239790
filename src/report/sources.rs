//! What a report is made from: the season's results, as far as they are there.

use super::drift_words;
use super::figures::ClassGlow;
use super::freshness::{Freshness, Older};
use super::strip_words;
use crate::calibration::{self, DRIFT_FORMAT, Drift, Rig, Role};
use crate::classify::{Model, ProbabilityCalibration};
use crate::evaluation::{self, COMPARISON_FORMAT, Comparison, Evaluation, LOCKED_FORMAT, Openings};
use crate::files::{self, Document, Provenance, Table};
use crate::ledger::Ledger;
use crate::planning::{self, NextWalk};
use crate::season::{Plan, Season};
use crate::signal::{BitDepth, Response};
use crate::strip::{StripResult, doubtful_exposure};
use crate::threshold::{self, Thresholds};
use crate::{Error, Result};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::collections::{BTreeMap, BTreeSet};
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
    /// Nights on which the calibration's own captures were recorded, where that was written down.
    pub calibration_nights: BTreeSet<String>,
    /// The ledger, where it has a ground check.
    pub ledger: Option<LedgerView>,
    /// `evaluation.json`.
    pub evaluation: Option<Evaluation>,
    /// `model.json`, what a reader has to know of it.
    pub model: Option<ModelView>,
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
    /// Results that were made from other inputs than the present ones.
    pub older: Vec<Older>,
    /// Which of the openings of locked groups were of other inputs than the present ones.
    pub older_openings: Vec<bool>,
    /// Scored strips that the season no longer names; nothing of them is reported.
    pub strips_left_out: Vec<String>,
    /// The SHA-256 of every input of any of them, but for those of older results.
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

/// What the model for the field was fitted to, and how.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ModelView {
    /// Number of groups that it was learnt from.
    pub groups: usize,
    /// The settings that it was fitted with, in words.
    pub settings: String,
    /// How its probabilities of a positive are corrected.
    pub correction: ProbabilityCalibration,
}

impl From<&Model> for ModelView {
    fn from(model: &Model) -> Self {
        ModelView {
            groups: model.groups().len(),
            settings: model.classifier().settings().to_string(),
            correction: model.probability_calibration().clone(),
        }
    }
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
    /// Patches of nights that the season leaves out; they are none of `patches`.
    pub left_out: usize,
    /// Checked patches that may be learnt from, by the night of their recording.
    pub nights: BTreeMap<String, usize>,
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
        let mut results = Results {
            season,
            made_from: Provenance::default(),
            freshness: Freshness::of(season),
        };
        let rig: Option<Rig> = results.read("rig.json", calibration::FORMAT, "calibrate")?;
        let drift: Option<Drift> = results.read("drift.json", DRIFT_FORMAT, "drift")?;
        let evaluation: Option<Evaluation> =
            results.read("evaluation.json", evaluation::FORMAT, "evaluate")?;
        let model: Option<Model> = results.read("model.json", Model::FORMAT, "train")?;
        let thresholds: Option<Thresholds> =
            results.read("thresholds.json", threshold::FORMAT, "threshold")?;
        let comparison = results.read(
            "comparison.json",
            COMPARISON_FORMAT,
            "compare OLD_MODEL.json",
        )?;
        let locked: Option<Openings> =
            results.read("locked.json", LOCKED_FORMAT, "evaluate --locked")?;
        let next_walk = results.read("plan.json", planning::FORMAT, "plan")?;
        let (strips, strips_left_out) = results.read_strips()?;
        let openings = locked.iter().flat_map(|l| &l.openings);
        let older_openings = openings
            .map(|o| !results.freshness.changed(&o.inputs).is_empty())
            .collect();
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
            calibration_nights: calibration_nights(season),
            ledger,
            evaluation,
            model: model.as_ref().map(ModelView::from),
            thresholds,
            comparison,
            locked,
            next_walk,
            strips,
            older: results.freshness.older(),
            older_openings,
            strips_left_out,
            made_from: results.made_from,
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
        let of_age = self.older.iter().map(Older::sentence);
        let gone = self.strips_left_out.iter().map(|strip| {
            format!(
                "The folder results/strips/{strip} is of a strip that season.toml no longer names: it is left out of this report"
            )
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
        let drifted_patches = self.drift.as_ref().zip(self.ledger.as_ref());
        let drifted_patches = drifted_patches.and_then(|(drift, ledger)| {
            drift_words::learnt_from_drifted(drift, &self.plan, &ledger.nights)
        });
        let untested = drift_words::untested_nights(self);
        let of_nights = self.strips_of_nights();
        let rig_of_strips = self.rig.as_ref().filter(|_| !self.strips.is_empty());
        let exposure = rig_of_strips.into_iter();
        let exposure = exposure.flat_map(|r| doubtful_exposure(r, (&self.plan.strips).into()));
        let contradictions = strip_words::contradictions(self);
        let of_strips = self.strips.iter().flat_map(|s| {
            let named = |w: &String| format!("strip {}: {w}", s.result.strip);
            s.result.warnings.iter().map(named)
        });
        let mut warnings: Vec<String> = Vec::new();
        for warning in lacking
            .into_iter()
            .chain(of_age)
            .chain(gone)
            .chain(drifted)
            .chain(drifted_patches)
            .chain(untested)
            .chain(of_steps)
            .chain(exposure)
            .chain(of_nights)
            .chain(of_strips)
            .chain(contradictions)
        {
            if !warnings.contains(&warning) {
                warnings.push(warning);
            }
        }
        warnings
    }

    /// What to know of the nights of the strips; nothing where no rig was calibrated to change.
    fn strips_of_nights(&self) -> Vec<String> {
        if !self.rig.as_ref().is_some_and(|rig| rig.calibrated) {
            return Vec::new();
        }
        let strips = self.strips.iter().map(|s| &s.result);
        let strips: Vec<_> = strips
            .map(|s| (s.strip.as_str(), s.night.as_deref()))
            .collect();
        drift_words::strips_of_nights(
            &strips,
            self.drift.as_ref(),
            &self.plan,
            &self.calibration_nights,
        )
    }
}

/// The nights that the calibration's captures name.
pub fn calibration_nights(season: &Season) -> BTreeSet<String> {
    let captures = season.plan.calibration.captures.iter();
    let tables = captures.filter_map(|name| Table::read(&season.resolve(name)).ok());
    let mut nights = BTreeSet::new();
    for table in tables {
        nights.extend(
            table
                .rows()
                .filter_map(|r| r.get("night").map(str::to_string)),
        );
    }
    nights
}

/// Reads results, and minds what they were made from.
struct Results<'a> {
    season: &'a Season,
    made_from: Provenance,
    freshness: Freshness<'a>,
}

impl Results<'_> {
    fn read<T: Serialize + DeserializeOwned>(
        &mut self,
        name: &str,
        format: &str,
        command: &str,
    ) -> Result<Option<T>> {
        let path = self.season.result(name);
        if !path.is_file() {
            return Ok(None);
        }
        let document: Document<T> = Document::read(&path, format)?;
        if self.freshness.check(name, &document, command) {
            self.made_from.merge(&document.made_from);
        }
        Ok(Some(document.content))
    }

    /// The scored strips sorted by name, and the names of those that the season no longer names.
    fn read_strips(&mut self) -> Result<(Vec<StripView>, Vec<String>)> {
        let (mut strips, mut left_out) = (Vec::new(), Vec::new());
        let Ok(entries) = std::fs::read_dir(self.season.result("strips")) else {
            return Ok((strips, left_out));
        };
        let named = self
            .season
            .matching(&self.season.plan.strips.files, "strips.files");
        let named = named.unwrap_or_default();
        let mut folders: Vec<PathBuf> = entries.filter_map(|e| e.ok().map(|e| e.path())).collect();
        folders.sort();
        for folder in folders {
            let path = folder.join("strip.json");
            if !path.is_file() {
                continue;
            }
            let document: Document<StripResult> = Document::read(&path, STRIP_FORMAT)?;
            let stem = folder.file_name().unwrap_or_default();
            let is_named = named
                .iter()
                .any(|picture| picture.file_stem() == Some(stem));
            // A strip that was scored by its name on the command line, as the season is now, counts.
            if !is_named && !self.freshness.changed(&document.made_from).is_empty() {
                left_out.push(stem.to_string_lossy().to_string());
                continue;
            }
            let result = self.season.name_of(&path);
            let result = result.trim_start_matches("results/");
            if self.freshness.check(result, &document, "score") {
                self.made_from.merge(&document.made_from);
            }
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
        Ok((strips, left_out))
    }
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
        let mut nights: BTreeMap<String, usize> = BTreeMap::new();
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
                let learnt =
                    measured.color.is_some() && !season.plan.ledger.locked.contains(&patch.group);
                if let (true, Some(night)) = (learnt, &patch.night) {
                    *nights.entry(night.clone()).or_default() += 1;
                }
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
            left_out: ledger.left_out,
            nights,
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
