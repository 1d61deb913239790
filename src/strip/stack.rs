//! Frames to a strip: the laser line is cut out of every frame and becomes one row.

use crate::numeric::median;
use crate::signal::{BitDepth, LinearSignal, Picture, Response};
use crate::{Error, Result};

/// Parts across the frame in each of which the line is looked for.
const PARTS: usize = 24;
/// Fewest parts that must show the line.
const LEAST_PARTS: usize = 4;
/// How far above the frame's own noise the line must stand, in standard deviations.
const CLEAR: f64 = 6.0;

/// Where the laser line lies in a frame: a straight line, its height given at both edges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinePosition {
    /// Row at the left edge; row 0 is the middle of the first row.
    pub left: f64,
    /// Row at the right edge.
    pub right: f64,
}

impl LinePosition {
    /// The row at a column of a frame `width` pixels wide.
    pub fn at(&self, column: usize, width: usize) -> f64 {
        let across = column as f64 / (width.max(2) - 1) as f64;
        self.left + (self.right - self.left) * across
    }
}

/// Makes rows of a strip out of frames.
#[derive(Debug, Clone)]
pub struct Stacker {
    response: Response,
    depth: BitDepth,
    linear: [Vec<f64>; 3],
    band: usize,
}

impl Stacker {
    /// Averages `band` rows about the line (odd, 1 or more), in linear signal.
    ///
    /// # Errors
    /// A band that is even or 0.
    pub fn new(response: &Response, depth: BitDepth, band: usize) -> Result<Self> {
        if band.is_multiple_of(2) {
            return Err(Error::input(format!(
                "found a band of {band} rows, expected an odd number: the line and as many rows on either side"
            )));
        }
        Ok(Stacker {
            response: response.clone(),
            depth,
            linear: response.table(depth),
            band,
        })
    }

    /// Finds the laser line; absent where it does not stand out from the frame's noise.
    ///
    /// In each of several parts across the frame the brightest row is looked for, in the sum of the
    /// channels over the part's columns; the line is the median of the slopes and intercepts through
    /// pairs of parts (Theil 1950, Sen 1968), so that a lamp in the picture does not bend it.
    ///
    /// # Errors
    /// A frame of another depth, or too small.
    pub fn find(&self, frame: &Picture) -> Result<Option<LinePosition>> {
        self.check(frame)?;
        let (width, height) = (frame.width(), frame.height());
        let parts = PARTS.min(width);
        let mut found: Vec<[f64; 2]> = Vec::new();
        let mut profile = vec![0.0; height];
        for part in 0..parts {
            let columns = part * width / parts..(part + 1) * width / parts;
            for (y, sum) in profile.iter_mut().enumerate() {
                *sum = columns
                    .clone()
                    .map(|x| self.signal(frame, x, y).iter().sum::<f64>())
                    .sum();
            }
            if let Some(row) = peak(&profile, self.band) {
                let middle = (columns.start + columns.end - 1) as f64 / 2.0;
                found.push([middle, row]);
            }
        }
        if found.len() < LEAST_PARTS.min(parts) {
            return Ok(None);
        }
        let slope = median(found.iter().enumerate().flat_map(|(i, a)| {
            found[i + 1..]
                .iter()
                .map(move |b| (b[1] - a[1]) / (b[0] - a[0]))
        }))
        .unwrap_or(0.0);
        let left = median(found.iter().map(|p| p[1] - slope * p[0]));
        Ok(left.map(|left| LinePosition {
            left,
            right: left + slope * (width.max(2) - 1) as f64,
        }))
    }

    /// The row of the strip: each column's mean linear signal over the band about the line, as
    /// code values again (width x 3).
    ///
    /// # Errors
    /// A frame of another depth, a band that leaves the frame.
    pub fn row(&self, frame: &Picture, line: &LinePosition) -> Result<Vec<u16>> {
        self.check(frame)?;
        let (width, height) = (frame.width(), frame.height());
        let half = (self.band / 2) as f64;
        let mut row = Vec::with_capacity(3 * width);
        for x in 0..width {
            let center = line.at(x, width).round();
            if center - half < 0.0 || center + half > (height - 1) as f64 {
                return Err(Error::input(format!(
                    "the line lies at row {center:.0} of column {x}: {} rows about it do not fit into a frame of {height} rows",
                    self.band
                ))
                .remedy("take fewer rows (--band), or frames that show more around the line"));
            }
            let first = (center - half) as usize;
            let mut sum = [0.0; 3];
            for y in first..first + self.band {
                for (total, part) in sum.iter_mut().zip(self.signal(frame, x, y)) {
                    *total += part;
                }
            }
            let mean = LinearSignal(sum.map(|s| s / self.band as f64));
            let codes = self.response.codes(mean, self.depth);
            row.extend(
                codes
                    .0
                    .map(|c| c.round().clamp(0.0, self.depth.largest()) as u16),
            );
        }
        Ok(row)
    }

