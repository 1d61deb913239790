//! A response measured from a series of steps of known relative exposure, after the idea of the
//! opto-electronic conversion function of ISO 14524.
//!
//! Between steps the curve is a monotone cubic (Fritsch and Carlson 1980, SIAM J. Numer. Anal.
//! 17:238) of (exposure + offset) to a power, with the offset and power that leave the least error
//! when each step in turn is predicted from the others. The offset stands for the dark level, which
//! the camera encodes together with the light.
//!
//! Nothing is extrapolated: the series begins in the dark, and above the brightest step nothing is
//! claimed. Codes below those of the dark hold noise only; there the curve goes on straight.

use crate::files::{Row, Table};
use crate::numeric::normal_tail;
use crate::signal::row::{code_cell, read_region};
use crate::signal::{BitDepth, CodeValues, Picture, PictureCache, Region};
use crate::{Error, Result};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// One step of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Exposure relative to the other steps, 0 (dark) or above.
    pub relative_exposure: f64,
    /// Mean code values.
    pub codes: CodeValues,
}

/// A measured response, one curve a channel, all on one scale of exposure: 1 is the brightest step
/// of the series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasuredResponse {
    /// The curves of red, green and blue.
    pub channels: [MeasuredCurve; 3],
    /// Relative exposures of steps that were left out where a channel is clipped.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<f64>,
}

/// A monotone curve through steps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasuredCurve {
    /// Encoded values of the steps, as shares of the largest code, ascending.
    codes: Vec<f64>,
    /// Linear signal of the steps, ascending.
    signal: Vec<f64>,
    /// Interpolated is (signal + offset) to this power.
    power: f64,
    /// Signal that the dark level seems to be.
    offset: f64,
    /// Root mean square relative error of each inner step predicted from the others.
    pub residual: f64,
}

/// Fewest steps of a channel that are not clipped.
const FEWEST_STEPS: usize = 5;

/// The powers that are tried: linear to a cube root.
const POWERS: [f64; 6] = [1.0, 0.75, 0.6, 0.5, 1.0 / 2.2, 1.0 / 3.0];
/// The offsets that are tried, over the exposure of the darkest lit step.
const OFFSETS: [f64; 8] = [0.0, 0.03, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0];

impl MeasuredResponse {
    /// Reads a table of steps: `relative_exposure`, and `r,g,b` in code values of `depth` or the box of a
    /// picture, found from `folder`. Of a table with a column `kind`, such as that of captures, rows of
    /// kind `step` count, and those of kind `dark` as steps of relative exposure 0.
    pub fn read(path: &Path, folder: &Path, depth: BitDepth) -> Result<Self> {
        let table = Table::read(path).map_err(|e| e.named_by("rig.response"))?;
        table.require(&["relative_exposure"])?;
        let mut pictures = PictureCache::new();
        let mut steps = Vec::new();
        for row in table.rows() {
            let relative_exposure = match row.get("kind") {
                Some("dark") => 0.0,
                kind if kind == Some("step") || !table.has("kind") => exposure(&row)?,
                _ => continue,
            };
            steps.push(Step {
                relative_exposure,
                codes: read_codes(&row, folder, depth, &mut pictures)?,
            });
        }
        Self::from_steps(&steps, depth).map_err(|e| e.at(path))
    }

