//! Colors that stay apart for color-blind readers and in grey, each with a shape of its own.

use super::outline::Outline;
use super::sheet::{At, Pen, Stroke, Words, measured};
use plotters::style::RGBColor;

/// Width of a figure in px.
pub(crate) const WIDTH: f64 = 700.0;

const fn hex(value: u32) -> RGBColor {
    RGBColor(
        (value >> 16) as u8,
        ((value >> 8) & 0xff) as u8,
        (value & 0xff) as u8,
    )
}

pub(crate) const INK: RGBColor = hex(0x1b2230);
pub(crate) const MUTED: RGBColor = hex(0x5a6270);
pub(crate) const FAINT: RGBColor = hex(0xa9afb9);
pub(crate) const GRID: RGBColor = hex(0xe7e9ed);
pub(crate) const PAPER: RGBColor = hex(0xffffff);

/// Ember first, for what is worth a walk. Found by maximizing the least distance in OKLab over
/// normal and simulated color-blind vision (Machado, Oliveira and Fernandes 2009), with a contrast
/// of 3 on white.
const PALETTE: [RGBColor; 8] = [
    hex(0xd4500f),
    hex(0x2d3077),
    hex(0x2f7e63),
    hex(0x7a1f5c),
    hex(0x837a24),
    hex(0x4193f2),
    hex(0x23390e),
    hex(0x9772d4),
];

/// Red, green and blue of the camera, told apart in grey too.
pub(crate) const CHANNELS: [Ink; 3] = [
    Ink {
        color: hex(0xc0392b),
        shape: Shape::Disc,
    },
    Ink {
        color: hex(0x2f7e43),
        shape: Shape::Square,
    },
    Ink {
        color: hex(0x26358c),
        shape: Shape::Up,
    },
];

/// The outline of a marker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    Disc,
    Square,
    Up,
    Diamond,
    Plus,
    Down,
    Cross,
    Star,
}

const SHAPES: [Shape; 8] = [
    Shape::Disc,
    Shape::Square,
    Shape::Up,
    Shape::Diamond,
    Shape::Plus,
    Shape::Down,
    Shape::Cross,
    Shape::Star,
];

impl Shape {
    /// Corners about (0, 0) of a marker that weighs as much as a disc of that radius.
    pub fn outline(self, radius: f64) -> Option<Vec<At>> {
        let turned = |count: usize, start: f64, radii: &[f64]| -> Vec<At> {
            (0..count)
                .map(|i| {
                    let angle = start + std::f64::consts::TAU * i as f64 / count as f64;
                    let r = radius * radii[i % radii.len()];
                    (r * angle.cos(), r * angle.sin())
                })
                .collect()
        };
        let quarter = std::f64::consts::FRAC_PI_4;
        let arms = |start: f64| -> Vec<At> {
            let (long, short): (f64, f64) = (1.3, 0.4);
            let corner = short.atan2(long);
            let reach = long.hypot(short);
            let inner = short * std::f64::consts::SQRT_2;
            (0..4)
                .flat_map(|i| {
                    let axis = start + 2.0 * quarter * f64::from(i);
                    [
                        (axis - corner, reach),
                        (axis + corner, reach),
                        (axis + quarter, inner),
                    ]
                })
                .map(|(angle, r)| (radius * r * angle.cos(), radius * r * angle.sin()))
                .collect()
        };
        Some(match self {
            Shape::Disc => return None,
            Shape::Square => turned(4, quarter, &[1.28]),
            Shape::Up => turned(3, -2.0 * quarter, &[1.42]),
            Shape::Down => turned(3, 2.0 * quarter, &[1.42]),
            Shape::Diamond => turned(4, 0.0, &[1.34]),
            Shape::Plus => arms(0.0),
            Shape::Cross => arms(quarter),
            Shape::Star => turned(10, -2.0 * quarter, &[1.5, 0.62]),
        })
    }
}

/// A color and a shape that go together.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ink {
    pub color: RGBColor,
    pub shape: Shape,
}

/// The ink of series `index`; beyond eight, colors come again with other shapes.
pub(crate) fn series_ink(index: usize) -> Ink {
    let round = index / PALETTE.len();
    Ink {
        color: PALETTE[index % PALETTE.len()],
        shape: SHAPES[(index + 3 * round) % SHAPES.len()],
    }
}

/// The ink of a glow class: positives take the embers in their order, the others the rest, so that
/// a class has the same ink in every figure.
pub(crate) fn class_ink(labels: &[String], positive: &[String], label: &str) -> Ink {
    let rank = |wanted: bool| {
        labels
            .iter()
            .filter(|l| positive.contains(l) == wanted)
            .position(|l| l == label)
    };
    match positive.iter().any(|p| p == label) {
        true => match rank(true).unwrap_or(0) {
            0 => series_ink(0),
            n => Ink {
                shape: SHAPES[n % SHAPES.len()],
                ..series_ink(0)
            },
        },
        false => series_ink(1 + rank(false).unwrap_or(0)),
    }
}

/// A ramp of one hue from paper (0) to deep blue (1), even in lightness.
pub(crate) fn ramp(share: f64) -> RGBColor {
    let t = share.clamp(0.0, 1.0);
    let mix = |from: f64, to: f64| (from + (to - from) * t).round() as u8;
    RGBColor(mix(247.0, 27.0), mix(249.0, 54.0), mix(252.0, 120.0))
}

/// What stands before a legend's words.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Key {
    Marker(Ink),
    Line(Stroke),
    /// A line with a marker on it.
    Both(Stroke, Ink),
    Band(RGBColor, f64),
    /// An open mark on a picture.
    Mark(Outline, RGBColor),
}

