//! A strip as recorded beside its probability of a positive, with the candidates numbered.

use crate::Result;
use crate::report::drawing::*;
use crate::report::numbers::significant;
use std::fmt::Write;

/// A candidate's box in pixels of the strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripCandidate {
    /// Its number.
    pub number: u64,
    /// Left edge, top edge, width and height in px of the strip.
    pub area: [f64; 4],
    /// Whether it is novel: unlike anything in the ledger.
    pub novel: bool,
}

/// A box of marked truth in pixels of the strip.
#[derive(Debug, Clone, PartialEq)]
pub struct StripMark {
    /// Left edge, top edge, width and height in px of the strip.
    pub area: [f64; 4],
    /// What is there.
    pub label: String,
}

/// What the overview shows.
#[derive(Debug, Clone, Copy)]
pub struct StripOverview<'a> {
    /// The strip's name.
    pub stem: &'a str,
    /// Size of the strip in px.
    pub size: (u32, u32),
    /// Whether the flight goes from left to right and not from top to bottom.
    pub lying: bool,
    /// The factor by which code values of the picture were multiplied to be seen.
    pub brightened: u32,
    /// Whether the colors come from a calibration.
    pub calibrated: bool,
    /// The strip as a PNG, of any size.
    pub picture_png: &'a [u8],
    /// The probability of a positive as a PNG, of any size.
    pub probability_png: &'a [u8],
    /// The probability that its brightest color stands for.
    pub brightest: f64,
    /// The candidates.
    pub candidates: &'a [StripCandidate],
    /// Marked truth, where there is some.
    pub marks: &'a [StripMark],
}

/// Candidates that carry their number; more could not be read.
const MOST_NUMBERED: usize = 40;

