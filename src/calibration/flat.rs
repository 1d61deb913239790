//! The fan of the laser line and the fall-off of the lens, from captures of an even surface.
//!
//! One profile across the picture for all channels together: it scales brightness (and with it the
//! leak) and leaves chromaticity alone.

use super::levels::Reduction;
use crate::numeric::least_squares::linear;
use crate::signal::{BitDepth, Capture, Picture, Reading, Region, Response};
use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Nodes of a profile.
const NODES: usize = 33;
/// Slices narrower than this say more of noise than of the profile.
const NARROWEST: usize = 4;
/// Weight of a bend between nodes beside that of a slice: next to nothing where there are slices.
const SMOOTHING: f64 = 0.01;
/// Part of the width that the flats must cover.
const COVERED: f64 = 0.9;
/// A profile below this share of its mean cannot be mended by a factor.
const DARKEST: f64 = 0.05;

/// Brightness of an even surface across the picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Flat {
    /// Width in pixels of the pictures that it holds for.
    pub width: usize,
    /// Relative brightness, of mean 1, at evenly spaced places from the left edge to the right.
    pub profile: Vec<f64>,
}

impl Flat {
    /// Relative brightness at a distance from the left edge, in pixels.
    ///
    /// ```
    /// use boneglow::calibration::Flat;
    /// let flat = Flat { width: 100, profile: vec![0.5, 1.5] };
    /// assert_eq!(flat.at(50.0), 1.0);
    /// ```
    pub fn at(&self, x: f64) -> f64 {
        let last = self.profile.len() - 1;
        let place = (x / self.width as f64).clamp(0.0, 1.0) * last as f64;
        let left = (place.floor() as usize).min(last);
        let right = (left + 1).min(last);
        let share = place - left as f64;
        (1.0 - share) * self.profile[left] + share * self.profile[right]
    }

    /// Relative brightness where a reading was taken; 1 where that is not known, or in pictures of
    /// another width.
    pub fn of(&self, capture: &Capture) -> f64 {
        match capture.column {
            Some(column) if column.width == self.width => self.at(column.center),
            _ => 1.0,
        }
    }
}

/// A flat capture before it becomes part of a profile: mean signals of slices of a box.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Slices {
    pub width: usize,
    /// Reading of each slice; its capture tells where it lies.
    pub readings: Vec<Reading>,
}

/// Cuts a box of a picture into upright slices.
pub(super) fn slices(
    picture: &Picture,
    region: Region,
    response: &Response,
    depth: BitDepth,
    capture: Capture,
) -> Result<Slices> {
    region.check_inside(picture)?;
    let wanted = 2 * (NODES - 1) * region.width / picture.width().max(1);
    let count = wanted.clamp(1, (region.width / NARROWEST).max(1));
    let mut readings = Vec::with_capacity(count);
    for i in 0..count {
        let from = region.width * i / count;
        let to = region.width * (i + 1) / count;
        let slice = Region {
            x: region.x + from,
            width: to - from,
            ..region
        };
        let capture = Capture {
            column: Some(slice.column(picture)),
            ..capture
        };
        readings.push(Reading::from_region(
            picture, slice, response, depth, capture,
        )?);
    }
    Ok(Slices {
        width: picture.width(),
        readings,
    })
}

