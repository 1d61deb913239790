//! The linear signal of one patch and the settings under which it was recorded.

use super::{BitDepth, CodeValues, LinearSignal, Picture, Region, Response};
use crate::{Error, Result};

/// The settings under which something was recorded; absent where nobody wrote them down.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Capture {
    /// Exposure time in s.
    pub exposure_s: Option<f64>,
    /// Gain in dB.
    pub gain_db: Option<f64>,
    /// Height of the camera and laser above the surface in m.
    pub height_m: Option<f64>,
    /// Where in its picture.
    pub column: Option<Column>,
}

/// A place across a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Column {
    /// Distance from the left edge in pixels, the first pixel's center at 0.5.
    pub center: f64,
    /// Width of the picture in pixels.
    pub width: usize,
}

/// Where a larger share of pixels is clipped, what the others show is no longer what was there: the mean of the lower
/// three quarters of a normal distribution lies 0.42 standard deviations below the mean of all.
pub const MOST_CLIPPED: f64 = 0.25;

/// A larger share of clipped pixels is told: it takes 0.05 standard deviations off the mean.
pub const TOLD_CLIPPED: f64 = 0.02;

/// What the camera recorded of one small area of one material.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Mean code value of each channel.
    pub code: CodeValues,
    /// Mean linear signal of each channel, dark level not yet removed.
    ///
    /// The mean of the linear pixels, which for a textured patch is not the linear value of the
    /// mean code.
    pub signal: LinearSignal,
    /// Standard deviation of the linear pixels (not of their mean), where known.
    pub pixel_sd: Option<[f64; 3]>,
    /// Number of pixels, where known.
    pub pixels: Option<u64>,
    /// Standard deviation that the decimals to which it was written leave in the mean linear signal; 0 for the
    /// mean of a picture's pixels.
    pub written_sd: [f64; 3],
    /// Share of pixels with a channel at the top of the code range, or of what a measured response covers, 0 to 1.
    pub clipped: f64,
    /// Settings of the recording.
    pub capture: Capture,
}

impl Reading {
    /// The reading of a box of a picture: every pixel is made linear, then averaged.
    ///
    /// Pixels that are clipped in a channel are counted and left out of the mean signal, unless all are; the
    /// mean code value is that of all pixels.
    ///
    /// # Errors
    /// A picture of another depth than `depth` can hold, a box outside the picture, code values
    /// that `response` does not cover.
    pub fn from_region(
        picture: &Picture,
        region: Region,
        response: &Response,
        depth: BitDepth,
        capture: Capture,
    ) -> Result<Self> {
        picture.check_depth(depth)?;
        region.check_inside(picture)?;
        let table = response.table(depth);
        let top: [f64; 3] = std::array::from_fn(|c| response.largest_code(c, depth) - 0.25);
        let count = region.pixels() as f64;
        let at_top = |pixel: &[u16; 3]| (0..3).any(|c| f64::from(pixel[c]) > top[c]);
        let clipped = picture.pixels_of(region).filter(at_top).count() as f64;
        let mut code = [0.0; 3];
        let mut kept = Moments::default();
        for pixel in picture.pixels_of(region) {
            let mut signal = [0.0; 3];
            for channel in 0..3 {
                let value = pixel[channel];
                let Some(linear) = table[channel].get(usize::from(value)) else {
                    return Err(Error::input(format!(
                        "found code value {value} in the picture, expected 0 to {}",
                        depth.largest()
                    ))
                    .key("rig.bit_depth")
                    .remedy("state the depth of the stored code values"));
                };
                code[channel] += f64::from(value);
                signal[channel] = *linear;
            }
            if clipped == count || !at_top(&pixel) {
                kept.add(signal);
            }
        }
        Ok(Reading {
            code: CodeValues(code.map(|c| c / count)),
            signal: LinearSignal(kept.mean()),
            pixel_sd: Some(kept.sd()),
            pixels: Some(kept.count),
            written_sd: [0.0; 3],
            clipped: clipped / count,
            capture,
        })
    }

