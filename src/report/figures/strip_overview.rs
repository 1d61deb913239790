//! A strip as recorded beside its probability of a positive, with the candidates numbered.

use super::glow_scale::GlowScale;
use crate::Result;
use crate::report::drawing::*;
use plotters::style::RGBColor;
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
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripMark {
    /// Left edge, top edge, width and height in px of the strip.
    pub area: [f64; 4],
    /// Whether what is there is worth a walk.
    pub positive: bool,
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
    /// The probability of a positive as a PNG, of any size, in the colors of `scale`.
    pub probability_png: &'a [u8],
    /// What the colors of the probability stand for.
    pub scale: GlowScale,
    /// The probability from which on a glow is walked to.
    pub cut: f64,
    /// The candidates.
    pub candidates: &'a [StripCandidate],
    /// Marked truth, where there is some.
    pub marks: &'a [StripMark],
}

/// Candidates that carry their number; more could not be read.
const MOST_NUMBERED: usize = 40;

/// A kind of open mark on the pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Walk,
    Novel,
    MarkedPositive,
    MarkedOther,
}

impl Kind {
    const ALL: [Kind; 4] = [
        Kind::Walk,
        Kind::Novel,
        Kind::MarkedPositive,
        Kind::MarkedOther,
    ];

    fn of_candidate(candidate: &StripCandidate) -> Self {
        match candidate.novel {
            true => Kind::Novel,
            false => Kind::Walk,
        }
    }

    fn of_mark(mark: &StripMark) -> Self {
        match mark.positive {
            true => Kind::MarkedPositive,
            false => Kind::MarkedOther,
        }
    }

    fn count(self, data: &StripOverview) -> usize {
        let candidates = data.candidates.iter().map(Kind::of_candidate);
        let marks = data.marks.iter().map(Kind::of_mark);
        candidates.chain(marks).filter(|kind| *kind == self).count()
    }

    fn words(self) -> &'static str {
        match self {
            Kind::Walk => "candidate",
            Kind::Novel => "novel candidate",
            Kind::MarkedPositive => "marked as positive",
            Kind::MarkedOther => "marked as something else",
        }
    }

    fn outline(self) -> Outline {
        match self {
            Kind::Walk => Outline::Corners,
            Kind::Novel => Outline::Rhombus,
            Kind::MarkedPositive => Outline::Ring,
            Kind::MarkedOther => Outline::Sides,
        }
    }

    fn color(self) -> RGBColor {
        match self {
            Kind::Walk => RGBColor(255, 138, 60),
            Kind::Novel => RGBColor(222, 168, 255),
            Kind::MarkedPositive => RGBColor(96, 196, 255),
            Kind::MarkedOther => RGBColor(226, 229, 234),
        }
    }

    /// Where a circle stands beside brackets it is the outer one.
    fn room(self) -> f64 {
        match self {
            Kind::MarkedPositive => 3.5,
            _ => 2.0,
        }
    }

    fn draw(self, pen: &Pen, from: At, to: At) {
        let width = match self {
            Kind::MarkedOther => 0.9,
            _ => 1.5,
        };
        let stroke = Stroke::new(self.color(), width);
        self.outline().around(pen, from, to, self.room(), stroke);
    }
}

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
    let places = [(left, top), (left + second.0, top + second.1)];
    let mut under = String::new();
    for (png, (x, y)) in [data.picture_png, data.probability_png].iter().zip(places) {
        let _ = writeln!(
            under,
            "<image x=\"{:.0}\" y=\"{:.0}\" width=\"{:.0}\" height=\"{:.0}\" preserveAspectRatio=\"none\" \
             href=\"data:image/png;base64,{}\"/>",
            10.0 * x,
            10.0 * y,
            10.0 * w,
            10.0 * h,
            base64(png)
        );
    }
    let sheet = Sheet {
        name: &format!("strip-{}", data.stem),
        title: &format!(
            "Strip {}: as recorded, and the probability of a positive",
            data.stem
        ),
        description: description(data),
        width: WIDTH,
        height: bottom + 12.0 + GlowScale::HEIGHT,
        legend: Kind::ALL
            .into_iter()
            .filter(|kind| kind.count(data) > 0)
            .map(|kind| {
                let key = Key::Mark(kind.outline(), kind.color());
                (key, kind.words().to_string())
            })
            .collect(),
        under,
    };
    sheet.draw(|pen| {
        let head = Words::new(11.5).muted();
        let heads = ["as recorded", "probability of a positive"];
        for ((x, y), words) in places.into_iter().zip(heads) {
            pen.text((x, y - 11.0), words, head);
        }
        for (at, shown) in places.into_iter().zip([&Kind::ALL[..], &Kind::ALL[..3]]) {
            draw_picture(pen, at, scale, data, shown);
        }
        let (x, y) = places[1];
        let place = Place {
            left: x,
            top: y,
            width: w,
            height: h,
        };
        number(pen, place, scale, data.candidates);
        let at = (x + 10.0, bottom + 12.0);
        data.scale.draw(pen, at, (w - 30.0).min(320.0), data.cut);
    })
}

