//! Strips to probability and class pictures, candidates and places.

use super::marking::marked;
use super::{Outcome, Progress, drift, inputs, learning};
use crate::calibration::Exposure;
use crate::classify::Model;
use crate::files::{self, Document, Provenance};
use crate::report::{self, STRIP_FORMAT};
use crate::season::Season;
use crate::strip::{
    self, Cut, Mark, ModelJudge, Pictures, RowTable, ScoreOptions, Scorer, StripPicture,
    StripResult,
};
use crate::threshold::{self, Thresholds};
use crate::{Error, Result};
use serde_json::json;
use std::path::{Path, PathBuf};

/// What scoring a strip leaves beside its `strip.json`.
const BESIDE: [&str; 5] = [
    "candidates.csv",
    "glows.csv",
    "probability.png",
    "classes.png",
    "overview.svg",
];

/// The files of one strip.
pub(super) struct StripFiles {
    pub picture: PathBuf,
    pub stem: String,
    pub rows: PathBuf,
    marks: PathBuf,
}

impl StripFiles {
    fn of(season: &Season, picture: PathBuf) -> Result<Self> {
        let stem = match picture.file_stem() {
            Some(stem) => stem.to_string_lossy().to_string(),
            None => return Err(Error::input("this is not the name of a picture").at(&picture)),
        };
        let beside = |pattern: &str| picture.with_file_name(pattern.replace("{stem}", &stem));
        let plan = &season.plan.strips;
        Ok(StripFiles {
            rows: beside(&plan.rows),
            marks: beside(&plan.marks),
            stem,
            picture,
        })
    }

    pub fn folder(&self, season: &Season) -> PathBuf {
        season.result("strips").join(&self.stem)
    }

    pub fn document(&self, season: &Season) -> PathBuf {
        self.folder(season).join("strip.json")
    }

    fn made_from(&self, season: &Season) -> Result<Provenance> {
        let mut inputs = inputs::Inputs::of(season)
            .section("[strips]")
            .file(&self.picture)?
            .optional_file(&self.rows)?
            .optional_file(&self.marks)?;
        for result in ["rig.json", "model.json", "thresholds.json"] {
            inputs = inputs.file(&season.result(result))?;
        }
        Ok(inputs.done())
    }
}

pub(super) fn all_strips(season: &Season, named: &[PathBuf]) -> Result<Vec<StripFiles>> {
    let pictures = match named.is_empty() {
        true => season.matching(&season.plan.strips.files, "strips.files")?,
        false => named.to_vec(),
    };
    let strips = pictures
        .into_iter()
        .map(|picture| StripFiles::of(season, picture))
        .collect::<Result<Vec<_>>>()?;
    for (i, strip) in strips.iter().enumerate() {
        if let Some(other) = strips[..i].iter().find(|other| other.stem == strip.stem) {
            return Err(Error::input(format!(
                "two strips are called \"{}\": {} and {}",
                strip.stem,
                other.picture.display(),
                strip.picture.display()
            ))
            .key("strips.files")
            .remedy("rename one of them: results are kept by the strip's name"));
        }
    }
    Ok(strips)
}

/// The season's strips as they were scored earlier, as far as they are there.
pub(super) fn scored_earlier(season: &Season) -> Result<Vec<StripResult>> {
    // A strip that is named and not there is the scoring's to refuse.
    let named = all_strips(season, &[]).unwrap_or_default();
    let documents = named.iter().map(|strip| strip.document(season));
    documents
        .filter(|document| document.is_file())
        .map(|document| Ok(Document::read(&document, STRIP_FORMAT)?.content))
        .collect()
}

/// Whether every strip of the season was scored with what is there now.
pub(super) fn is_up_to_date(season: &Season) -> Result<bool> {
    for strip in all_strips(season, &[])? {
        let scored = inputs::is_up_to_date(&strip.document(season), &strip.made_from(season)?);
        if !scored
            || !BESIDE
                .iter()
                .all(|name| strip.folder(season).join(name).is_file())
        {
            return Ok(false);
        }
    }
    Ok(["places.geojson", "places.gpx"]
        .iter()
        .all(|name| season.result(name).is_file()))
}

/// Scores the strips that the season names, or those that `named` lists; writes
/// `strips/<stem>/` with pictures, `candidates.csv` and `strip.json`, and the places of all of them
/// as GeoJSON and GPX.
pub fn score(season: &Season, named: &[PathBuf], progress: &dyn Progress) -> Result<Outcome> {
    let outcome = scored(season, named, progress)?;
    Ok(outcome.warn(inputs::judging_out_of_date(season)))
}