    fn signal(&self, frame: &Picture, x: usize, y: usize) -> [f64; 3] {
        let codes = frame.pixel(x, y);
        std::array::from_fn(|c| {
            let table = &self.linear[c];
            table[usize::from(codes[c]).min(table.len() - 1)]
        })
    }

    fn check(&self, frame: &Picture) -> Result<()> {
        frame.check_depth(self.depth)?;
        if frame.height() < self.band {
            return Err(Error::input(format!(
                "the frame has {} rows, expected at least the {} of the band",
                frame.height(),
                self.band
            )));
        }
        Ok(())
    }
}

/// The row about which `band` rows are brightest, to a fraction of a row by their center of light;
/// absent where it does not stand out from the rest of the profile.
fn peak(profile: &[f64], band: usize) -> Option<f64> {
    let sums: Vec<f64> = profile.windows(band).map(|w| w.iter().sum()).collect();
    let best = (0..sums.len()).max_by(|&a, &b| sums[a].total_cmp(&sums[b]).then(b.cmp(&a)))?;
    let middle = median(sums.iter().copied())?;
    let spread = median(sums.iter().map(|s| (s - middle).abs()))?;
    // 1.4826 makes the median deviation that of a normal distribution's standard deviation.
    let noise = 1.4826 * spread;
    let height = sums[best] - middle;
    if height <= CLEAR * noise || height <= 1e-12 {
        return None;
    }
    let background = middle / band as f64;
    let window = best..best + band;
    let light = |y: usize| (profile[y] - background).max(0.0);
    let total: f64 = window.clone().map(light).sum();
    let moment: f64 = window.map(|y| y as f64 * light(y)).sum();
    Some(moment / total)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A frame with a tilted line of Gaussian cross-section, standard deviation 1 row, over a dim ground
    /// with some texture; red grows to the right.
    fn frame(left: f64, right: f64, brightness: f64) -> Picture {
        let (width, height) = (96, 60);
        let line = LinePosition { left, right };
        let mut codes = Vec::new();
        for y in 0..height {
            for x in 0..width {
                let away = y as f64 - line.at(x, width);
                let glow = brightness * (-0.5 * away * away).exp();
                let texture = f64::from((7 * x as u32 + 13 * y as u32) % 5);
                let red = glow * (0.5 + 0.5 * x as f64 / width as f64);
                codes.extend([red, glow, 0.3 * glow].map(|c| (c + 3.0 + texture).round() as u8));
            }
        }
        Picture::from_rgb8(width, height, codes).unwrap()
    }

    fn stacker(band: usize) -> Stacker {
        Stacker::new(&Response::Linear, BitDepth::EIGHT, band).unwrap()
    }

    #[test]
    fn a_tilted_line_is_found_to_a_fraction_of_a_row() {
        let found = stacker(5).find(&frame(20.0, 26.0, 150.0)).unwrap().unwrap();
        assert!((found.left - 20.0).abs() < 0.3, "{found:?}");
        assert!((found.right - 26.0).abs() < 0.3, "{found:?}");
    }

    #[test]
    fn a_lamp_in_a_corner_does_not_bend_the_line() {
        let mut codes = Vec::new();
        let dull = frame(20.0, 20.0, 120.0);
        for y in 0..dull.height() {
            for x in 0..dull.width() {
                let lamp = x > 80 && y > 48;
                codes.extend(dull.pixel(x, y).map(|c| if lamp { 255 } else { c as u8 }));
            }
        }
        let lit = Picture::from_rgb8(dull.width(), dull.height(), codes).unwrap();
        let found = stacker(5).find(&lit).unwrap().unwrap();
        assert!(
            (found.left - 20.0).abs() < 0.5 && (found.right - 20.0).abs() < 0.5,
            "{found:?}"
        );
    }

    #[test]
    fn a_frame_without_a_line_has_none() {
        assert_eq!(stacker(5).find(&frame(20.0, 20.0, 0.0)).unwrap(), None);
    }

    #[test]
    fn a_row_is_the_mean_over_the_band() {
        let picture = frame(20.0, 20.0, 100.0);
        let line = LinePosition {
            left: 20.0,
            right: 20.0,
        };
        let row = stacker(3).row(&picture, &line).unwrap();
        for x in [0, 40, 95] {
            let expected: f64 = (19..22)
                .map(|y| f64::from(picture.pixel(x, y)[1]))
                .sum::<f64>()
                / 3.0;
            assert!((f64::from(row[3 * x + 1]) - expected).abs() <= 0.5);
        }
        let low = LinePosition {
            left: 0.0,
            right: 20.0,
        };
        let error = stacker(3).row(&picture, &low).unwrap_err().to_string();
        assert!(error.contains("do not fit"), "{error}");
        assert!(Stacker::new(&Response::Linear, BitDepth::EIGHT, 4).is_err());
    }
}
