//! Glows of scored strips and unchecked patches to the next walk.

use super::inputs::{Inputs, judging_out_of_date};
use super::judging::Judging;
use super::learning::{Groups, MeasuredLedger};
use super::score::{StripFiles, all_strips};
use super::{Outcome, Progress, learn, marking};
use crate::calibration::{Measurement, Role};
use crate::files::{self, Document, Row, Table};
use crate::ledger::{Patch, Recordings, Selection};
use crate::planning::{
    self, Budget, Glow, NextWalk, RecallForecast, Walk, WalkPlan, forecast_recall, plan_walk,
    walk_to_csv, walk_to_gpx,
};
use crate::season::Season;
use crate::threshold::Decision;
use crate::{Error, Result};
use serde_json::json;
use std::collections::{BTreeSet, HashMap};
use std::path::{Path, PathBuf};

/// What the next walk is to be.
#[derive(Debug, Clone, PartialEq)]
pub struct WalkWish {
    /// How far it may go.
    pub budget: Budget,
    /// Share kept for the random audit, 0 to 1.
    pub audit_share: f64,
    /// Share for glows nearest to the cut, 0 to 1.
    pub near_share: f64,
    /// Share for novel glows, 0 to 1.
    pub novel_share: f64,
    /// Latitude and longitude of where the walk starts and ends.
    pub start: Option<(f64, f64)>,
    /// Width that the interval of recall should come down to.
    pub recall_width: f64,
    /// Site of strips whose row table does not name one.
    pub site: Option<String>,
    /// Night of strips whose row table does not name one.
    pub night: Option<String>,
}

/// Plans the next walk; writes the ledger table to be filled in to `to` (by default
/// `results/walk.csv`), `walk.gpx` and `plan.json`.
pub fn plan(
    season: &Season,
    wish: &WalkWish,
    to: Option<&Path>,
    progress: &dyn Progress,
) -> Result<Outcome> {
    let judging = Judging::read(season)?;
    let ledger = MeasuredLedger::read(season)?;
    let mut pool = Pool::of(season, &ledger, judging);
    pool.add_ledger()?;
    for strip in all_strips(season, &[])? {
        pool.add_strip(&strip, wish)?;
    }
    pool.drop_audits_of_other_ground();
    let mut warnings = pool.warnings;
    let mut glows = pool.glows;
    if let Budget::Kilometers(_) = wish.budget {
        let all = glows.len();
        glows.retain(|g| g.position.is_some());
        if glows.len() < all {
            warnings.push(format!(
                "{} of {all} glows have no position and are left out of a walk of so many km.",
                all - glows.len()
            ));
        }
    }
    if glows.iter().all(|g| g.audited.is_some()) {
        return Err(Error::too_little("there is no glow left to walk to")
            .at(season.file())
            .key("strips.files")
            .remedy(
                "score a strip, or add patches without a label to the ledger; glows that were checked are not planned again",
            ));
    }
    let cut = pool.judging.thresholds.probability.value;
    let walk = plan_walk(
        &glows,
        &WalkPlan {
            budget: wish.budget,
            audit_share: wish.audit_share,
            near_share: wish.near_share,
            novel_share: wish.novel_share,
            cut,
            start: wish.start,
            seed: season.plan.classify.seed,
        },
    )?;
    let forecast = forecast(season, &ledger, &pool.judging, wish, progress)?;
    let table = to.map_or_else(|| season.result("walk.csv"), Path::to_path_buf);
    keep_what_is_filled_in(&table, to.is_some())?;
    warnings.extend(learn::not_calibrated(&ledger.rig));
    warnings.extend(walk.warnings.iter().cloned());
    let next = NextWalk {
        warnings,
        ..NextWalk::of(
            &walk,
            glows.iter().filter(|g| g.audited.is_none()).count(),
            forecast,
        )
    };
    let csv = marking::marked(walk_to_csv(&glows, &walk), ledger.rig.calibrated)?;
    files::write_whole(&table, &csv)?;
    let gpx = walk_to_gpx(&glows, &walk, ledger.rig.calibrated)?;
    files::write_whole(&season.result("walk.gpx"), &gpx)?;
    Document::new(
        planning::FORMAT,
        made_from(season, &pool.tables)?,
        next.clone(),
    )
    .of_rig(ledger.rig.calibrated)
    .write(&season.result("plan.json"))?;
    Ok(describe(&next, &walk, &table).warn(judging_out_of_date(season)))
}