/// As [`score`] where what judges is known to be up to date.
pub(super) fn scored(
    season: &Season,
    named: &[PathBuf],
    progress: &dyn Progress,
) -> Result<Outcome> {
    let strips = all_strips(season, named)?;
    if strips.is_empty() {
        return Err(Error::input("the season names no strip")
            .at(season.file())
            .key("strips.files")
            .remedy("name them there or on the command line"));
    }
    let rig = learning::rig(season)?;
    let model = Model::read(&season.result("model.json"))
        .map_err(|e| e.remedy("call `boneglow train` first, or `boneglow run` for all steps"))?;
    let thresholds: Thresholds =
        inputs::earlier(season, "thresholds.json", threshold::FORMAT, "threshold")?;
    let judge = ModelJudge::new(&model, &thresholds)?;
    let exposure = Exposure::from(&season.plan.strips);
    let scorer = Scorer::of_model(&rig, &judge, Cut::from(&thresholds))?.exposed(&rig, exposure);
    let mut outcome = Outcome::new("score")
        .warn(rig.unscreened())
        .warn(strip::doubtful_exposure(&rig, exposure))
        .warn(rig.never_bright_enough());
    let mut results = Vec::new();
    for strip in &strips {
        let result = score_one(season, strip, &scorer, thresholds.min_pixels, progress)?;
        outcome = outcome.say(describe(&result)).warn(
            result
                .warnings
                .iter()
                .map(|w| format!("{}: {w}", result.strip)),
        );
        results.push(result);
    }
    outcome = outcome.warn(drift::of_strips(season, &results));
    // The places of all strips stay those of all strips when only some are scored anew.
    let places = match named.is_empty() {
        true => vec![(season.result(""), &results[..])],
        false => strips
            .iter()
            .map(|s| s.folder(season))
            .zip(results.chunks(1))
            .collect(),
    };
    for (folder, of) in places {
        files::write_whole(&folder.join("places.geojson"), &strip::to_geojson(of)?)?;
        files::write_whole(&folder.join("places.gpx"), &strip::to_gpx(of)?)?;
    }
    Ok(outcome.result(json!({"strips": results})))
}

fn score_one(
    season: &Season,
    strip: &StripFiles,
    scorer: &Scorer<'_>,
    min_pixels: u64,
    progress: &dyn Progress,
) -> Result<StripResult> {
    let picture = StripPicture::open(&strip.picture)?;
    let (width, rows) = (picture.width(), picture.rows());
    let table = strip
        .rows
        .is_file()
        .then(|| RowTable::read(&strip.rows, rows))
        .transpose()?;
    let marks = strip
        .marks
        .is_file()
        .then(|| Mark::read_all(&strip.marks, width, rows))
        .transpose()?;
    let folder = strip.folder(season);
    let (probability, classes) = (folder.join("probability.png"), folder.join("classes.png"));
    std::fs::create_dir_all(&folder).map_err(|e| Error::io(&folder, e))?;
    let options = ScoreOptions {
        min_pixels,
        join_gap: season.plan.strips.join_gap_px,
        position: (&season.plan.strips).into(),
        rows: table.as_ref(),
        marks: marks.as_deref(),
        pictures: Some(Pictures {
            probability: &probability,
            classes: &classes,
        }),
        threads: None,
    };
    progress.start(&format!("scoring {}", strip.stem), u64::from(rows));
    let result = strip::score(&strip.picture, scorer, &options, &|done| {
        progress.reach(u64::from(done))
    });
    progress.finish();
    let mut result = result?;
    if table.is_none() {
        result.warnings.push(format!(
            "There is no row table {}, so nothing has a position.",
            season.name_of(&strip.rows)
        ));
    }
    write_one(
        season,
        strip,
        &folder,
        &result,
        marks.as_deref().unwrap_or(&[]),
    )?;
    Ok(result)
}

fn write_one(
    season: &Season,
    strip: &StripFiles,
    folder: &Path,
    result: &StripResult,
    marks: &[Mark],
) -> Result<()> {
    files::write_whole(
        &folder.join("candidates.csv"),
        &marked(strip::to_csv(&result.candidates), result.calibrated)?,
    )?;
    files::write_whole(
        &folder.join("glows.csv"),
        &marked(
            strip::glows_to_csv(
                &result.strip,
                Exposure::from(&season.plan.strips),
                &result.glows,
                &result.candidates,
            ),
            result.calibrated,
        )?,
    )?;
    let overview = report::strip_figure(result, marks)?;
    files::write_whole(&folder.join("overview.svg"), overview.svg.as_bytes())?;
    Document::new(STRIP_FORMAT, strip.made_from(season)?, result.clone())
        .write(&strip.document(season))
}

fn describe(result: &StripResult) -> String {
    let mut sentence = format!(
        "Strip {}: {} places worth a walk, {} novel",
        result.strip, result.walks, result.novel
    );
    if let (Some(ground), Some(rate)) = (&result.ground, result.walks_per_hectare) {
        let covered = match ground.hectares < 1.0 {
            true => format!("{:.0} m²", 10_000.0 * ground.hectares),
            false => format!("{:.1} ha", ground.hectares),
        };
        sentence += &format!(", on {covered} ({rate:.0} walks per ha)");
    }
    if let Some(check) = &result.check {
        let positive = check.labels.iter().filter(|l| l.positive);
        let (found, marked) = positive.fold((0, 0), |(f, m), l| (f + l.found, m + l.marked));
        sentence += &format!(
            "; of {marked} marked bones {found} are found, {} walks would be in vain",
            check.false_alarms
        );
    }
    sentence + "."
}
