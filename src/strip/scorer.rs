//! From a block of code values to probabilities, classes and runs of candidate pixels.

use super::blobs::{Run, Tally, runs_of};
use super::cells::{CellAnswer, Cells, push_cells};
use super::glow::Codes;
use super::judge::{Judge, ModelJudge};
use super::palette::{FIRST_CLASS, MOST_CLASSES, NOVEL};
use super::pixels::{ColorRow, PixelColors};
use super::quadratic::{Answers, Quadratic};
use super::{Block, PixelCounts, Samples};
use crate::calibration::{Exposure, Rig};
use crate::signal::{long_exposures, other_exposures};
use crate::threshold::Thresholds;
use crate::{Error, Result};

/// Where a pixel is worth a walk.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cut {
    /// Least probability at the field's prevalence.
    pub probability: f64,
    /// log10 luminance below which a pixel is too faint, beside the rig's own limits.
    pub min_log_luminance: Option<f64>,
}

impl From<&Thresholds> for Cut {
    fn from(thresholds: &Thresholds) -> Self {
        Cut {
            probability: thresholds.probability.value,
            min_log_luminance: thresholds.min_luminance,
        }
    }
}

/// What is to be asked about the exposure that the season states of its strips, or does not state.
pub fn doubtful_exposure(rig: &Rig, strips: Exposure) -> Vec<String> {
    let of_strips = |value: f64| ("[strips] of season.toml".to_string(), value);
    let times = strips.exposure_s.zip(rig.exposure.exposure_s);
    let times = times.map(|(strips, calibration)| of_strips(strips / calibration));
    let stated = strips.exposure_s.map(of_strips);
    [
        unstated_exposure(rig, strips),
        long_exposures(stated.into_iter()),
        other_exposures(times.into_iter()),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What the calibration knows of its exposure and is not stated of the strips'.
fn unstated_exposure(rig: &Rig, strips: Exposure) -> Option<String> {
    let known = [
        ("exposure_s", rig.exposure.exposure_s, strips.exposure_s),
        ("gain_db", rig.exposure.gain_db, strips.gain_db),
    ];
    let missing: Vec<String> = known
        .iter()
        .filter(|(_, _, strips)| strips.is_none())
        .filter_map(|(key, calibration, _)| calibration.map(|value| format!("{key} = {value}")))
        .collect();
    (!missing.is_empty()).then(|| {
        format!(
            "The calibration was recorded with {}, and [strips] in season.toml does not say what the strips were recorded with: \
             the same is supposed. If it was not the same, every brightness in them is wrong.",
            missing.join(" and ")
        )
    })
}

/// A rig, a judge and a cut, ready to score strips.
pub struct Scorer<'a> {
    colors: PixelColors,
    judge: &'a dyn Judge,
    cells: Cells<'a>,
    quadratic: Option<Quadratic>,
    cut: Cut,
    calibrated: bool,
    bits: u32,
}

impl<'a> Scorer<'a> {
    /// A scorer that asks any judge, once for each small cell of color.
    ///
    /// # Errors
    /// More classes than a class picture can hold.
    pub fn new(rig: &Rig, judge: &'a dyn Judge, cut: Cut) -> Result<Self> {
        let classes = judge.classes().len();
        if classes > MOST_CLASSES {
            return Err(Error::input(format!(
                "there are {classes} classes, a class picture holds at most {MOST_CLASSES}"
            ))
            .remedy("join classes that need not be told apart"));
        }
        Ok(Scorer {
            colors: PixelColors::new(rig, Exposure::default(), cut.min_log_luminance),
            judge,
            cells: Cells::new(judge),
            quadratic: None,
            cut,
            calibrated: rig.calibrated,
            bits: rig.bit_depth.bits(),
        })
    }

    /// A scorer for a model: where its log odds are quadratic in the color (plain rules, logistic,
    /// discriminants) they are computed for every pixel, which is exact and fast.
    ///
    /// # Errors
    /// As [`Scorer::new`].
    pub fn of_model(rig: &Rig, judge: &'a ModelJudge, cut: Cut) -> Result<Self> {
        let mut scorer = Scorer::new(rig, judge, cut)?;
        scorer.quadratic = Quadratic::of(judge);
        Ok(scorer)
    }

    /// The same for strips that were recorded with this exposure; what is not stated counts as the
    /// calibration's.
    pub fn exposed(self, rig: &Rig, exposure: Exposure) -> Self {
        Scorer {
            colors: PixelColors::new(rig, exposure, self.cut.min_log_luminance),
            ..self
        }
    }

    /// Whether every pixel is computed, not every cell of color.
    pub fn is_exact(&self) -> bool {
        self.quadratic.is_some()
    }

    /// What it asks.
    pub fn judge(&self) -> &dyn Judge {
        self.judge
    }

    /// Where a pixel is worth a walk.
    pub fn cut(&self) -> Cut {
        self.cut
    }

    /// Whether colors come from a calibration.
    pub fn calibrated(&self) -> bool {
        self.calibrated
    }

    /// The width that the rig's flats are of, if it is not this.
    pub(super) fn flat_of_other_width(&self, width: usize) -> Option<usize> {
        self.colors.flat_of_other_width(width)
    }

    /// Fails unless a strip of `bit_depth` bits holds code values as the rig's are.
    pub(super) fn check_depth(&self, bit_depth: u8) -> Result<()> {
        let expected = if self.bits == 8 { 8 } else { 16 };
        if bit_depth == expected {
            return Ok(());
        }
        Err(Error::input(format!(
            "the strip has {bit_depth} bits a channel, the rig's code values have {}",
            self.bits
        ))
        .remedy("set rig.bit_depth to what the camera records, or convert the strip back"))
    }

    /// Number of code values of the rig's depth.
    pub(super) fn codes(&self) -> usize {
        self.colors.codes()
    }

    /// Pixels of a block with a code value beyond the rig's depth.
    pub(super) fn beyond(&self, block: &Block) -> u64 {
        match &block.samples {
            Samples::Sixteen(codes) if self.codes() < 1 << 16 => {
                let beyond = |pixel: &&[u16]| pixel.iter().any(|c| usize::from(*c) >= self.codes());
                codes.chunks_exact(3).filter(beyond).count() as u64
            }
            _ => 0,
        }
    }

    /// Scores a block whose rows were recorded at `height_m`.
    pub(super) fn score(
        &self,
        block: &Block,
        width: usize,
        height_m: impl Fn(u32) -> Option<f64>,
        scratch: &mut Scratch,
    ) -> ScoredBlock {
        let pixels = width * block.rows as usize;
        let mut sink = Sink {
            width,
            classes: self.judge.classes().len(),
            cut: self.cut.probability as f32,
            scored: ScoredBlock {
                first_row: block.first_row,
                rows: block.rows,
                probability: vec![0; pixels],
                classes: vec![0; pixels],
                candidates: vec![Vec::new(); block.rows as usize],
                patches: Vec::with_capacity(block.rows as usize),
                counts: PixelCounts::default(),
            },
        };
        scratch.cells.clear();
        if self.quadratic.is_none() {
            scratch
                .colors
                .resize_with(block.rows as usize, ColorRow::default);
        } else {
            scratch.colors.resize_with(1, ColorRow::default);
        }
        for row in 0..block.rows as usize {
            let transform = self
                .colors
                .at_height(height_m(block.first_row + row as u32));
            let own = row.min(scratch.colors.len() - 1);
            let colors = &mut scratch.colors[own];
            self.colors
                .compute(&block.samples, row, width, &transform, colors);
            match &self.quadratic {
                Some(quadratic) => {
                    let (cut, positive) = (sink.cut, self.judge.positive());
                    quadratic.judge_row(colors, cut, &mut scratch.answers, |x, count, answers| {
                        sink.piece(row, x..x + count, answers, positive, colors);
                    })
                }
                None => push_cells(colors, &mut scratch.cells),
            }
        }
        if self.quadratic.is_none() {
            let colors = &scratch.colors;
            self.cells.answer(&scratch.cells, |i, answer, classes| {
                sink.pixel(
                    i / width,
                    i % width,
                    answer,
                    |to| to.copy_from_slice(classes),
                    &colors[i / width],
                );
            });
        }
        let mut scored = sink.scored;
        for (row, kinds) in scored.classes.chunks_exact(width).enumerate() {
            let mut runs = Vec::new();
            runs_of(kinds, |start, end, kind| {
                let place = |x: u32| row * width + x as usize;
                runs.push(Run {
                    start,
                    end,
                    kind,
                    tally: Codes::of(&block.samples, place(start)..place(end)),
                });
            });
            scored.patches.push(runs);
        }
        let known = scored.counts.pass + scored.counts.walk + scored.counts.novel;
        scored.counts.too_faint = pixels as u64 - known;
        scored
    }
}

/// Buffers that a thread keeps from block to block.
#[derive(Default)]
pub(super) struct Scratch {
    colors: Vec<ColorRow>,
    cells: Vec<u32>,
    answers: Answers,
}

/// What scoring a block gives.
pub(super) struct ScoredBlock {
    pub first_row: u32,
    pub rows: u32,
    /// 0 to 255 for 0 to 1; 0 where too faint.
    pub probability: Vec<u8>,
    /// Palette indices.
    pub classes: Vec<u8>,
    /// Runs of pixels worth a walk and of novel ones, row by row.
    pub candidates: Vec<Vec<Run<Light>>>,
    /// Runs of one palette index above 0, row by row.
    pub patches: Vec<Vec<Run<Codes>>>,
    pub counts: PixelCounts,
}

/// Kinds of candidate pixels.
pub(super) const WALK: u8 = 1;
pub(super) const UNLIKE: u8 = 2;

/// Light and probabilities added up over pixels.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Light {
    pub probability: f64,
    pub peak: f32,
    pub luminance: f64,
    /// Sum of Y / v', in which chromaticities of light add up.
    pub weight: f64,
    pub weighted_u: f64,
    pub classes: Vec<f64>,
}