const LEGEND_LINE: f64 = 18.0;
const KEY_WIDTH: f64 = 26.0;

/// Height in px of a legend within `width`.
pub(crate) fn legend_height(width: f64, entries: &[(Key, String)]) -> f64 {
    measured(|pen| flow(pen, (0.0, 0.0), width, entries, true))
}

/// Sets a legend that flows over lines from `at`, within `width`; gives back its height.
pub(crate) fn legend(pen: &Pen, at: At, width: f64, entries: &[(Key, String)]) -> f64 {
    flow(pen, at, width, entries, false)
}

fn flow(pen: &Pen, at: At, width: f64, entries: &[(Key, String)], dry: bool) -> f64 {
    let words = Words::new(11.5);
    let (mut x, mut y) = at;
    for (key, text) in entries {
        let text = pen.shortened(text, words, width - KEY_WIDTH);
        let long = KEY_WIDTH + pen.width(&text, words) + 16.0;
        if x > at.0 && x + long - 16.0 > at.0 + width {
            x = at.0;
            y += LEGEND_LINE;
        }
        if !dry {
            let (left, middle) = (x, y + LEGEND_LINE / 2.0);
            let ends = [(left, middle), (left + 20.0, middle)];
            let center = (left + 10.0, middle);
            match *key {
                Key::Marker(ink) => pen.marker(center, ink.shape, 4.2, ink.color),
                Key::Line(stroke) => pen.line(&ends, stroke),
                Key::Both(stroke, ink) => {
                    pen.line(&ends, stroke);
                    pen.marker(center, ink.shape, 4.2, ink.color);
                }
                Key::Mark(outline, color) => outline.key(pen, center, color),
                Key::Band(color, opacity) => pen.fill_box(
                    (left, middle - 5.0),
                    (left + 20.0, middle + 5.0),
                    color,
                    opacity,
                ),
            }
            pen.text((left + KEY_WIDTH, middle), &text, words);
        }
        x += long;
    }
    y + LEGEND_LINE - at.1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colorimetry::{Primaries, Xyz, ciede2000};

    /// Machado, Oliveira and Fernandes 2009 (IEEE Trans. Vis. Comput. Graph. 15:1291), severity 1,
    /// on linear sRGB; values from memory. Rows of protan, deutan, tritan.
    const BLIND: [[[f64; 3]; 3]; 3] = [
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ],
    ];

    fn linear(color: RGBColor) -> [f64; 3] {
        [color.0, color.1, color.2].map(|c| crate::signal::srgb::decode(f64::from(c) / 255.0))
    }

    fn seen(color: RGBColor, by: Option<[[f64; 3]; 3]>) -> [f64; 3] {
        let rgb = linear(color);
        match by {
            None => rgb,
            Some(m) => m.map(|row| {
                let sum: f64 = row.iter().zip(rgb).map(|(a, b)| a * b).sum();
                sum.clamp(0.0, 1.0)
            }),
        }
    }

    fn difference(a: [f64; 3], b: [f64; 3]) -> f64 {
        let white = Primaries::SRGB.xyz([1.0; 3]).unwrap();
        let lab = |rgb: [f64; 3]| -> crate::colorimetry::Lab {
            let xyz: Xyz = Primaries::SRGB.xyz(rgb).unwrap();
            xyz.lab(white)
        };
        ciede2000(lab(a), lab(b))
    }

    #[test]
    fn colors_stay_apart_for_color_blind_readers() {
        let eyes = [None, Some(BLIND[0]), Some(BLIND[1]), Some(BLIND[2])];
        for colors in [&PALETTE[..], &CHANNELS.map(|c| c.color)[..]] {
            for eye in eyes {
                for (i, a) in colors.iter().enumerate() {
                    for b in &colors[..i] {
                        let apart = difference(seen(*a, eye), seen(*b, eye));
                        assert!(apart > 4.0, "{a:?} {b:?} {eye:?}: {apart}");
                    }
                }
            }
        }
    }

    #[test]
    fn every_color_can_be_read_on_white() {
        let luminance = |c: RGBColor| {
            let [r, g, b] = linear(c);
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        for color in PALETTE.into_iter().chain(CHANNELS.map(|c| c.color)) {
            let contrast = 1.05 / (luminance(color) + 0.05);
            assert!(contrast >= 3.0, "{color:?}: {contrast}");
        }
        for color in [INK, MUTED] {
            assert!(1.05 / (luminance(color) + 0.05) >= 4.5);
        }
    }

    #[test]
    fn no_two_of_the_first_sixteen_series_look_the_same() {
        for i in 0..16 {
            for j in 0..i {
                let (a, b) = (series_ink(i), series_ink(j));
                assert!(a.color != b.color || a.shape != b.shape, "{i} {j}");
            }
        }
        for i in 0..8 {
            for j in 0..i {
                assert_ne!(series_ink(i).shape, series_ink(j).shape, "{i} {j}");
            }
        }
    }

    #[test]
    fn a_class_has_the_same_ink_whatever_else_is_drawn() {
        let labels = ["bone", "calcite", "matrix"].map(String::from);
        let positive = [String::from("bone")];
        assert_eq!(class_ink(&labels, &positive, "bone").color, PALETTE[0]);
        assert_eq!(class_ink(&labels, &positive, "calcite").color, PALETTE[1]);
        assert_eq!(class_ink(&labels, &positive, "matrix").color, PALETTE[2]);
    }
}
