//! Scoring a whole strip: several threads read, judge and write at once, under a bound of memory.
//!
//! Blocks of rows are read in order (or by whoever takes them, where the format allows), judged by
//! any thread and taken in order again, so that the result does not depend on the number of
//! threads. A thread does not run further ahead than a few blocks.

use super::blobs::{Blob, BlobFinder, join};
use super::glow::{Codes, glows};
use super::images::{PictureWriter, Pictures};
use super::palette::legend;
use super::picture::Next;
use super::scorer::{Light, ScoredBlock, Scratch, UNLIKE};
use super::{
    Block, Candidate, Mark, Overview, PixelCounts, Place, PositionPlan, RowTable, Scorer,
    StripPicture, StripResult, check_marks,
};
use crate::{Error, Result, files};
use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;
use std::sync::{Condvar, Mutex, MutexGuard};

/// More candidates or glowing patches than this are none.
const MOST_CANDIDATES: usize = 1_000_000;

/// How a strip is to be scored.
#[derive(Debug, Clone, Copy)]
pub struct ScoreOptions<'a> {
    /// Fewest pixels of a candidate.
    pub min_pixels: u64,
    /// Pixels between two pieces that are still one candidate.
    pub join_gap: u32,
    /// Field of view and how well positions are known.
    pub position: PositionPlan,
    /// Times and places of the rows.
    pub rows: Option<&'a RowTable>,
    /// Marked truth.
    pub marks: Option<&'a [Mark]>,
    /// Where the pictures go; without it none are written.
    pub pictures: Option<Pictures<'a>>,
    /// Threads; by default as many as the machine has. The result does not depend on it.
    pub threads: Option<usize>,
}

impl ScoreOptions<'_> {
    /// The place of a row and a share of the way across, where the row table tells.
    pub(super) fn place(&self, row: f64, across: f64) -> Option<Place> {
        let pose = self.rows?.pose(row)?;
        Some(self.position.place(&pose, across))
    }
}