    /// The response that a series of steps shows.
    ///
    /// Steps at the top of the code range are left out. Steps of equal exposure are averaged.
    ///
    /// # Errors
    /// Fewer than five steps that are not clipped, none of exposure 0 among them, or code values that
    /// do not rise with exposure (the two steps are named).
    ///
    /// ```
    /// use boneglow::signal::{BitDepth, CodeValues, MeasuredResponse, Step};
    /// let steps: Vec<Step> = [0.0, 0.05, 0.1, 0.2, 0.4, 0.8]
    ///     .map(|e| Step { relative_exposure: e, codes: CodeValues([250.0 * e; 3]) })
    ///     .to_vec();
    /// let response = MeasuredResponse::from_steps(&steps, BitDepth::EIGHT)?;
    /// // Half the brightest step's code is half its light, for this linear camera.
    /// assert!((response.channels[0].decode(100.0 / 255.0) - 0.5).abs() < 1e-9);
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn from_steps(steps: &[Step], depth: BitDepth) -> Result<Self> {
        let brightest = steps
            .iter()
            .filter(|s| (0..3).any(|c| s.codes.0[c] < depth.largest() - 0.5))
            .map(|s| s.relative_exposure)
            .fold(0.0, f64::max);
        let mut channels = Vec::with_capacity(3);
        for channel in 0..3 {
            channels.push(MeasuredCurve::from_steps(steps, channel, brightest, depth)?);
        }
        let channels: [MeasuredCurve; 3] = channels.try_into().expect("three channels");
        let clipped = steps
            .iter()
            .filter(|s| clipped_channels(s, depth).any(|on| on));
        Ok(MeasuredResponse {
            channels,
            left_out: clipped.map(|s| s.relative_exposure).collect(),
        })
    }

    /// Refuses steps whose code values do not rise with exposure, clipped ones left out.
    pub(crate) fn check_rising(steps: &[Step], depth: BitDepth) -> Result<()> {
        (0..3).try_for_each(|channel| rising(steps, channel, depth).map(|_| ()))
    }

    /// The steps as a table that [`MeasuredResponse::read`] reads.
    pub fn to_csv(steps: &[Step]) -> String {
        let mut text = String::from("relative_exposure,r,g,b\n");
        for step in steps {
            let [r, g, b] = step.codes.0;
            text.push_str(&format!("{},{r},{g},{b}\n", step.relative_exposure));
        }
        text
    }
}

/// A step with more of its pixels clipped than this is left out.
const CLIPPED: f64 = 0.01;

/// Whether each channel of a step is at the top of the code range.
fn clipped_channels(step: &Step, depth: BitDepth) -> impl Iterator<Item = bool> {
    step.codes
        .0
        .into_iter()
        .map(move |code| code >= depth.largest() - 0.5)
}

/// Whether a row of kind `step` is clipped in a channel, and so no part of the response.
pub(crate) fn clipped_step(
    row: &Row<'_>,
    folder: &Path,
    depth: BitDepth,
    pictures: &mut PictureCache,
) -> Result<bool> {
    let step = Step {
        relative_exposure: 0.0,
        codes: read_codes(row, folder, depth, pictures)?,
    };
    Ok(clipped_channels(&step, depth).any(|on| on))
}

/// Mean code values of a row; the largest code for a channel that is clipped.
fn read_codes(
    row: &Row<'_>,
    folder: &Path,
    depth: BitDepth,
    pictures: &mut PictureCache,
) -> Result<CodeValues> {
    let (mean, clipped) = match read_region(row, folder, pictures)? {
        Some((picture, region)) => {
            means_of(&picture, region, depth).map_err(|e| row.error("image", e.to_string()))?
        }
        None => means_in_cells(row, depth)?,
    };
    Ok(CodeValues(std::array::from_fn(|c| {
        match clipped[c] > CLIPPED {
            true => depth.largest(),
            false => mean[c],
        }
    })))
}

/// Means of a box, and the share of each channel's pixels at the top.
fn means_of(picture: &Picture, region: Region, depth: BitDepth) -> Result<([f64; 3], [f64; 3])> {
    picture.check_depth(depth)?;
    region.check_inside(picture)?;
    let count = region.pixels() as f64;
    let (mut sum, mut top) = ([0.0; 3], [0.0; 3]);
    for pixel in picture.pixels_of(region) {
        for c in 0..3 {
            sum[c] += f64::from(pixel[c]);
            top[c] += f64::from(u8::from(f64::from(pixel[c]) >= depth.largest()));
        }
    }
    Ok((sum.map(|s| s / count), top.map(|t| t / count)))
}