impl Tally for Light {
    fn absorb(&mut self, other: Self) {
        self.probability += other.probability;
        self.peak = self.peak.max(other.peak);
        self.luminance += other.luminance;
        self.weight += other.weight;
        self.weighted_u += other.weighted_u;
        for (own, more) in self.classes.iter_mut().zip(other.classes) {
            *own += more;
        }
    }
}

/// A probability as a byte of the picture, 0 to 255 for 0 to 1.
#[inline(always)]
pub(super) fn byte(probability: f32) -> u8 {
    whole(probability * 255.0)
}

/// The nearest whole number of one from 0 to 255.
#[inline(always)]
pub(super) fn whole(value: f32) -> u8 {
    // Adding 2^23 rounds to a whole number and leaves it in the low bits.
    (value + 8_388_608.0).to_bits() as u8
}

struct Sink {
    width: usize,
    classes: usize,
    cut: f32,
    scored: ScoredBlock,
}

impl Sink {
    /// Takes a piece of a row; pieces of a row come left to right.
    fn piece(
        &mut self,
        row: usize,
        columns: std::ops::Range<usize>,
        answers: &Answers,
        positive: &[bool],
        colors: &ColorRow,
    ) {
        let at = row * self.width + columns.start..row * self.width + columns.end;
        let count = columns.len();
        let kinds = &answers.kind[..count];
        let scored = &mut self.scored;
        scored.probability[at.clone()].copy_from_slice(&answers.probability[..count]);
        scored.classes[at].copy_from_slice(&answers.class[..count]);
        let of = |values: &[u8], which: u8| values.iter().filter(|v| **v == which).count() as u64;
        let (walk, novel) = (of(kinds, WALK), of(kinds, UNLIKE));
        let too_faint = of(&answers.class[..count], 0);
        scored.counts.walk += walk;
        scored.counts.novel += novel;
        scored.counts.pass += count as u64 - too_faint - walk - novel;
        if walk + novel == 0 {
            return;
        }
        for (i, kind) in kinds.iter().enumerate().filter(|(_, kind)| **kind != 0) {
            let classes = |to: &mut [f32]| answers.of_classes(i, positive, to);
            self.candidate(
                row,
                columns.start + i,
                *kind,
                answers.positive[i],
                classes,
                colors,
            );
        }
    }