/// Scores a strip. `progress` is told how many rows are done, in ascending numbers.
///
/// # Errors
/// A picture that is cut short or damaged (no picture is then written), of another bit depth than
/// the rig's, a row table of another strip, more than a million candidates.
pub fn score(
    path: &Path,
    scorer: &Scorer<'_>,
    options: &ScoreOptions<'_>,
    progress: &(dyn Fn(u32) + Sync),
) -> Result<StripResult> {
    let picture = StripPicture::open(path)?;
    scorer
        .check_depth(picture.bit_depth())
        .map_err(|e| e.at(path))?;
    if let Some(table) = options.rows.filter(|t| t.rows() != picture.rows()) {
        return Err(Error::input(format!(
            "the row table is for a strip of {} rows, this one has {}",
            table.rows(),
            picture.rows()
        ))
        .at(path));
    }
    let (width, rows) = (picture.width(), picture.rows());
    let bit_depth = picture.bit_depth();
    let legend = legend(scorer.judge().classes(), scorer.judge().positive());
    let strip = path.file_stem().unwrap_or_default().to_string_lossy();
    let found = match options.pictures {
        None => run(picture, scorer, options, progress, &mut |_, _| Ok(()))?,
        Some(to) => written(to.probability, |probability| {
            written(to.classes, |classes| {
                let refused = |path: &'_ Path| {
                    let path = path.to_path_buf();
                    move |e| Error::io(&path, e)
                };
                let mut gray = PictureWriter::gray(probability, width, rows)
                    .map_err(refused(to.probability))?;
                let mut indexed = PictureWriter::indexed(classes, width, rows, &legend)
                    .map_err(refused(to.classes))?;
                let found = run(picture, scorer, options, progress, &mut |p, c| {
                    gray.write(p).map_err(refused(to.probability))?;
                    indexed.write(c).map_err(refused(to.classes))
                })?;
                gray.finish().map_err(refused(to.probability))?;
                indexed.finish().map_err(refused(to.classes))?;
                Ok(found)
            })
        })?,
    };
    let candidates = candidates(join(found.blobs, options.join_gap), width, scorer, options);
    let glows = glows(&found.patches, width, options);
    let count = |novel: bool| candidates.iter().filter(|c| c.novel == novel).count() as u64;
    let ground = options
        .rows
        .and_then(|table| table.ground(&options.position));
    // Only what lies on ground that the row table tells of.
    let a_hectare = |placed: usize| {
        let hectares = ground.map(|g| g.hectares).filter(|h| *h > 0.0)?;
        Some(placed as f64 / hectares)
    };
    let (walks, novel) = (count(false), count(true));
    let placed_walks = candidates
        .iter()
        .filter(|c| !c.novel && c.place.is_some())
        .count();
    let placed_glows = glows.iter().filter(|g| g.place.is_some()).count();
    let mut warnings = options.rows.map_or(Vec::new(), RowTable::oddities);
    if options.rows.is_some() {
        let lost = candidates.iter().filter(|c| c.place.is_none()).count();
        if lost > 0 {
            warnings.push(format!(
                "{lost} of {} candidates have no position: the row table gives none for their rows.",
                candidates.len()
            ));
        }
    }
    for label in unknown_labels(options.marks.unwrap_or(&[]), scorer.judge().classes()) {
        warnings.push(format!(
            "The marks call something \"{label}\", which the model has not learnt: it counts as not worth a walk."
        ));
    }
    if !scorer.calibrated() {
        warnings.push("The colors are not calibrated: no targets were recorded.".to_string());
    }
    if let Some(flat) = scorer.flat_of_other_width(width as usize) {
        warnings.push(format!(
            "The strip is {width} pixels wide, the flat captures are {flat}: the fan of the line and the \
             fall-off of the lens were left in its brightness."
        ));
    }
    if found.beyond > 0 {
        warnings.push(format!(
            "{} pixels hold code values beyond the rig's bit depth; they count as its largest.",
            found.beyond
        ));
    }
    let check = options.marks.map(|marks| {
        check_marks(
            marks,
            &candidates,
            scorer.judge(),
            ground.map(|g| g.hectares),
        )
    });
    Ok(StripResult {
        strip: strip.to_string(),
        night: options.rows.and_then(RowTable::night).map(str::to_string),
        rows,
        width,
        bit_depth,
        calibrated: scorer.calibrated(),
        threshold: scorer.cut().probability,
        min_pixels: options.min_pixels,
        pixels: found.counts,
        patches: glows.len() as u64,
        walks,
        novel,
        ground,
        patches_per_hectare: a_hectare(placed_glows),
        walks_per_hectare: a_hectare(placed_walks),
        legend,
        check,
        warnings,
        candidates,
        glows,
        overview: found.overview,
    })
}

/// Labels of marks that are none of the classes, each once, sorted.
fn unknown_labels<'a>(marks: &'a [Mark], classes: &[String]) -> Vec<&'a str> {
    let mut labels: Vec<&str> = marks
        .iter()
        .map(|mark| mark.label.as_str())
        .filter(|label| !classes.iter().any(|class| class == label))
        .collect();
    labels.sort_unstable();
    labels.dedup();
    labels
}

/// Writes a file whole or not at all, with our own errors.
fn written<T>(path: &Path, produce: impl FnOnce(File) -> Result<T>) -> Result<T> {
    let mut outcome = None;
    let file = files::write_with(path, |file| {
        let result = produce(file.get_ref().try_clone()?);
        let failed = result.is_err();
        outcome = Some(result);
        match failed {
            true => Err(std::io::Error::other("not finished")),
            false => Ok(()),
        }
    });
    match outcome {
        Some(Err(e)) => Err(e),
        Some(Ok(value)) => file.map(|()| value),
        None => Err(file
            .err()
            .unwrap_or_else(|| Error::input("nothing was written").at(path))),
    }
}

/// What a whole strip adds up to.
struct Found {
    blobs: Vec<Blob<Light>>,
    patches: Vec<Blob<Codes>>,
    counts: PixelCounts,
    /// Pixels with a code value beyond the rig's.
    beyond: u64,
    overview: Overview,
}

/// What a thread found in one block.
struct Piece {
    scored: ScoredBlock,
    colors: Vec<(u32, [u8; 3])>,
    beyond: u64,
}

type Emit<'a> = dyn FnMut(&[u8], &[u8]) -> Result<()> + Send + 'a;