/// Means as a table gives them, and the share of a normal distribution above the top.
fn means_in_cells(row: &Row<'_>, depth: BitDepth) -> Result<([f64; 3], [f64; 3])> {
    let (mut mean, mut clipped) = ([0.0; 3], [0.0; 3]);
    for (c, (column, sd)) in [("r", "r_sd"), ("g", "g_sd"), ("b", "b_sd")]
        .into_iter()
        .enumerate()
    {
        mean[c] = code_cell(row, column, depth)?
            .ok_or_else(|| row.error(column, "the cell is empty").remedy("fill it in"))?;
        let room = depth.largest() - 0.5 - mean[c];
        clipped[c] = match code_cell(row, sd, depth)? {
            Some(sd) if sd > 0.0 => normal_tail(room / sd),
            _ => f64::from(u8::from(room <= 0.0)),
        };
    }
    Ok((mean, clipped))
}

fn exposure(row: &Row<'_>) -> Result<f64> {
    row.optional_number_in("relative_exposure", 0.0..=1e12, "relative exposure")?
        .ok_or_else(|| {
            row.error("relative_exposure", "the cell is empty")
                .remedy("fill it in")
        })
}

const NAMES: [&str; 3] = ["r", "g", "b"];

/// Relative exposures and code values of a channel's steps that are not clipped, both rising; steps
/// of equal exposure averaged.
fn rising(steps: &[Step], channel: usize, depth: BitDepth) -> Result<Vec<(f64, f64)>> {
    let mut points: Vec<(f64, f64)> = steps
        .iter()
        .filter(|s| s.codes.0[channel] < depth.largest() - 0.5)
        .map(|s| (s.relative_exposure, s.codes.0[channel]))
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(f64, f64, f64)> = Vec::new();
    for (exposure, code) in points {
        match merged.last_mut() {
            Some(last) if (last.0 - exposure).abs() <= 1e-9 * exposure => {
                last.1 += code;
                last.2 += 1.0;
            }
            _ => merged.push((exposure, code, 1.0)),
        }
    }
    let merged: Vec<(f64, f64)> = merged.iter().map(|p| (p.0, p.1 / p.2)).collect();
    for pair in merged.windows(2) {
        let ((darker, low), (brighter, high)) = (pair[0], pair[1]);
        if high <= low {
            return Err(Error::input(format!(
                "the step series is not monotone: channel {} falls from code {low:.2} to {high:.2} \
                 where relative exposure rises from {darker} to {brighter}",
                NAMES[channel]
            ))
            .remedy(
                "check the exposures and the boxes of these steps; leave steps out that do not \
                 differ from the dark level",
            ));
        }
    }
    Ok(merged)
}

impl MeasuredCurve {
    fn from_steps(steps: &[Step], channel: usize, brightest: f64, depth: BitDepth) -> Result<Self> {
        let points = rising(steps, channel, depth)?;
        let name = NAMES[channel];
        if points.len() < FEWEST_STEPS {
            return Err(Error::too_little(format!(
                "channel {name} has {} steps of different exposure that are not clipped, expected \
                 at least {FEWEST_STEPS}",
                points.len()
            ))
            .remedy("record more steps between dark and full scale"));
        }
        let (darkest, code) = points[0];
        if darkest > 0.0 {
            return Err(Error::too_little(format!(
                "the darkest step has relative exposure {darkest} (code {code:.1} of channel \
                 {name}), expected one of 0: a response is not extrapolated, and darker ground could \
                 not be read"
            ))
            .remedy("add a step of relative_exposure 0, recorded with the lens capped"));
        }
        let signal: Vec<f64> = points.iter().map(|p| p.0 / brightest).collect();
        let codes: Vec<f64> = points.iter().map(|p| p.1 / depth.largest()).collect();
        let tried = POWERS
            .iter()
            .flat_map(|power| OFFSETS.map(|offset| (*power, offset * signal[1])));
        let best = tried
            .map(|(power, offset)| {
                let curve = MeasuredCurve {
                    codes: codes.clone(),
                    signal: signal.clone(),
                    power,
                    offset,
                    residual: 0.0,
                };
                let residual = curve.leave_one_out();
                MeasuredCurve { residual, ..curve }
            })
            .min_by(|a, b| a.residual.total_cmp(&b.residual));
        Ok(best.expect("there are powers to choose from"))
    }

