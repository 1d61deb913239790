//! Every glowing patch of a strip as the ledger would know it, walked to or not.

use super::blobs::{Blob, Tally};
use super::{Place, Samples, ScoreOptions};
use crate::calibration::Exposure;
use crate::files;
use crate::numeric::decimal;
use std::ops::Range;

/// Code values added up over pixels.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Codes {
    sum: [u64; 3],
    squares: [u64; 3],
}

impl Codes {
    /// Adds up the pixels of a range.
    pub fn of(samples: &Samples, pixels: Range<usize>) -> Self {
        fn add<T: Copy + Into<u64>>(values: &[T]) -> Codes {
            let mut codes = Codes::default();
            for pixel in values.chunks_exact(3) {
                for (channel, value) in pixel.iter().enumerate() {
                    let value: u64 = (*value).into();
                    codes.sum[channel] += value;
                    codes.squares[channel] += value * value;
                }
            }
            codes
        }
        let values = 3 * pixels.start..3 * pixels.end;
        match samples {
            Samples::Eight(all) => add(&all[values]),
            Samples::Sixteen(all) => add(&all[values]),
        }
    }
}

impl Tally for Codes {
    fn absorb(&mut self, other: Self) {
        for channel in 0..3 {
            self.sum[channel] += other.sum[channel];
            self.squares[channel] += other.squares[channel];
        }
    }
}

/// A connected area of one class above the detection limit: a patch that may be walked to, and that
/// the ledger would keep as measured code values.
#[derive(Debug, Clone, PartialEq)]
pub struct StripGlow {
    /// Column of its first pixel in reading order; its row is `y`. The two tell it from all others.
    pub first_x: u32,
    /// Left edge of the box in pixels.
    pub x: u32,
    /// Top edge of the box in rows.
    pub y: u32,
    /// Width of the box in pixels.
    pub width: u32,
    /// Height of the box in rows.
    pub height: u32,
    /// Number of pixels of the area itself.
    pub pixels: u64,
    /// Mean code values of the area's pixels.
    pub code: [f64; 3],
    /// Standard deviation of the code values over the pixels.
    pub code_sd: [f64; 3],
    /// Height of the camera above the ground in m, where the row table gives it.
    pub height_m: Option<f64>,
    /// Where it lies; absent without a row table that gives position, height and heading.
    pub place: Option<Place>,
}

impl StripGlow {
    /// What the ledger will know it by: the strip, the row and the column of its first pixel.
    pub fn id(&self, strip: &str) -> String {
        format!("{strip}-{}-{}", self.y, self.first_x)
    }
}

/// The areas as patches, in their order.
pub(super) fn glows(
    areas: &[Blob<Codes>],
    strip_width: u32,
    options: &ScoreOptions<'_>,
) -> Vec<StripGlow> {
    let glow = |area: &Blob<Codes>| {
        let count = area.pixels as f64;
        let code = area.tally.sum.map(|sum| sum as f64 / count);
        let (row, across) = area.middle(strip_width);
        StripGlow {
            first_x: area.first.1,
            x: area.left,
            y: area.first.0,
            width: area.width(),
            height: area.height(),
            pixels: area.pixels,
            code,
            code_sd: std::array::from_fn(|c| {
                let mean_square = area.tally.squares[c] as f64 / count;
                (mean_square - code[c] * code[c]).max(0.0).sqrt()
            }),
            height_m: options.rows.and_then(|table| table.height_m(row)),
            place: options.place(row, across),
        }
    };
    areas.iter().map(glow).collect()
}

/// Columns of `glows.csv`: those of a ledger of measured code values, and the box in the strip.
const COLUMNS: [&str; 20] = [
    "patch_id",
    "x",
    "y",
    "width",
    "height",
    "pixels",
    "r",
    "g",
    "b",
    "r_sd",
    "g_sd",
    "b_sd",
    "exposure_s",
    "gain_db",
    "height_m",
    "latitude",
    "longitude",
    "position_sd_m",
    "candidate",
    "strip",
];

/// Glowing patches of the strip `strip`, recorded with `exposure`, as a table, one a row; `candidate` is
/// the candidate whose box shares most with the patch's.
pub fn glows_to_csv(
    strip: &str,
    exposure: Exposure,
    glows: &[StripGlow],
    candidates: &[super::Candidate],
) -> Vec<u8> {
    let stated = |value: Option<f64>| value.map_or(String::new(), |v| v.to_string());
    let optional =
        |value: Option<f64>, decimals: usize| value.map_or(String::new(), |v| decimal(v, decimals));
    let tallest = candidates.iter().map(|c| c.height).max().unwrap_or(0);
    let rows = glows.iter().map(|glow| {
        let mut cells: Vec<String> = vec![
            glow.id(strip),
            glow.x.to_string(),
            glow.y.to_string(),
            glow.width.to_string(),
            glow.height.to_string(),
            glow.pixels.to_string(),
        ];
        cells.extend(glow.code.iter().map(|c| format!("{c:.4}")));
        cells.extend(glow.code_sd.iter().map(|c| format!("{c:.4}")));
        cells.push(stated(exposure.exposure_s));
        cells.push(stated(exposure.gain_db));
        cells.push(optional(glow.height_m, 3));
        cells.push(optional(glow.place.map(|p| p.latitude), 7));
        cells.push(optional(glow.place.map(|p| p.longitude), 7));
        cells.push(optional(glow.place.map(|p| p.position_sd_m), 2));
        cells.push(nearest(glow, candidates, tallest).map_or(String::new(), |n| n.to_string()));
        cells.push(strip.to_string());
        cells
    });
    files::to_csv(COLUMNS, rows)
}

/// Number of the candidate whose box shares most with the glow's.
fn nearest(glow: &StripGlow, candidates: &[super::Candidate], tallest: u32) -> Option<u64> {
    let shared = |start: u32, length: u32, other: u32, other_length: u32| {
        let end = (start + length).min(other + other_length);
        u64::from(end.saturating_sub(start.max(other)))
    };
    // Candidates come in reading order: only those that begin so high or low can touch the glow.
    let first = candidates.partition_point(|c| c.y + tallest <= glow.y);
    let below = candidates.partition_point(|c| c.y < glow.y + glow.height);
    let area = |c: &super::Candidate| {
        shared(glow.x, glow.width, c.x, c.width) * shared(glow.y, glow.height, c.y, c.height)
    };
    candidates[first..below.max(first)]
        .iter()
        .map(|c| (area(c), c.number))
        .filter(|(area, _)| *area > 0)
        .max_by_key(|(area, number)| (*area, std::cmp::Reverse(*number)))
        .map(|(_, number)| number)
}