/// Takes pieces in the order of the strip.
struct Collector<'a, 'b> {
    width: usize,
    min_pixels: u64,
    waiting: BTreeMap<u32, Result<Piece>>,
    next: u32,
    finder: BlobFinder<Light>,
    patches: BlobFinder<Codes>,
    found: Found,
    emit: &'a mut Emit<'b>,
    failed: Option<Error>,
    over: bool,
}

impl Collector<'_, '_> {
    /// Takes a piece, and all that can be taken in order with it; gives the rows done.
    fn take(&mut self, index: u32, piece: Result<Piece>) -> Option<u32> {
        self.waiting.insert(index, piece);
        let mut done = None;
        while let Some(piece) = self.waiting.remove(&self.next) {
            self.next += 1;
            if self.over {
                continue;
            }
            match piece.and_then(|piece| self.add(piece)) {
                Ok(rows) => done = Some(rows),
                Err(e) => {
                    self.failed = Some(e);
                    self.over = true;
                }
            }
        }
        done
    }

    fn add(&mut self, piece: Piece) -> Result<u32> {
        let scored = piece.scored;
        (self.emit)(&scored.probability, &scored.classes)?;
        let (found, min_pixels) = (&mut self.found, self.min_pixels);
        for (place, color) in piece.colors {
            if let Some(tile) = found.overview.color.get_mut(place as usize) {
                *tile = color;
            }
        }
        for (y, row) in (scored.first_row..).zip(scored.probability.chunks_exact(self.width)) {
            found.overview.raise(y, row);
        }
        found.beyond += piece.beyond;
        let counts = &mut found.counts;
        counts.too_faint += scored.counts.too_faint;
        counts.pass += scored.counts.pass;
        counts.walk += scored.counts.walk;
        counts.novel += scored.counts.novel;
        for runs in scored.candidates {
            self.finder.row(runs, |blob| {
                if blob.pixels >= min_pixels {
                    found.blobs.push(blob);
                }
            });
        }
        for runs in scored.patches {
            self.patches.row(runs, |blob| {
                if blob.pixels >= min_pixels {
                    found.patches.push(blob);
                }
            });
        }
        for (count, what) in [
            (found.blobs.len(), "candidates"),
            (found.patches.len(), "glowing patches"),
        ] {
            if count > MOST_CANDIDATES {
                return Err(Error::input(format!(
                    "there are more than {MOST_CANDIDATES} {what} by row {}",
                    scored.first_row
                ))
                .key("strips.min_pixels")
                .remedy("ask for more pixels a candidate, or raise the threshold"));
            }
        }
        Ok(scored.first_row + scored.rows)
    }

    fn finish(self) -> Result<Found> {
        if let Some(e) = self.failed {
            return Err(e);
        }
        let (mut found, min_pixels) = (self.found, self.min_pixels);
        self.finder.finish(|blob| {
            if blob.pixels >= min_pixels {
                found.blobs.push(blob);
            }
        });
        self.patches.finish(|blob| {
            if blob.pixels >= min_pixels {
                found.patches.push(blob);
            }
        });
        found.blobs.sort_by_key(|blob| blob.first);
        found.patches.sort_by_key(|blob| blob.first);
        Ok(found)
    }
}