    /// Root mean square relative error of each inner step predicted from the others.
    fn leave_one_out(&self) -> f64 {
        let inner = 1..self.codes.len() - 1;
        let count = inner.len() as f64;
        let sum: f64 = inner
            .map(|left_out| {
                let without = |values: &[f64]| {
                    let mut values = values.to_vec();
                    values.remove(left_out);
                    values
                };
                let rest = MeasuredCurve {
                    codes: without(&self.codes),
                    signal: without(&self.signal),
                    ..*self
                };
                let predicted = rest.decode(self.codes[left_out]);
                (predicted / self.signal[left_out] - 1.0).powi(2)
            })
            .sum();
        (sum / count).sqrt()
    }

    /// The steps: encoded value (share of the largest code) and linear signal.
    pub fn steps(&self) -> impl Iterator<Item = (f64, f64)> {
        self.codes.iter().copied().zip(self.signal.iter().copied())
    }

    /// Encoded value of the darkest step.
    pub fn first_code(&self) -> f64 {
        self.codes[0]
    }

    /// Encoded value of the brightest step.
    pub fn last_code(&self) -> f64 {
        self.codes[self.codes.len() - 1]
    }

    /// Linear signal of an encoded value (share of the largest code). Below the dark the curve goes
    /// on straight and so below 0, so that the noise of a dark picture keeps its mean; above the
    /// brightest step it stays.
    pub fn decode(&self, encoded: f64) -> f64 {
        let last = self.codes.len() - 1;
        if encoded >= self.codes[last] {
            return self.signal[last];
        }
        if encoded < self.codes[0] {
            // The derivative of (signal + offset)^power there, solved for that of the signal.
            let slope = self.chord(0) * self.offset_at(0).powf(1.0 - self.power) / self.power;
            return self.signal[0] + slope * (encoded - self.codes[0]);
        }
        let i = (self.codes.partition_point(|c| *c <= encoded) - 1).min(last - 1);
        let width = self.codes[i + 1] - self.codes[i];
        let t = (encoded - self.codes[i]) / width;
        let (a, b) = (self.raised(i), self.raised(i + 1));
        let (da, db) = (self.slope(i) * width, self.slope(i + 1) * width);
        let cubic = a * (1.0 + 2.0 * t) * (1.0 - t).powi(2)
            + da * t * (1.0 - t).powi(2)
            + b * t * t * (3.0 - 2.0 * t)
            + db * t * t * (t - 1.0);
        cubic.max(0.0).powf(1.0 / self.power) - self.offset
    }

    /// Encoded value of a linear signal, by bisection; clamped to the steps.
    pub fn encode(&self, signal: f64) -> f64 {
        let (mut low, mut high) = (self.first_code(), self.last_code());
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.decode(middle) < signal {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    fn offset_at(&self, i: usize) -> f64 {
        self.signal[i] + self.offset
    }

    fn raised(&self, i: usize) -> f64 {
        self.offset_at(i).powf(self.power)
    }

    fn chord(&self, i: usize) -> f64 {
        (self.raised(i + 1) - self.raised(i)) / (self.codes[i + 1] - self.codes[i])
    }

    /// Slope at a step: the weighted harmonic mean of its neighbouring chords (Fritsch and Butland
    /// 1984, SIAM J. Sci. Stat. Comput. 5:300), which keeps the cubic monotone.
    fn slope(&self, i: usize) -> f64 {
        let last = self.codes.len() - 1;
        if i == 0 {
            return self.chord(0);
        }
        if i == last {
            return self.chord(last - 1);
        }
        let (before, after) = (self.chord(i - 1), self.chord(i));
        let (left, right) = (
            self.codes[i] - self.codes[i - 1],
            self.codes[i + 1] - self.codes[i],
        );
        let (w1, w2) = (2.0 * right + left, right + 2.0 * left);
        (w1 + w2) / (w1 / before + w2 / after)
    }
}
