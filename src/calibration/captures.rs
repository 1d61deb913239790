//! The table of captures: target, white, dark, flat, ground and step rows, read and checked.

use super::flat::{self, Slices};
use crate::files::{Row, Table, nearest_known};
use crate::signal::{
    BitDepth, CodeValues, PictureCache, Reading, Response, Step, check_scale, clipped_step,
    odd_units, read_capture, read_reading, read_region,
};
use crate::{Error, Result};
use std::path::Path;

/// A reading with the line it was read from.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    /// The line of the table.
    pub line: u64,
    /// The target, for captures of targets; the material, for those of ground.
    pub target: Option<String>,
    /// Relative exposure, for steps.
    pub relative_exposure: Option<f64>,
    /// What was recorded.
    pub reading: Reading,
}

/// All captures of a table, by kind, in the order of its lines.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Captures {
    /// Without light.
    pub dark: Vec<Shot>,
    /// A white target that does not fluoresce.
    pub white: Vec<Shot>,
    /// An even surface, for the fan of the line and the fall-off of the lens.
    pub(super) flat: Vec<(u64, Slices)>,
    /// Patches of ground of one material each, bright and dim, for its share of the leak.
    pub ground: Vec<Shot>,
    /// Steps of known relative exposure.
    pub step: Vec<Shot>,
    /// Reference targets.
    pub target: Vec<Shot>,
    /// The night, where the column `night` gives one and only one.
    pub night: Option<String>,
    /// The rig, where the column `rig` gives one and only one.
    pub rig: Option<String>,
    /// Captures that were left out, and why.
    pub warnings: Vec<String>,
}

/// A capture with more than this share of its pixels clipped is left out.
const CLIPPED: f64 = 0.01;

const KINDS: [&str; 6] = ["target", "white", "dark", "flat", "ground", "step"];

impl Captures {
    /// Reads a table of captures; pictures are found from `folder`.
    ///
    /// # Errors
    /// An unknown kind, a target without a name, a step without its exposure, whatever
    /// [`read_reading`] refuses, and a target all of whose captures are saturated. A saturated
    /// capture of which there are others is left out with a warning.
    pub fn read(path: &Path, folder: &Path, response: &Response, depth: BitDepth) -> Result<Self> {
        let table = Table::read(path)?;
        table.require(&["kind"])?;
        if table.is_empty() {
            return Err(Error::too_little("the table holds no capture yet")
                .at(path)
                .remedy(
                    "record the reference targets, a white and the dark with the rig, and fill in a row for each",
                ));
        }
        let mut pictures = PictureCache::new();
        let mut captures = Captures {
            night: only(&table, "night"),
            rig: only(&table, "rig"),
            ..Captures::default()
        };
        let mut saturated: Vec<(Shot, String)> = Vec::new();
        for row in table.rows() {
            let kind = row.text("kind")?;
            if !KINDS.contains(&kind) {
                return Err(unknown_kind(&row, kind));
            }
            let relative_exposure = row.optional_number_in("relative_exposure", 0.0..=1e12, "")?;
            if kind == "step" && relative_exposure.is_none() {
                return Err(row
                    .error("relative_exposure", "the cell is empty, expected a number")
                    .remedy("fill in the exposure of the step relative to the others"));
            }
            let target = match kind {
                "target" | "ground" => Some(row.text("target")?.to_string()),
                _ => None,
            };
            if kind == "flat" {
                captures.add_flat(&row, folder, response, depth, &mut pictures)?;
                continue;
            }
            let measured = matches!(response, Response::Measured(_));
            // The response was measured without it, and says so.
            if kind == "step" && measured && clipped_step(&row, folder, depth, &mut pictures)? {
                continue;
            }
            let shot = Shot {
                line: row.line(),
                target,
                relative_exposure,
                reading: read_reading(&row, folder, response, depth, &mut pictures)?,
            };
            // The brightest step of a measured response is where the response ends, not clipped.
            let ends = kind == "step" && measured;
            if shot.reading.clipped > CLIPPED && !ends {
                saturated.push((shot, kind.to_string()));
                continue;
            }
            match kind {
                "target" => captures.target.push(shot),
                "white" => captures.white.push(shot),
                "dark" => captures.dark.push(shot),
                "ground" => captures.ground.push(shot),
                _ => captures.step.push(shot),
            }
        }
        check_scale(captures.lit().map(|s| &s.reading), depth).map_err(|e| e.at(path))?;
        captures.leave_out(saturated).map_err(|e| e.at(path))?;
        let named = captures
            .lit()
            .map(|s| (format!("line {}", s.line), &s.reading));
        let odd = odd_units(named, depth);
        captures.warnings.extend(odd);
        Ok(captures)
    }