    /// Takes one pixel that is not too faint; pixels of a row come left to right.
    #[inline(always)]
    fn pixel(
        &mut self,
        row: usize,
        x: usize,
        answer: CellAnswer,
        classes: impl FnOnce(&mut [f32]),
        colors: &ColorRow,
    ) {
        let at = row * self.width + x;
        let scored = &mut self.scored;
        scored.probability[at] = byte(answer.positive);
        scored.classes[at] = if answer.novel {
            NOVEL
        } else {
            FIRST_CLASS + answer.class
        };
        let kind = if answer.novel {
            scored.counts.novel += 1;
            UNLIKE
        } else if answer.positive >= self.cut {
            scored.counts.walk += 1;
            WALK
        } else {
            scored.counts.pass += 1;
            return;
        };
        self.candidate(row, x, kind, answer.positive, classes, colors);
    }

    #[inline(never)]
    fn candidate(
        &mut self,
        row: usize,
        x: usize,
        kind: u8,
        positive: f32,
        classes: impl FnOnce(&mut [f32]),
        colors: &ColorRow,
    ) {
        let runs = &mut self.scored.candidates[row];
        let goes_on = runs
            .last()
            .is_some_and(|run| run.kind == kind && run.end == x as u32);
        if !goes_on {
            runs.push(Run {
                start: x as u32,
                end: x as u32,
                kind,
                tally: Light {
                    probability: 0.0,
                    peak: 0.0,
                    luminance: 0.0,
                    weight: 0.0,
                    weighted_u: 0.0,
                    classes: vec![0.0; self.classes],
                },
            });
        }
        let Some(run) = runs.last_mut() else { return };
        run.end += 1;
        let light = &mut run.tally;
        let luminance = f64::from(colors.luminance[x]);
        let weight = luminance / f64::from(colors.v[x]).max(1e-6);
        light.probability += f64::from(positive);
        light.peak = light.peak.max(positive);
        light.luminance += luminance;
        light.weight += weight;
        light.weighted_u += weight * f64::from(colors.u[x]);
        let mut own = [0.0_f32; MOST_CLASSES];
        classes(&mut own[..self.classes]);
        for (sum, p) in light.classes.iter_mut().zip(own) {
            *sum += f64::from(p);
        }
    }
}