/// Fails where a table that somebody named is there already, or one of the season's own has labels.
fn keep_what_is_filled_in(table: &Path, named: bool) -> Result<()> {
    if !table.exists() {
        return Ok(());
    }
    let filled = |row: &Row<'_>| row.get("label").is_some();
    let found = match Table::read(table) {
        _ if named => "this table is there already".to_string(),
        Ok(walk) => match walk.rows().filter(filled).count() {
            0 => return Ok(()),
            1 => "1 patch of the last walk is filled in here".to_string(),
            n => format!("{n} patches of the last walk are filled in here"),
        },
        Err(e) => return Err(e),
    };
    Err(Error::input(found).at(table).remedy(
        "move it to the ledger, or give the new walk a name of its own: a filled-in table is never overwritten",
    ))
}

fn made_from(season: &Season, tables: &[PathBuf]) -> Result<files::Provenance> {
    let mut inputs = Inputs::of(season);
    for result in ["rig.json", "model.json", "thresholds.json"] {
        inputs = inputs.file(&season.result(result))?;
    }
    for table in tables {
        inputs = inputs.file(table)?;
    }
    Ok(inputs.done())
}

/// The glows that may be walked to.
struct Pool<'a> {
    season: &'a Season,
    ledger: &'a MeasuredLedger,
    judging: Judging,
    glows: Vec<Glow>,
    /// Patches of strips that were checked: strip, row, column.
    checked: Vec<(String, f64, f64)>,
    checked_ids: BTreeSet<String>,
    tables: Vec<PathBuf>,
    warnings: Vec<String>,
}

impl<'a> Pool<'a> {
    fn of(season: &'a Season, ledger: &'a MeasuredLedger, judging: Judging) -> Self {
        Pool {
            season,
            ledger,
            judging,
            glows: Vec::new(),
            checked: Vec::new(),
            checked_ids: BTreeSet::new(),
            tables: Vec::new(),
            warnings: Vec::new(),
        }
    }

    /// Earlier audits count where their ground is drawn from again: their strip, or the ledger.
    fn drop_audits_of_other_ground(&mut self) {
        let open = self.glows.iter().filter(|g| g.audited.is_none());
        let sources: BTreeSet<String> = open.map(|g| g.source.clone()).collect();
        self.glows
            .retain(|g| g.audited.is_none() || sources.contains(&g.source));
    }

    /// Patches of the ledger that nobody has checked yet, and those of earlier audits.
    fn add_ledger(&mut self) -> Result<()> {
        let mut rows: HashMap<(PathBuf, u64), (&Patch, &Measurement)> = HashMap::new();
        for (patch, measurement) in self.ledger.patches() {
            rows.insert((patch.file.clone(), patch.line), (patch, measurement));
        }
        let files = &self.season.plan.ledger.files;
        let (mut waiting, mut measurements) = (Vec::new(), Vec::new());
        for path in self.season.matching(files, "ledger.files")? {
            let table = Table::read(&path)?;
            for row in table.rows() {
                let Some((patch, measurement)) = rows.get(&(path.clone(), row.line())) else {
                    continue;
                };
                let source = row.get("strip").unwrap_or_default().to_string();
                let audited = patch.selection == Some(Selection::Audit);
                if patch.label.is_none() || audited {
                    waiting.push((record(&row, &["calibrated"]), source, *patch));
                    measurements.push(**measurement);
                }
                if patch.label.is_none() {
                    continue;
                }
                if let (Some(strip), Some(r), Some(column)) = (
                    row.get("strip"),
                    row.optional_number("row")?,
                    row.optional_number("column")?,
                ) {
                    self.checked.push((strip.to_string(), r, column));
                }
                self.checked_ids.insert(patch.id.clone());
            }
            self.tables.push(path);
        }
        let judged = self.judging.judge(&measurements);
        for ((record, source, patch), judged) in waiting.into_iter().zip(judged) {
            let audited = patch.label.as_ref().and(patch.inclusion_probability);
            let counts = patch.label.is_none() || audited.is_some();
            let unseen = matches!(judged.decision, Decision::TooFaint | Decision::Clipped);
            if counts && !unseen {
                self.glows.push(Glow {
                    id: patch.id.clone(),
                    p_positive: judged.p_positive,
                    decision: judged.decision,
                    position: patch.place,
                    record,
                    source,
                    audited,
                });
            }
        }
        Ok(())
    }

