//! From a scored strip to its overview.

use super::figures::{Figure, StripCandidate, StripMark, StripOverview, strip_overview};
use crate::strip::{Mark, Overview, StripResult};
use crate::{Error, Result};

/// The overview of a scored strip: `strips/<stem>/overview.svg`.
///
/// A strip that is longer than wide lies on its side, the flight going from left to right.
///
/// # Errors
/// A strip without its small picture (one that was read back from JSON has none).
pub fn strip_figure(result: &StripResult, marks: &[Mark]) -> Result<Figure> {
    let overview = &result.overview;
    let tiles = overview.width as usize * overview.height as usize;
    if tiles == 0 || overview.color.len() != tiles || overview.peak.len() != tiles {
        return Err(
            Error::too_little(format!("strip {} has no small picture", result.strip))
                .remedy("score the strip again"),
        );
    }
    let lying = result.rows > result.width;
    let (brightened, gain) = brightened(&overview.color);
    // Bone may be worth a walk at a few per cent: the color goes as far as this strip does.
    let highest = overview.peak.iter().copied().max().unwrap_or(0).max(1);
    let share = |peak: u8| f64::from(peak) / f64::from(highest);
    let peaks: Vec<[u8; 3]> = overview.peak.iter().map(|p| glow(share(*p))).collect();
    let turned = |[x, y, w, h]: [f64; 4]| if lying { [y, x, h, w] } else { [x, y, w, h] };
    let candidates: Vec<StripCandidate> = result
        .candidates
        .iter()
        .map(|c| StripCandidate {
            number: c.number,
            area: turned([c.x, c.y, c.width, c.height].map(f64::from)),
            novel: c.novel,
        })
        .collect();
    let marks: Vec<StripMark> = marks
        .iter()
        .map(|m| StripMark {
            area: turned([m.x, m.y, m.width, m.height].map(f64::from)),
            label: m.label.clone(),
        })
        .collect();
    strip_overview(&StripOverview {
        stem: &result.strip,
        size: match lying {
            true => (result.rows, result.width),
            false => (result.width, result.rows),
        },
        lying,
        brightened: gain,
        calibrated: result.calibrated,
        picture_png: &png(overview, &brightened, lying)?,
        probability_png: &png(overview, &peaks, lying)?,
        brightest: f64::from(highest) / 255.0,
        candidates: &candidates,
        marks: &marks,
    })
}

/// The colors times a whole factor that brings all but the brightest hundredth near full scale.
fn brightened(colors: &[[u8; 3]]) -> (Vec<[u8; 3]>, u32) {
    let mut brightest: Vec<u8> = colors
        .iter()
        .map(|c| c.iter().copied().max().unwrap_or(0))
        .collect();
    brightest.sort_unstable();
    let high = brightest[(brightest.len() - 1) * 99 / 100].max(1);
    let gain = (240 / u32::from(high)).clamp(1, 8);
    let times = |code: u8| (u32::from(code) * gain).min(255) as u8;
    (colors.iter().map(|c| c.map(times)).collect(), gain)
}

/// Night to ember to pale, rising in lightness, for a share of 0 to 1.
fn glow(share: f64) -> [u8; 3] {
    const STOPS: [[f64; 3]; 4] = [
        [16.0, 18.0, 26.0],
        [92.0, 34.0, 40.0],
        [226.0, 104.0, 38.0],
        [255.0, 236.0, 190.0],
    ];
    let at = 3.0 * share;
    let from = (at.floor() as usize).min(2);
    let within = at - from as f64;
    std::array::from_fn(|i| {
        (STOPS[from][i] + within * (STOPS[from + 1][i] - STOPS[from][i])).round() as u8
    })
}

