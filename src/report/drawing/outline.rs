//! Open marks around a box on a picture: each kind has a shape of its own, and hides nothing within.

use super::sheet::{At, Pen, Stroke};
use super::style::INK;
use plotters::style::RGBColor;

/// What is drawn around a box.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outline {
    /// A circle through its corners.
    Ring,
    /// Its four sides.
    Sides,
    /// Its four corners only.
    Corners,
    /// A rhombus through its corners.
    Rhombus,
}

impl Outline {
    /// Draws around the box between two corners, `room` px outside it, with a dark rim that parts it from any
    /// picture.
    pub fn around(self, pen: &Pen, from: At, to: At, room: f64, stroke: Stroke) {
        let rim = Stroke::new(INK, stroke.width + 1.4);
        for stroke in [rim, stroke] {
            for path in self.paths(from, to, room) {
                pen.line(&path, stroke);
            }
        }
    }

    /// The same as in a picture, as a key of a legend: about 14 px wide and high on night.
    pub fn key(self, pen: &Pen, center: At, color: RGBColor) {
        let chip = |x: f64, y: f64| (center.0 + x, center.1 + y);
        pen.fill_box(chip(-10.0, -8.0), chip(10.0, 8.0), NIGHT, 1.0);
        let half = match self {
            Outline::Ring => 3.6,
            Outline::Rhombus => 2.6,
            _ => 5.0,
        };
        let (from, to) = (chip(-half, -half), chip(half, half));
        self.around(pen, from, to, 0.0, Stroke::new(color, 1.5));
    }

    fn paths(self, from: At, to: At, room: f64) -> Vec<Vec<At>> {
        let center = ((from.0 + to.0) / 2.0, (from.1 + to.1) / 2.0);
        let (half_x, half_y) = (
            (to.0 - from.0).abs() / 2.0 + room,
            (to.1 - from.1).abs() / 2.0 + room,
        );
        let at = |x: f64, y: f64| (center.0 + x * half_x, center.1 + y * half_y);
        match self {
            Outline::Ring => {
                let radius = half_x.hypot(half_y);
                let around = (0..=40).map(|i| {
                    let (s, c) = (std::f64::consts::TAU * f64::from(i) / 40.0).sin_cos();
                    (center.0 + radius * c, center.1 + radius * s)
                });
                vec![around.collect()]
            }
            Outline::Sides => vec![
                [
                    (-1.0, -1.0),
                    (1.0, -1.0),
                    (1.0, 1.0),
                    (-1.0, 1.0),
                    (-1.0, -1.0),
                ]
                .map(|(x, y)| at(x, y))
                .to_vec(),
            ],
            Outline::Corners => [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
                .map(|(x, y)| vec![at(x, 0.4 * y), at(x, y), at(0.4 * x, y)])
                .to_vec(),
            Outline::Rhombus => vec![
                [
                    (-2.0, 0.0),
                    (0.0, -2.0),
                    (2.0, 0.0),
                    (0.0, 2.0),
                    (-2.0, 0.0),
                ]
                .map(|(x, y)| at(x, y))
                .to_vec(),
            ],
        }
    }
}

/// The dark that pictures of glow have.
const NIGHT: RGBColor = RGBColor(16, 18, 26);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_outline_crosses_the_box_that_it_is_around() {
        for outline in [
            Outline::Ring,
            Outline::Sides,
            Outline::Corners,
            Outline::Rhombus,
        ] {
            for path in outline.paths((10.0, 20.0), (30.0, 26.0), 1.0) {
                for pair in path.windows(2) {
                    for i in 0..=10 {
                        let t = f64::from(i) / 10.0;
                        let x = pair[0].0 + t * (pair[1].0 - pair[0].0);
                        let y = pair[0].1 + t * (pair[1].1 - pair[0].1);
                        let within = (10.0..30.0).contains(&x) && (20.0..26.0).contains(&y);
                        assert!(!within, "{outline:?} at {x}, {y}");
                    }
                }
            }
        }
    }
}