    /// Glowing patches of a scored strip, without those that were checked.
    fn add_strip(&mut self, strip: &StripFiles, wish: &WalkWish) -> Result<()> {
        let path = strip.folder(self.season).join("glows.csv");
        if !path.is_file() {
            return Err(Error::input("this strip is not scored yet")
                .at(&strip.picture)
                .remedy("call `boneglow score` first, or `boneglow run` for all steps"));
        }
        let table = Table::read(&path)?;
        let whereabouts = whereabouts(strip, &self.season.plan.ledger.group, wish)?;
        let group = &self.season.plan.ledger.group;
        if whereabouts
            .iter()
            .any(|(column, cell)| column == group && cell.is_empty())
        {
            self.warnings.push(format!(
                "Nothing tells the {group} of strip {}: fill it in beside the labels, name it in the row table, or \
                 give --site and --night.",
                strip.stem
            ));
        }
        let parts = parts_of_others(&table)?;
        let known: BTreeSet<String> = self.glows.iter().map(|g| g.id.clone()).collect();
        let mut readings = Vec::new();
        let mut kept = Vec::new();
        let mut recordings = Recordings::new(self.season, &self.ledger.rig.response)?;
        for row in table.rows() {
            let id = row.text("patch_id")?;
            let checked = self.checked_ids.contains(id) || self.was_checked(&row)?;
            if checked || known.contains(id) || parts.contains(id) {
                continue;
            }
            readings.push(recordings.reading(&row)?);
            kept.push(row);
        }
        let measured: Vec<_> = readings
            .iter()
            .map(|r| self.ledger.rig.measure(r, Role::Ground))
            .collect();
        for (row, judged) in kept.iter().zip(self.judging.judge(&measured)) {
            let latitude = row.optional_number("latitude")?;
            let mut record = record(row, &["x", "y", "width", "height", "calibrated"]);
            record.splice(0..0, whereabouts.iter().cloned());
            let (top, height) = (row.number("y")?, row.number("height")?);
            let (left, width) = (row.number("x")?, row.number("width")?);
            record.push(("row".into(), (top + (height - 1.0) / 2.0).to_string()));
            record.push(("column".into(), (left + (width - 1.0) / 2.0).to_string()));
            self.glows.push(Glow {
                id: row.text("patch_id")?.to_string(),
                p_positive: judged.p_positive,
                decision: judged.decision,
                position: latitude.zip(row.optional_number("longitude")?),
                record,
                source: row.text("strip")?.to_string(),
                audited: None,
            });
        }
        self.tables.push(path);
        Ok(())
    }

    /// Whether a checked patch of the same strip lies within the row's box.
    fn was_checked(&self, row: &Row<'_>) -> Result<bool> {
        let strip = row.text("strip")?;
        let (x, y) = (row.number("x")?, row.number("y")?);
        let (width, height) = (row.number("width")?, row.number("height")?);
        Ok(self.checked.iter().any(|(of, r, column)| {
            of == strip && (y..y + height).contains(r) && (x..x + width).contains(column)
        }))
    }
}