/// Draws both pictures at one scale with the candidates' boxes.
pub fn strip_overview(data: &StripOverview) -> Result<Figure> {
    let (width, height) = (f64::from(data.size.0.max(1)), f64::from(data.size.1.max(1)));
    let wide = width > 1.6 * height;
    let (left, top, gap) = (12.0, 26.0, 26.0);
    let room = WIDTH - 2.0 * left;
    let (scale, second) = match wide {
        true => {
            let scale = (room / width).min(420.0 / height);
            (scale, (0.0, height * scale + gap + 14.0))
        }
        false => {
            let scale = ((room - gap) / 2.0 / width).min(640.0 / height);
            (scale, (width * scale + gap, 0.0))
        }
    };
    let (w, h) = (width * scale, height * scale);
    let bottom = top + second.1 + h;
    let mut under = String::new();
    for (png, (dx, dy)) in [
        (data.picture_png, (0.0, 0.0)),
        (data.probability_png, second),
    ] {
        let _ = writeln!(
            under,
            "<image x=\"{:.0}\" y=\"{:.0}\" width=\"{:.0}\" height=\"{:.0}\" preserveAspectRatio=\"none\" \
             href=\"data:image/png;base64,{}\"/>",
            10.0 * (left + dx),
            10.0 * (top + dy),
            10.0 * w,
            10.0 * h,
            base64(png)
        );
    }
    let novel = data.candidates.iter().filter(|c| c.novel).count();
    let numbered = match data.candidates.len() > MOST_NUMBERED {
        true => format!(" The first {MOST_NUMBERED} carry their number."),
        false => String::new(),
    };
    let marked = match data.marks.len() {
        0 => String::new(),
        n => format!(" {n} places of marked truth have a dotted box."),
    };
    let entries = [
        (Key::Line(Stroke::new(rim(false), 2.2)), "candidate"),
        (Key::Line(Stroke::new(rim(true), 2.2)), "novel candidate"),
        (
            Key::Line(Stroke::new(INK, 1.2).dashed(1.5, 2.0)),
            "marked truth",
        ),
    ];
    let shown = [true, novel > 0, !data.marks.is_empty()];
    let entries: Vec<(Key, String)> = entries
        .into_iter()
        .zip(shown)
        .filter(|(_, shown)| *shown)
        .map(|((key, text), _)| (key, text.to_string()))
        .collect();
    let sheet = Sheet {
        name: &format!("strip-{}", data.stem),
        title: &format!(
            "Strip {}: as recorded, and the probability of a positive",
            data.stem
        ),
        description: format!(
            "{} by {} px, one laser line a frame, the flight going {}.{} {} candidates, {novel} of them novel; numbers are those of candidates.csv, left out where they would cover another.{numbered}{marked} \
             Brighter in the second picture is more probable; its brightest color stands for {}.{}",
            data.size.0,
            data.size.1,
            match data.lying {
                true => "from left to right",
                false => "from top to bottom",
            },
            match data.brightened {
                1 => String::new(),
                n => format!(" The first picture is brightened {n} times."),
            },
            data.candidates.len(),
            significant(data.brightest, 2),
            match data.calibrated {
                true => "",
                false => " The colors are not calibrated.",
            }
        ),
        width: WIDTH,
        height: bottom + 8.0,
        legend: entries,
        under,
    };
    sheet.draw(|pen| {
        let head = Words::new(11.5).muted();
        pen.text((left, top - 11.0), "as recorded", head);
        pen.text(
            (left + second.0, top + second.1 - 11.0),
            "probability of a positive",
            head,
        );
        for (dx, dy) in [(0.0, 0.0), second] {
            let corner = |x: f64, y: f64| (left + dx + x * scale, top + dy + y * scale);
            pen.closed(
                &corners(corner, [0.0, 0.0, width, height], 0.0),
                Stroke::new(FAINT, 0.8),
            );
            for mark in data.marks {
                let path = corners(corner, mark.area, 3.5);
                pen.closed(&path, Stroke::new(PAPER, 1.6));
                pen.closed(&path, Stroke::new(INK, 1.0).dashed(1.5, 2.0));
            }
            for candidate in data.candidates {
                let path = corners(corner, candidate.area, 1.5);
                pen.closed(&path, Stroke::new(INK, 2.6));
                pen.closed(&path, Stroke::new(rim(candidate.novel), 1.3));
            }
        }
        let place = Place {
            left: left + second.0,
            top: top + second.1,
            width: w,
            height: h,
        };
        number(pen, place, scale, data.candidates);
    })
}

fn rim(novel: bool) -> plotters::style::RGBColor {
    match novel {
        true => series_ink(5).color,
        false => plotters::style::RGBColor(255, 138, 60),
    }
}

fn corners(corner: impl Fn(f64, f64) -> At, [x, y, w, h]: [f64; 4], room: f64) -> Vec<At> {
    let (a, b) = (corner(x, y), corner(x + w, y + h));
    vec![
        (a.0 - room, a.1 - room),
        (b.0 + room, a.1 - room),
        (b.0 + room, b.1 + room),
        (a.0 - room, b.1 + room),
    ]
}