    /// The reading of measured code values: the mean over pixels and, where known, their standard
    /// deviation (not that of the mean) and their number.
    ///
    /// With a standard deviation the mean is corrected for the curvature of the response (see
    /// [`Response::mean_signal`]) and the clipped share is that of a normal distribution above the
    /// largest code; without, it is 1 for a mean within half a code of the top and else 0. The top is that of
    /// the code range, or the brightest step of a measured response.
    ///
    /// # Errors
    /// Code values outside the range of `depth`.
    ///
    /// ```
    /// use boneglow::signal::{BitDepth, Capture, CodeValues, Reading, Response};
    /// let flat = Reading::from_code_values(
    ///     CodeValues([118.0; 3]), None, None, &Response::Srgb, BitDepth::EIGHT, Capture::default())?;
    /// let textured = Reading::from_code_values(
    ///     CodeValues([118.0; 3]), Some([20.0; 3]), Some(900), &Response::Srgb, BitDepth::EIGHT,
    ///     Capture::default())?;
    /// assert!((flat.signal.0[0] - 0.18116).abs() < 1e-5);
    /// assert!(textured.signal.0[0] > flat.signal.0[0]); // a convex response
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn from_code_values(
        mean: CodeValues,
        sd: Option<[f64; 3]>,
        pixels: Option<u64>,
        response: &Response,
        depth: BitDepth,
        capture: Capture,
    ) -> Result<Self> {
        let (signal, pixel_sd) = match sd {
            Some(sd) => {
                let (signal, linear) = response.mean_signal(mean, sd, depth)?;
                (signal, Some(linear))
            }
            None => (response.signal(mean, depth)?, None),
        };
        let clipped = (0..3)
            .map(|c| {
                let room = response.largest_code(c, depth) - 0.5 - mean.0[c];
                match sd {
                    Some(sd) if sd[c] > 0.0 => crate::numeric::normal_tail(room / sd[c]),
                    _ => f64::from(u8::from(room < 0.0)),
                }
            })
            .fold(0.0, f64::max);
        Ok(Reading {
            code: mean,
            signal,
            pixel_sd,
            pixels,
            written_sd: [0.0; 3],
            clipped,
            capture,
        })
    }

    /// The same, its mean code values written to so many decimals.
    ///
    /// What was cut off is spread evenly over one unit of the last decimal (JCGM 100:2008, 4.3.7), and no number
    /// of pixels averages it. The code of a single pixel is whole, and its rounding known without that.
    ///
    /// ```
    /// use boneglow::signal::{BitDepth, Capture, CodeValues, Reading, Response};
    /// let reading = Reading::from_code_values(
    ///     CodeValues([51.0; 3]), None, Some(600), &Response::Linear, BitDepth::EIGHT, Capture::default())?;
    /// let written = reading.written_to(0, &Response::Linear, BitDepth::EIGHT).written_sd;
    /// assert!((255.0 * written[0] - 12_f64.sqrt().recip()).abs() < 1e-12);
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn written_to(self, decimals: i32, response: &Response, depth: BitDepth) -> Self {
        let unit = 10_f64.powi(-decimals) / 12_f64.sqrt();
        let sd = |c| unit * response.code_width(c, self.code.0[c], depth);
        Reading {
            written_sd: match self.pixels {
                Some(pixels) if pixels > 1 => std::array::from_fn(sd),
                _ => [0.0; 3],
            },
            ..self
        }
    }
}

/// Sums over pixels of linear signal.
#[derive(Default)]
struct Moments {
    count: u64,
    sum: [f64; 3],
    squares: [f64; 3],
}

impl Moments {
    fn add(&mut self, signal: [f64; 3]) {
        self.count += 1;
        for (c, value) in signal.into_iter().enumerate() {
            self.sum[c] += value;
            self.squares[c] += value * value;
        }
    }

    fn mean(&self) -> [f64; 3] {
        self.sum.map(|sum| sum / self.count as f64)
    }

    fn sd(&self) -> [f64; 3] {
        let mean = self.mean();
        std::array::from_fn(|c| {
            let mean_square = self.squares[c] / self.count as f64;
            (mean_square - mean[c] * mean[c]).max(0.0).sqrt()
        })
    }
}