/// Glows that belong to a larger one, so that one walk sees both: of the same candidate, or with the
/// middle of their box within its box.
fn parts_of_others(table: &Table) -> Result<BTreeSet<String>> {
    let mut glows = Vec::new();
    for row in table.rows() {
        let (x, y) = (row.number("x")?, row.number("y")?);
        let (width, height) = (row.number("width")?, row.number("height")?);
        glows.push((row.number("pixels")?, row, [x, y, width, height]));
    }
    glows.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut whole: Vec<(Option<&str>, [f64; 4])> = Vec::new();
    let mut parts = BTreeSet::new();
    for (_, row, [x, y, width, height]) in glows {
        let candidate = row.get("candidate");
        let (column, line) = (x + width / 2.0, y + height / 2.0);
        let within = |&(of, [left, top, across, along]): &(Option<&str>, [f64; 4])| {
            let inside =
                (left..=left + across).contains(&column) && (top..=top + along).contains(&line);
            inside || (candidate.is_some() && of == candidate)
        };
        match whole.iter().any(within) {
            true => {
                parts.insert(row.text("patch_id")?.to_string());
            }
            false => whole.push((candidate, [x, y, width, height])),
        }
    }
    Ok(parts)
}

/// A row's cells that are not empty, without some columns.
fn record(row: &Row<'_>, without: &[&str]) -> Vec<(String, String)> {
    row.cells()
        .filter(|(column, cell)| !cell.is_empty() && !without.contains(column))
        .map(|(column, cell)| (column.to_string(), cell.to_string()))
        .collect()
}

/// Site, night and group of a strip: from its row table, else as wished.
fn whereabouts(strip: &StripFiles, group: &str, wish: &WalkWish) -> Result<Vec<(String, String)>> {
    let table = match strip.rows.is_file() {
        true => Some(Table::read(&strip.rows)?),
        false => None,
    };
    let written = |column: &str| {
        let first = table.as_ref()?.rows().next()?;
        first.get(column).map(str::to_string)
    };
    let mut columns = vec!["site", "night"];
    if !columns.contains(&group) {
        columns.push(group);
    }
    Ok(columns
        .into_iter()
        .map(|column| {
            let wished = match column {
                "site" => wish.site.clone(),
                "night" => wish.night.clone(),
                _ => None,
            };
            let cell = written(column).or(wished).unwrap_or_default();
            (column.to_string(), cell)
        })
        .collect())
}

fn forecast(
    season: &Season,
    ledger: &MeasuredLedger,
    judging: &Judging,
    wish: &WalkWish,
    progress: &dyn Progress,
) -> Result<Option<RecallForecast>> {
    let learning = ledger.learning(season, Groups::Open)?;
    if !(0..learning.data.len()).any(|i| learning.data.is_positive(i)) {
        return Ok(None);
    }
    let thresholds = &judging.thresholds;
    let predictions = learn::out_of_group(season, &learning, &thresholds.classifier, progress)?;
    let never = predictions.never_walked(&learning.too_faint, thresholds.novelty)?;
    forecast_recall(
        &predictions.without_walks_to(never),
        (thresholds.probability.value, thresholds.prior.value),
        thresholds.expected.recall.as_ref(),
        wish.recall_width,
        season.plan.threshold.confidence,
    )
    .map(Some)
}

fn describe(next: &NextWalk, walk: &Walk, table: &Path) -> Outcome {
    let counts: Vec<String> = next
        .stops
        .iter()
        .filter(|s| s.count > 0)
        .map(|s| format!("{} {}", s.count, s.reason))
        .collect();
    let mut outcome = Outcome::new("plan")
        .say(format!(
            "{} stops among {} glows ({}): {}.",
            walk.stops.len(),
            next.glows,
            counts.join(", "),
            match next.kilometers {
                Some(km) => format!("{km:.2} km round"),
                None => "no position, so no route".to_string(),
            }
        ))
        .say(format!(
            "Fill in the labels of {} and put it into the ledger.",
            table.display()
        ));
    if next.audited_before > 0 {
        outcome = outcome.say(format!(
            "At its end stand {} patches of earlier audits, with the probability that they have now that this audit draws from the \
             same ground: leave their labels empty.",
            next.audited_before
        ));
    }
    if let Some(forecast) = &next.forecast {
        for sentence in forecast.in_words() {
            outcome = outcome.say(sentence);
        }
    }
    outcome
        .warn(next.warnings.iter().cloned())
        .result(json!(next))
}