/// The edge of one picture and the marks of the kinds shown on it.
fn draw_picture(pen: &Pen, at: At, scale: f64, data: &StripOverview, shown: &[Kind]) {
    let corner = |x: f64, y: f64| (at.0 + x * scale, at.1 + y * scale);
    let (width, height) = (f64::from(data.size.0), f64::from(data.size.1));
    let edge = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)];
    pen.closed(&edge.map(|(x, y)| corner(x, y)), Stroke::new(FAINT, 0.8));
    let marks = data.marks.iter().map(|m| (Kind::of_mark(m), m.area));
    let candidates = data.candidates.iter();
    let candidates = candidates.map(|c| (Kind::of_candidate(c), c.area));
    for (kind, [x, y, w, h]) in marks.chain(candidates) {
        if shown.contains(&kind) {
            kind.draw(pen, corner(x, y), corner(x + w, y + h));
        }
    }
}

/// What is to be seen, for a caption.
fn description(data: &StripOverview) -> String {
    let mut told = format!(
        "{} by {} px, one laser line a frame, the flight going {}.",
        data.size.0,
        data.size.1,
        match data.lying {
            true => "from left to right",
            false => "from top to bottom",
        }
    );
    if data.brightened > 1 {
        told += &format!(
            " The first picture is brightened {} times.",
            data.brightened
        );
    }
    told += &format!(
        " Candidates: {}, {} of them novel; numbers are those of candidates.csv, left out where they would cover another.",
        data.candidates.len(),
        Kind::Novel.count(data)
    );
    if data.candidates.len() > MOST_NUMBERED {
        told += &format!(" The first {MOST_NUMBERED} carry their number.");
    }
    if !data.marks.is_empty() {
        told += &format!(
            " Marked as positive: {}; as something else, shown in the first picture only: {}. A circle without \
             brackets is a positive that was passed by; brackets without a circle are a walk in vain, if all that is worth a \
             walk is marked.",
            Kind::MarkedPositive.count(data),
            Kind::MarkedOther.count(data)
        );
    }
    told += " Colors of the second picture are even in the root of the probability.";
    if !data.calibrated {
        told += " The colors are not calibrated.";
    }
    told
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
            let marks = [1, 3].map(|at| StripMark {
                area: candidates[at].area,
                positive: at == 1,
            });
            let figure = strip_overview(&StripOverview {
                stem: "north-1",
                size: (width, height),
                lying: false,
                brightened: 1,
                calibrated: true,
                picture_png: &picture,
                probability_png: &probability,
                scale: GlowScale { brightest: 1.0 },
                cut: 0.02,
                candidates: &candidates,
                marks: &marks,
            })
            .unwrap();
            trial::keep_as(&figure, name);
            let told = &figure.description;
            assert!(told.contains("Candidates: 7, 1 of them novel"), "{told}");
            assert!(
                told.contains("Marked as positive: 1; as something else"),
                "{told}"
            );
            for words in [
                ">candidate<",
                ">novel candidate<",
                ">marked as positive<",
                ">marked as something else<",
                ">cut 0.020<",
            ] {
                assert!(figure.svg.contains(words), "{words}");
            }
        }
    }
}