/// Numbers in small plates beside the boxes; one that would cover another is left out.
fn number(pen: &Pen, place: Place, scale: f64, candidates: &[StripCandidate]) {
    let words = Words::new(10.5).bold().color(PAPER).centered();
    let mut taken: Vec<(At, f64)> = Vec::new();
    for candidate in candidates.iter().take(MOST_NUMBERED) {
        let [x, y, w, h] = candidate.area.map(|v| v * scale);
        let text = candidate.number.to_string();
        let half = pen.width(&text, words) / 2.0 + 3.0;
        let center = (place.left + x + w / 2.0, place.top + y + h / 2.0);
        let (aside, above) = (w / 2.0 + half + 3.0, h / 2.0 + 9.0);
        let sides = [(0.0, -above), (0.0, above), (aside, 0.0), (-aside, 0.0)];
        let inside = |at: At| {
            at.0 > place.left + half
                && at.0 < place.left + place.width - half
                && at.1 > place.top + 7.0
                && at.1 < place.top + place.height - 7.0
        };
        let free = |at: At| {
            let apart = |to: At, reach: At| {
                (to.0 - at.0).abs() > half + reach.0 || (to.1 - at.1).abs() > 6.5 + reach.1
            };
            let clear_of_box = |c: &StripCandidate| {
                let [x, y, w, h] = c.area.map(|v| v * scale);
                let middle = (place.left + x + w / 2.0, place.top + y + h / 2.0);
                c.number == candidate.number || apart(middle, (w / 2.0, h / 2.0))
            };
            taken.iter().all(|(t, other)| apart(*t, (*other, 6.5)))
                && candidates.iter().all(clear_of_box)
        };
        let spots = sides.map(|(dx, dy)| (center.0 + dx, center.1 + dy));
        let covers_no_plate = |at: At| {
            taken
                .iter()
                .all(|(to, other)| (to.0 - at.0).abs() > half + other || (to.1 - at.1).abs() > 13.0)
        };
        let best = spots.iter().find(|s| inside(**s) && free(**s));
        let Some(&at) = best.or(spots.iter().find(|s| inside(**s) && covers_no_plate(**s))) else {
            continue;
        };
        pen.fill_box(
            (at.0 - half, at.1 - 6.5),
            (at.0 + half, at.1 + 6.5),
            INK,
            0.85,
        );
        pen.text(at, &text, words);
        taken.push((at, half));
    }
}

/// Bytes in base 64 (RFC 4648, section 4).
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let word = three
            .iter()
            .fold(0u32, |word, byte| (word << 8) | u32::from(*byte))
            << (8 * (3 - three.len()));
        for i in 0..4 {
            match i <= three.len() {
                true => text.push(LETTERS[(word >> (18 - 6 * i)) as usize & 63] as char),
                false => text.push('='),
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn base64_gives_the_vectors_of_rfc_4648() {
        let vectors = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, coded) in vectors {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    fn png(width: u32, height: u32, color: impl Fn(u32, u32) -> [u8; 3]) -> Vec<u8> {
        let picture = image::RgbImage::from_fn(width, height, |x, y| image::Rgb(color(x, y)));
        let mut bytes = std::io::Cursor::new(Vec::new());
        picture
            .write_to(&mut bytes, image::ImageFormat::Png)
            .unwrap();
        bytes.into_inner()
    }

    #[test]
    fn candidates_are_numbered_in_tall_and_in_wide_strips() {
        for (width, height, name) in [(180, 320, "strip-tall"), (420, 120, "strip-wide")] {
            let glow = |x: u32, y: u32| ((x * 7 + y * 13) % 50) as u8;
            let picture = png(width, height, |x, y| {
                [20 + glow(x, y) / 3, 40 + glow(x, y) / 2, 30]
            });
            let probability = png(width, height, |x, y| [glow(x, y); 3]);
            let candidates: Vec<StripCandidate> = (0..7)
                .map(|i| StripCandidate {
                    number: i + 1,
                    area: [
                        (i * 53 % (u64::from(width) - 20)) as f64,
                        (i * 97 % (u64::from(height) - 20)) as f64,
                        12.0,
                        9.0,
                    ],
                    novel: i == 4,
                })
                .collect();
            let marks = [StripMark {
                area: candidates[1].area,
                label: "bone".to_string(),
            }];
            let figure = strip_overview(&StripOverview {
                stem: "north-1",
                size: (width, height),
                lying: false,
                brightened: 1,
                calibrated: true,
                picture_png: &picture,
                probability_png: &probability,
                brightest: 1.0,
                candidates: &candidates,
                marks: &marks,
            })
            .unwrap();
            trial::keep_as(&figure, name);
            assert!(figure.description.contains("7 candidates, 1 of them novel"));
        }
    }
}
