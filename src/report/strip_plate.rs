//! From a scored strip to its overview.

use super::figures::{Figure, GlowScale, StripCandidate, StripMark, StripOverview, strip_overview};
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
    let probability = |peak: u8| f64::from(peak) / 255.0;
    let scale = GlowScale {
        brightest: probability(highest),
    };
    let peaks = overview.peak.iter().map(|p| scale.color(probability(*p)));
    let peaks: Vec<[u8; 3]> = peaks.collect();
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
    let check = result.check.as_ref();
    let is_positive = |label: &str| check.is_some_and(|check| check.is_positive(label));
    let marks: Vec<StripMark> = marks
        .iter()
        .map(|m| StripMark {
            area: turned([m.x, m.y, m.width, m.height].map(f64::from)),
            positive: is_positive(&m.label),
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
        scale,
        cut: result.threshold,
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
            night: None,
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
    use crate::strip::{MarkedLabel, StripCheck};

    #[test]
    fn a_long_strip_lies_on_its_side() {
        let mark = Mark {
            x: 28,
            y: 508,
            width: 18,
            height: 14,
            label: "bone".to_string(),
        };
        let mut found = result(240, 1000);
        found.check = Some(StripCheck {
            rule: String::new(),
            labels: vec![MarkedLabel {
                label: "bone".to_string(),
                positive: true,
                marked: 1,
                found: 1,
            }],
            recall: Some(1.0),
            hits: 1,
            false_alarms: 2,
            unmarked: 2,
            found_as_novel: 0,
            false_alarms_per_hectare: None,
        });
        let figure = strip_figure(&found, &[mark]).unwrap();
        trial::keep_as(&figure, "strip-lying");
        assert!(figure.description.contains("Marked as positive: 1;"));
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
    fn a_strip_read_back_without_its_picture_is_an_error() {
        let mut bare = result(100, 200);
        bare.overview = Overview::default();
        let error = strip_figure(&bare, &[]).unwrap_err().to_string();
        assert!(error.contains("score the strip again"), "{error}");
    }
}
