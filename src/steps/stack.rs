//! Frames to a strip and its row table.

use super::{Outcome, Progress};
use crate::files::{self, Table};
use crate::season::Season;
use crate::signal::{BitDepth, Picture, Response};
use crate::strip::{LinePosition, Stacker, StripWriter};
use crate::{Error, Result};
use rayon::prelude::*;
use serde_json::json;
use std::path::{Path, PathBuf};

/// Frames that are in memory at once.
const BATCH: usize = 32;

/// How frames are to be stacked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StackWish {
    /// Rows about the line that are averaged, odd.
    pub band: usize,
    /// Row of the line, instead of looking for it.
    pub line: Option<f64>,
}

/// Stacks the laser lines of the frames that a table names (`image`, in the order of flight) into the
/// strip `to`; the table's other columns become its row table.
///
/// A frame whose line does not stand out is cut where the line lay in the frame before.
///
/// # Errors
/// A frame that cannot be read or is of another size, no frame that shows the line, a strip or row
/// table that is there already.
pub fn stack(
    season: &Season,
    frames: &Table,
    wish: &StackWish,
    to: &Path,
    progress: &dyn Progress,
) -> Result<Outcome> {
    frames.require(&["image"])?;
    let rig = &season.plan.rig;
    let depth = BitDepth::new(rig.bit_depth)?;
    let response = Response::read(&rig.response, season.folder(), depth)?;
    let stacker = Stacker::new(&response, depth, wish.band)?;
    let stem = to.file_stem().unwrap_or_default().to_string_lossy();
    let rows_path = to.with_file_name(season.plan.strips.rows.replace("{stem}", &stem));
    for path in [to, &rows_path] {
        if path.exists() {
            return Err(Error::input("this file is there already")
                .at(path)
                .remedy("give the strip a name of its own: no strip is overwritten"));
        }
    }
    let images = frames
        .rows()
        .map(|row| Ok((season.resolve(row.text("image")?), row.line())))
        .collect::<Result<Vec<(PathBuf, u64)>>>()?;
    let Some(first) = images.first() else {
        return Err(Error::input("the table has no frame").at(frames.path()));
    };
    let width = match Picture::read(&first.0) {
        Ok(frame) => frame.width(),
        Err(e) => return Err(of_frame(e, frames.path(), first)),
    };
    let mut stacked = Stacked {
        stacker,
        wish: *wish,
        width,
        done: 0,
        before: None,
        unseen: Vec::new(),
        table: frames.path(),
    };
    progress.start("stacking frames", images.len() as u64);
    let mut failed = None;
    let written = files::write_with(to, |file| {
        let file = file.get_ref().try_clone()?;
        let mut writer = StripWriter::new(file, width as u32, images.len() as u32, depth)?;
        for (batch, part) in images.chunks(BATCH).enumerate() {
            match stacked.rows(part) {
                Ok(rows) => rows.iter().try_for_each(|row| writer.row(row))?,
                Err(e) => {
                    failed = Some(e);
                    return Err(std::io::Error::other("not finished"));
                }
            }
            progress.reach((batch * BATCH + part.len()) as u64);
        }
        writer.finish()
    });
    progress.finish();
    if let Some(e) = failed {
        return Err(e);
    }
    written?;
    files::write_whole(&rows_path, &row_table(frames))?;
    let mut outcome = Outcome::new("stack")
        .say(format!(
            "Stacked {} frames into {}, {width} pixels wide; its row table is {}.",
            images.len(),
            to.display(),
            rows_path.display()
        ))
        .result(json!({"frames": images.len(), "line_not_seen": stacked.unseen}));
    if !stacked.unseen.is_empty() {
        outcome = outcome.warn([format!(
            "The line does not stand out in {} of {} frames; they are cut where it lay in the frame before.",
            stacked.unseen.len(),
            images.len()
        )]);
    }
    Ok(outcome)
}

/// Stacking under way.
struct Stacked<'a> {
    stacker: Stacker,
    wish: StackWish,
    width: usize,
    /// Rows that are done.
    done: usize,
    /// Where the line lay in the last frame that showed it.
    before: Option<LinePosition>,
    /// Rows of the strip whose frame does not show the line.
    unseen: Vec<usize>,
    table: &'a Path,
}

impl Stacked<'_> {
    fn rows(&mut self, frames: &[(PathBuf, u64)]) -> Result<Vec<Vec<u16>>> {
        let read = frames
            .par_iter()
            .map(|frame| {
                self.find(&frame.0)
                    .map_err(|e| of_frame(e, self.table, frame))
            })
            .collect::<Result<Vec<_>>>()?;
        let first_seen = read.iter().find_map(|(_, found)| *found);
        let Some(mut line) = self.before.or(first_seen) else {
            return Err(Error::input("none of the first frames shows a laser line")
                .at(self.table)
                .remedy(
                    "leave out frames from before the laser was on, or give its row with --line",
                ));
        };
        let mut cut = Vec::with_capacity(read.len());
        for (frame, found) in read {
            match found {
                Some(position) => line = position,
                None => self.unseen.push(self.done),
            }
            self.done += 1;
            cut.push((frame, line));
        }
        self.before = Some(line);
        cut.par_iter()
            .zip(frames)
            .map(|((picture, line), frame)| {
                let row = self.stacker.row(picture, line);
                row.map_err(|e| of_frame(e, self.table, frame))
            })
            .collect()
    }

    /// A frame, and where its line lies if it stands out.
    fn find(&self, path: &Path) -> Result<(Picture, Option<LinePosition>)> {
        let frame = Picture::read(path)?;
        if frame.width() != self.width {
            return Err(Error::input(format!(
                "this frame is {} pixels wide, the first one {}",
                frame.width(),
                self.width
            ))
            .remedy("stack frames of one camera setting"));
        }
        let found = match self.wish.line {
            Some(row) => Some(LinePosition {
                left: row,
                right: row,
            }),
            None => self.stacker.find(&frame)?,
        };
        Ok((frame, found))
    }
}

/// An error of one frame, with its picture and the line of the table that names it.
fn of_frame(error: Error, table: &Path, (path, line): &(PathBuf, u64)) -> Error {
    let table = table.display();
    error
        .at(path)
        .during(format!("stacking the frame of {table}, line {line}"))
}

/// The frames' other columns, with the row of the strip before them.
fn row_table(frames: &Table) -> Vec<u8> {
    let others = |column: &&String| !["image", "row"].contains(&column.as_str());
    let kept: Vec<&str> = frames
        .header()
        .iter()
        .filter(others)
        .map(String::as_str)
        .collect();
    let rows = frames.rows().enumerate().map(|(number, row)| {
        let cells = kept.iter().map(|c| row.get(c).unwrap_or("").to_string());
        std::iter::once(number.to_string())
            .chain(cells)
            .collect::<Vec<_>>()
    });
    files::to_csv(std::iter::once("row").chain(kept.iter().copied()), rows)
}