fn png(overview: &Overview, colors: &[[u8; 3]], lying: bool) -> Result<Vec<u8>> {
    let (width, height) = (overview.width, overview.height);
    let at = |x: u32, y: u32| image::Rgb(colors[(y * width + x) as usize]);
    let picture = match lying {
        true => image::RgbImage::from_fn(height, width, |x, y| at(y, x)),
        false => image::RgbImage::from_fn(width, height, at),
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture
        .write_to(&mut bytes, image::ImageFormat::Png)
        .map_err(|e| Error::input(format!("the small picture cannot be written as PNG: {e}")))?;
    Ok(bytes.into_inner())
}

/// A made-up strip.
#[cfg(test)]
pub(super) mod trial {
    use super::*;
    use crate::strip::{Candidate, PixelCounts};

    pub fn result(width: u32, rows: u32) -> StripResult {
        let scale = 2;
        let (across, along) = (width / scale, rows / scale);
        let bone = |x: u32, y: u32| (x / 4 + y / 3).is_multiple_of(17) && (y / 9) % 4 == 1;
        let tiles = || (0..along).flat_map(move |y| (0..across).map(move |x| (x, y)));
        let candidate = |number: u64, x: u32, y: u32, novel: bool| Candidate {
            number,
            x,
            y,
            width: 14,
            height: 10,
            pixels: 60,
            peak: 0.9,
            mean: 0.6,
            u: 0.23,
            v: 0.5,
            luminance: 0.1,
            class: "bone".to_string(),
            novel,
            place: None,
            nearest_photo: None,
        };
        StripResult {
            strip: "north-1".to_string(),
            rows,
            width,
            bit_depth: 8,
            calibrated: false,
            threshold: 0.02,
            min_pixels: 6,
            pixels: PixelCounts::default(),
            patches: 40,
            walks: 3,
            novel: 1,
            ground: None,
            patches_per_hectare: None,
            walks_per_hectare: None,
            legend: Vec::new(),
            check: None,
            warnings: Vec::new(),
            candidates: vec![
                candidate(1, 20, 14, false),
                candidate(2, 30, rows / 2, true),
                candidate(3, width - 40, rows - 60, false),
                candidate(4, width - 40, rows - 46, false),
            ],
            glows: Vec::new(),
            overview: Overview {
                scale,
                width: across,
                height: along,
                color: tiles()
                    .map(|(x, y)| {
                        if bone(x, y) {
                            [60, 44, 20]
                        } else {
                            [14, 26, 16]
                        }
                    })
                    .collect(),
                peak: tiles()
                    .map(|(x, y)| if bone(x, y) { 220 } else { 4 })
                    .collect(),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::trial::result;
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn a_long_strip_lies_on_its_side() {
        let mark = Mark {
            x: 28,
            y: 508,
            width: 18,
            height: 14,
            label: "bone".to_string(),
        };
        let figure = strip_figure(&result(240, 1000), &[mark]).unwrap();
        trial::keep_as(&figure, "strip-lying");
        assert!(figure.description.contains("from left to right"));
        assert!(figure.description.contains("not calibrated"));
        let upright = strip_figure(&result(400, 300), &[]).unwrap();
        trial::keep_as(&upright, "strip-upright");
        assert!(upright.description.contains("from top to bottom"));
    }

    #[test]
    fn a_dark_strip_is_brightened_by_a_stated_factor() {
        let (colors, gain) = brightened(&[[10, 20, 30], [60, 40, 20]]);
        assert_eq!(gain, 8);
        assert_eq!(colors[0], [80, 160, 240]);
        assert_eq!(brightened(&[[200, 10, 0]; 4]).1, 1);
    }

    #[test]
    fn probability_rises_in_lightness() {
        let lightness = |p: u8| {
            let [r, g, b] = glow(f64::from(p) / 255.0).map(f64::from);
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        for p in 1..=255 {
            assert!(lightness(p) >= lightness(p - 1), "{p}");
        }
    }

    #[test]
    fn a_strip_read_back_without_its_picture_is_an_error() {
        let mut bare = result(100, 200);
        bare.overview = Overview::default();
        let error = strip_figure(&bare, &[]).unwrap_err().to_string();
        assert!(error.contains("score the strip again"), "{error}");
    }
}