/// The profile of all flats together; `None` where there are none, or where they cannot make one,
/// which is said.
///
/// # Errors
/// Flats of different widths.
pub(super) fn profile(
    flats: &[(u64, Slices)],
    reduction: &Reduction<'_>,
    warnings: &mut Vec<String>,
) -> Result<Option<Flat>> {
    let Some((first, slices)) = flats.first() else {
        return Ok(None);
    };
    let width = slices.width;
    if let Some((line, other)) = flats.iter().find(|(_, s)| s.width != width) {
        return Err(Error::input(format!(
            "this flat picture is {} pixels wide, that of line {first} is {width}",
            other.width
        ))
        .line(*line)
        .column("image")
        .remedy("give flats of whole pictures as the camera stores them, all of one size"));
    }
    let spacing = width as f64 / (NODES - 1) as f64;
    let mut covered = [false; NODES];
    let (mut rows, mut values) = (Vec::new(), Vec::new());
    for reading in flats.iter().flat_map(|(_, s)| &s.readings) {
        let Some(column) = reading.capture.column else {
            continue;
        };
        let net: f64 = (0..3)
            .map(|c| reading.signal.0[c] - reduction.black.signal[c])
            .sum();
        let place = column.center / spacing;
        let left = (place.floor() as usize).min(NODES - 2);
        let mut row = vec![0.0; NODES];
        row[left] = 1.0 - (place - left as f64);
        row[left + 1] = place - left as f64;
        rows.push(row);
        values.push(net / reduction.light(&reading.capture));
        covered[left] = true;
        covered[left + 1] = true;
    }
    let part = covered.iter().filter(|c| **c).count() as f64 / NODES as f64;
    if part < COVERED {
        warnings.push(format!(
            "The flat captures cover {:.0} % of the picture's width, expected at least {:.0} %: they \
             were not used. Take a box from edge to edge.",
            100.0 * part,
            100.0 * COVERED
        ));
        return Ok(None);
    }
    for node in 1..NODES - 1 {
        let mut row = vec![0.0; NODES];
        row[node - 1] = SMOOTHING;
        row[node] = -2.0 * SMOOTHING;
        row[node + 1] = SMOOTHING;
        rows.push(row);
        values.push(0.0);
    }
    let mut profile = linear(&rows, &values)?.coefficients;
    let mean = profile.iter().sum::<f64>() / NODES as f64;
    profile.iter_mut().for_each(|p| *p /= mean);
    let darkest = profile.iter().copied().fold(f64::INFINITY, f64::min);
    // Written so that no number is refused too.
    if !(mean > 0.0 && darkest > DARKEST) {
        warnings.push(format!(
            "The flat captures fall below {:.0} % of their mean, where no factor can mend brightness: \
             they were not used. Check the box and the dark captures.",
            100.0 * DARKEST
        ));
        return Ok(None);
    }
    Ok(Some(Flat { width, profile }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::{Black, Exposure};
    use crate::season::IrradianceLaw;

    const WIDTH: usize = 640;

    fn fall_off(x: f64) -> f64 {
        1.0 - 0.6 * (x / WIDTH as f64 - 0.5).powi(2) * 4.0
    }

    /// A picture of an even surface in 16-bit linear codes.
    fn picture(width: usize) -> Picture {
        let codes = (0..4 * width).flat_map(|i| {
            let x = (i % width) as f64 + 0.5;
            [1.0, 0.6, 0.2].map(|c| (60_000.0 * c * fall_off(x)) as u16)
        });
        Picture::from_rgb16(width, 4, codes.collect()).unwrap()
    }

    fn reduction() -> Reduction<'static> {
        Reduction {
            black: Black {
                signal: [0.0; 3],
                sd: [0.0; 3],
            },
            exposure: Exposure::default(),
            irradiance: IrradianceLaw::Fan,
            height_m: 6.0,
            flat: None,
        }
    }

    fn sliced(width: usize, from: usize, to: usize) -> Slices {
        let region = Region {
            x: from,
            y: 0,
            width: to - from,
            height: 4,
        };
        let depth = BitDepth::SIXTEEN;
        let capture = Capture::default();
        slices(&picture(width), region, &Response::Linear, depth, capture).unwrap()
    }

    #[test]
    fn the_fall_off_comes_back_from_one_flat_and_from_two_halves() {
        let whole = [(2, sliced(WIDTH, 0, WIDTH))];
        let halves = [(2, sliced(WIDTH, 0, 320)), (3, sliced(WIDTH, 320, WIDTH))];
        for flats in [&whole[..], &halves[..]] {
            let mut warnings = Vec::new();
            let flat = profile(flats, &reduction(), &mut warnings)
                .unwrap()
                .unwrap();
            assert!(warnings.is_empty(), "{warnings:?}");
            let middle = flat.at(320.0);
            for x in [10.0, 100.0, 250.0, 320.0, 500.0, 630.0] {
                let found = flat.at(x) / middle;
                // Slices and nodes 20 pixels apart round the curve off by this much.
                assert!((found - fall_off(x)).abs() < 0.01, "{x}: {found}");
            }
            let mean = flat.profile.iter().sum::<f64>() / flat.profile.len() as f64;
            assert!((mean - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_flat_of_half_the_width_is_not_used_and_two_widths_are_refused() {
        let mut warnings = Vec::new();
        let half = [(2, sliced(WIDTH, 0, 320))];
        assert_eq!(profile(&half, &reduction(), &mut warnings).unwrap(), None);
        assert!(warnings[0].contains("% of the picture's width"));
        let two = [(2, sliced(WIDTH, 0, WIDTH)), (7, sliced(320, 0, 320))];
        let error = profile(&two, &reduction(), &mut warnings).unwrap_err();
        let text = error.to_string();
        assert!(text.contains('7') && text.contains("320"), "{text}");
    }

    #[test]
    fn pictures_of_another_width_and_unknown_places_are_left_as_they_are() {
        let flat = Flat {
            width: 100,
            profile: vec![0.5, 1.5],
        };
        let at = |column| {
            flat.of(&Capture {
                column,
                ..Capture::default()
            })
        };
        assert_eq!(at(None), 1.0);
        let column = |width| Some(crate::signal::Column { center: 0.0, width });
        assert_eq!(at(column(200)), 1.0);
        assert_eq!(at(column(100)), 0.5);
    }
}