fn run(
    picture: StripPicture,
    scorer: &Scorer<'_>,
    options: &ScoreOptions<'_>,
    progress: &(dyn Fn(u32) + Sync),
    emit: &mut Emit<'_>,
) -> Result<Found> {
    let path = picture.path().to_path_buf();
    let (width, rows) = (picture.width(), picture.rows());
    let available = || std::thread::available_parallelism().map_or(1, |n| n.get());
    let threads = options.threads.unwrap_or_else(available).clamp(1, 64);
    let most_ahead = 2 * threads as u32 + 1;
    let overview = Overview::new(width, rows);
    let plan = overview.clone();
    let source = Mutex::new(picture);
    let room = Condvar::new();
    let collector = Mutex::new(Collector {
        width: width as usize,
        min_pixels: options.min_pixels,
        waiting: BTreeMap::new(),
        next: 0,
        finder: BlobFinder::new(),
        patches: BlobFinder::new(),
        found: Found {
            blobs: Vec::new(),
            patches: Vec::new(),
            counts: PixelCounts::default(),
            beyond: 0,
            overview,
        },
        emit,
        failed: None,
        over: false,
    });
    let work = || {
        let _guard = StopAllOnPanic(&collector, &room);
        let mut scratch = Scratch::default();
        let mut own_reader = None;
        loop {
            let (index, block) = {
                let mut source = lock(&source);
                // Waits while holding the source: whoever is behind already has its block.
                let ahead = source.blocks_taken();
                let waiting = room.wait_while(lock(&collector), |c| {
                    !c.over && ahead >= c.next + most_ahead
                });
                if waiting.unwrap_or_else(|e| e.into_inner()).over {
                    return;
                }
                match source.next() {
                    Ok(None) => return,
                    Ok(Some(next)) => (ahead, Ok(next)),
                    Err(e) => (ahead, Err(e)),
                }
            };
            let stop = block.is_err();
            let block = block.and_then(|next| match next {
                Next::Read(block) => Ok(block),
                Next::Promised {
                    index,
                    first_row,
                    rows,
                } => {
                    let reader = match &mut own_reader {
                        Some(reader) => reader,
                        None => own_reader.insert(StripPicture::open(&path)?),
                    };
                    reader.fulfil(index, first_row, rows)
                }
            });
            let piece = block.map(|block| {
                let height = |row: u32| options.rows.and_then(|t| t.height_m(f64::from(row)));
                Piece {
                    scored: scorer.score(&block, width as usize, height, &mut scratch),
                    colors: plan.colors_of(&block, width as usize, scorer.codes()),
                    beyond: scorer.beyond(&block),
                }
            });
            let done = {
                let mut collector = lock(&collector);
                let done = collector.take(index, piece);
                room.notify_all();
                done
            };
            if let Some(rows) = done {
                progress(rows);
            }
            if stop {
                return;
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 1..threads {
            scope.spawn(work);
        }
        work();
    });
    collector
        .into_inner()
        .unwrap_or_else(|e| e.into_inner())
        .finish()
}

/// Lets the other threads go when one panics, so that the panic is seen and nobody waits.
struct StopAllOnPanic<'a, 'b, 'c>(&'a Mutex<Collector<'b, 'c>>, &'a Condvar);

impl Drop for StopAllOnPanic<'_, '_, '_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            lock(self.0).over = true;
            self.1.notify_all();
        }
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(|e| e.into_inner())
}

fn candidates(
    blobs: Vec<Blob<Light>>,
    strip_width: u32,
    scorer: &Scorer<'_>,
    options: &ScoreOptions<'_>,
) -> Vec<Candidate> {
    let classes = scorer.judge().classes();
    let candidate = |(number, blob): (u64, Blob<Light>)| {
        let pixels = blob.pixels as f64;
        let light = &blob.tally;
        let (x, y) = (blob.left, blob.first.0);
        let (width, height) = (blob.width(), blob.height());
        let (row, across) = blob.middle(strip_width);
        let class = largest(&light.classes);
        Candidate {
            number,
            x,
            y,
            width,
            height,
            pixels: blob.pixels,
            peak: f64::from(light.peak),
            mean: light.probability / pixels,
            u: light.weighted_u / light.weight,
            v: light.luminance / light.weight,
            luminance: light.luminance / pixels,
            class: classes.get(class).cloned().unwrap_or_default(),
            novel: blob.kind == UNLIKE,
            place: options.place(row, across),
            nearest_photo: options
                .rows
                .and_then(|t| t.nearest_photo(row))
                .map(str::to_string),
        }
    };
    (1..).zip(blobs).map(candidate).collect()
}

/// The place of the first largest.
fn largest(sums: &[f64]) -> usize {
    let mut best = 0;
    for (i, sum) in sums.iter().enumerate() {
        if *sum > sums[best] {
            best = i;
        }
    }
    best
}

/// Scores a block that is in memory on this thread, into `(probability, classes)` bytes.
pub fn score_block(scorer: &Scorer<'_>, block: &Block, width: u32) -> (Vec<u8>, Vec<u8>) {
    let mut scratch = Scratch::default();
    let scored = scorer.score(block, width as usize, |_| None, &mut scratch);
    (scored.probability, scored.classes)
}