    /// The captures of something lit.
    fn lit(&self) -> impl Iterator<Item = &Shot> + Clone {
        let kinds = [&self.target, &self.white, &self.ground, &self.step];
        kinds.into_iter().flatten()
    }

    /// A flat's picture, cut into slices; code values alone have no place, which is said.
    fn add_flat(
        &mut self,
        row: &Row<'_>,
        folder: &Path,
        response: &Response,
        depth: BitDepth,
        pictures: &mut PictureCache,
    ) -> Result<()> {
        let Some((picture, region)) = read_region(row, folder, pictures)? else {
            self.warnings.push(format!(
                "The flat capture in line {} is not a picture, so nobody knows where across the \
                 picture it was taken: it was not used.",
                row.line()
            ));
            return Ok(());
        };
        let capture = read_capture(row)?;
        let slices = flat::slices(&picture, region, response, depth, capture)
            .map_err(|e| row.error("image", e.to_string()))?;
        match slices.readings.iter().any(|r| r.clipped > CLIPPED) {
            true => self.warnings.push(format!(
                "The flat capture in line {} is saturated somewhere and was left out.",
                row.line()
            )),
            false => self.flat.push((row.line(), slices)),
        }
        Ok(())
    }

    fn leave_out(&mut self, saturated: Vec<(Shot, String)>) -> Result<()> {
        for (shot, kind) in saturated {
            let percent = 100.0 * shot.reading.clipped;
            let name = shot.target.as_deref().unwrap_or(&kind);
            let others = match kind.as_str() {
                "target" => self.target.iter().any(|s| s.target == shot.target),
                "white" => !self.white.is_empty(),
                "dark" => !self.dark.is_empty(),
                _ => true,
            };
            if !others {
                return Err(Error::input(format!(
                    "the capture of {name} is saturated: {percent:.1} % of its pixels are at the \
                     top of the code range or of the measured response, expected at most {:.0} %",
                    100.0 * CLIPPED
                ))
                .line(shot.line)
                .remedy("capture it anew with a shorter exposure or less gain"));
            }
            self.warnings.push(format!(
                "The capture of {name} in line {} is saturated ({percent:.1} % of its pixels) and was \
                 left out.",
                shot.line
            ));
        }
        Ok(())
    }

    /// The step series.
    pub fn steps(&self) -> Vec<Step> {
        self.step
            .iter()
            .filter_map(|s| {
                Some(Step {
                    relative_exposure: s.relative_exposure?,
                    codes: CodeValues(s.reading.code.0),
                })
            })
            .collect()
    }
}

fn only(table: &Table, column: &str) -> Option<String> {
    let mut found = table.rows().filter_map(|row| row.get(column));
    let first = found.next()?;
    found.all(|other| other == first).then(|| first.to_string())
}

fn unknown_kind(row: &Row<'_>, kind: &str) -> Error {
    let error = row.error(
        "kind",
        format!("found \"{kind}\", expected {}", KINDS.join(", ")),
    );
    match nearest_known(kind, KINDS) {
        Some(near) => error.remedy(format!("did you mean \"{near}\"?")),
        None => error.remedy("correct the cell"),
    }
}
