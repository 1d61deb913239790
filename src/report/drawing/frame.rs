//! A plot's frame: axes around a box, and curves, areas and markers cut off at its edges.

use super::axis::Axis;
use super::sheet::{At, Pen, Stroke, Words};
use super::style::{GRID, INK, Ink, MUTED};
use plotters::style::RGBColor;

/// Where a frame's inner box lies on the sheet, in px.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    pub left: f64,
    pub top: f64,
    pub width: f64,
    pub height: f64,
}

/// A box on the sheet with an axis below and one to the left.
pub(crate) struct Frame<'p, 'b> {
    pub pen: &'p Pen<'b>,
    pub place: Place,
    pub x: Axis,
    pub y: Axis,
}

const TICK: f64 = 11.0;
const LABEL: f64 = 12.0;

impl<'p, 'b> Frame<'p, 'b> {
    pub fn new(pen: &'p Pen<'b>, place: Place, x: Axis, y: Axis) -> Self {
        Frame { pen, place, x, y }
    }

    pub fn right(&self) -> f64 {
        self.place.left + self.place.width
    }

    pub fn bottom(&self) -> f64 {
        self.place.top + self.place.height
    }

    /// Where a point of the data lies on the sheet.
    pub fn at(&self, x: f64, y: f64) -> At {
        (
            self.place.left + self.place.width * self.x.share_of(x),
            self.bottom() - self.place.height * self.y.share_of(y),
        )
    }

    /// Grid, ticks and labels of both axes.
    pub fn axes(&self) {
        self.x_axis(true);
        self.y_axis();
        self.edges();
    }

    /// The line below and the line to the left.
    pub fn edges(&self) {
        let Place { left, top, .. } = self.place;
        let line = Stroke::new(INK, 1.0);
        let corner = (left, self.bottom());
        self.pen
            .line(&[(left, top), corner, (self.right(), corner.1)], line);
    }

    /// The lower axis; without words it has its grid only.
    pub fn x_axis(&self, words: bool) {
        let bottom = self.bottom();
        for (value, text) in &self.x.ticks {
            let (x, _) = self.at(*value, self.y.low);
            if self.x.grid {
                let grid = [(x, self.place.top), (x, bottom)];
                self.pen.line(&grid, Stroke::new(GRID, 1.0));
            }
            if words {
                if self.x.grid {
                    let tick = [(x, bottom), (x, bottom + 4.0)];
                    self.pen.line(&tick, Stroke::new(INK, 1.0));
                }
                let style = Words::new(TICK).muted().centered().below();
                self.pen.text((x, bottom + 7.0), text, style);
            }
        }
        if words {
            let middle = self.place.left + self.place.width / 2.0;
            let style = Words::new(LABEL).centered().below();
            self.pen.text((middle, bottom + 24.0), &self.x.label, style);
        }
    }

    /// The left axis.
    pub fn y_axis(&self) {
        let left = self.place.left;
        let style = Words::new(TICK).muted().ending();
        let mut widest: f64 = 0.0;
        for (value, text) in &self.y.ticks {
            let (_, y) = self.at(self.x.low, *value);
            if self.y.grid {
                let grid = [(left, y), (self.right(), y)];
                self.pen.line(&grid, Stroke::new(GRID, 1.0));
                let tick = [(left - 4.0, y), (left, y)];
                self.pen.line(&tick, Stroke::new(INK, 1.0));
            }
            self.pen.text((left - 8.0, y), text, style);
            widest = widest.max(self.pen.width(text, style));
        }
        let middle = self.place.top + self.place.height / 2.0;
        let style = Words::new(LABEL).centered().upwards();
        self.pen
            .text((left - 8.0 - widest - 14.0, middle), &self.y.label, style);
    }

    /// A curve through points of the data, cut at the frame.
    pub fn curve(&self, points: &[[f64; 2]], stroke: Stroke) {
        let mut piece: Vec<At> = Vec::new();
        for pair in points.windows(2) {
            let (a, b) = (
                self.at(pair[0][0], pair[0][1]),
                self.at(pair[1][0], pair[1][1]),
            );
            match clip_segment(a, b, self.place) {
                Some((from, to)) => {
                    if piece.last() != Some(&from) {
                        self.pen.line(&piece, stroke);
                        piece = vec![from];
                    }
                    piece.push(to);
                }
                None => {
                    self.pen.line(&piece, stroke);
                    piece.clear();
                }
            }
        }
        self.pen.line(&piece, stroke);
    }

    /// A filled area of the data, cut at the frame.
    pub fn area(&self, points: &[[f64; 2]], color: RGBColor, opacity: f64) {
        let path: Vec<At> = points.iter().map(|p| self.at(p[0], p[1])).collect();
        self.pen
            .fill(&clip_polygon(path, self.place), color, opacity);
    }

    /// The band between two curves over the same x.
    pub fn band(&self, low: &[[f64; 2]], high: &[[f64; 2]], color: RGBColor, opacity: f64) {
        let outline: Vec<[f64; 2]> = low.iter().chain(high.iter().rev()).copied().collect();
        self.area(&outline, color, opacity);
    }

    /// Whether a point of the data lies in the frame.
    pub fn holds(&self, x: f64, y: f64) -> bool {
        let inside = -1e-9..=1.0 + 1e-9;
        inside.contains(&self.x.share_of(x)) && inside.contains(&self.y.share_of(y))
    }

    /// A marker, if it lies in the frame.
    pub fn marker(&self, x: f64, y: f64, ink: Ink, radius: f64) {
        if self.holds(x, y) {
            self.pen.marker(self.at(x, y), ink.shape, radius, ink.color);
        }
    }

    /// An interval along y with caps.
    pub fn whisker(&self, x: f64, low: f64, high: f64, stroke: Stroke) {
        let clamp = |v: f64| v.clamp(self.y.low, self.y.high);
        let (a, b) = (self.at(x, clamp(low)), self.at(x, clamp(high)));
        self.pen.line(&[a, b], stroke);
        for end in [a, b] {
            self.pen
                .line(&[(end.0 - 3.0, end.1), (end.0 + 3.0, end.1)], stroke);
        }
    }

    /// An interval along x with caps.
    pub fn bar(&self, y: f64, low: f64, high: f64, stroke: Stroke) {
        let clamp = |v: f64| v.clamp(self.x.low, self.x.high);
        let (a, b) = (self.at(clamp(low), y), self.at(clamp(high), y));
        self.pen.line(&[a, b], stroke);
        for end in [a, b] {
            self.pen
                .line(&[(end.0, end.1 - 3.0), (end.0, end.1 + 3.0)], stroke);
        }
    }

    /// A line across the frame at a height of the data, with words above its right end.
    pub fn level(&self, y: f64, words: &str, stroke: Stroke) {
        if !self.holds(self.x.low, y) {
            return;
        }
        let (from, to) = (self.at(self.x.low, y), self.at(self.x.high, y));
        self.pen.line(&[from, to], stroke);
        let style = Words::new(11.0).color(MUTED).ending();
        self.pen.text((to.0 - 3.0, to.1 - 8.0), words, style);
    }

    /// A line from bottom to top at a place of the data.
    pub fn upright(&self, x: f64, stroke: Stroke) {
        if self.holds(x, self.y.low) {
            let ends = [self.at(x, self.y.low), self.at(x, self.y.high)];
            self.pen.line(&ends, stroke);
        }
    }
}

/// The part of a segment inside a box (Liang and Barsky 1984).
fn clip_segment(a: At, b: At, place: Place) -> Option<(At, At)> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    if ![a.0, a.1, b.0, b.1].iter().all(|v| v.is_finite()) {
        return None;
    }
    let (mut from, mut to) = (0.0f64, 1.0f64);
    let edges = [
        (-dx, a.0 - place.left),
        (dx, place.left + place.width - a.0),
        (-dy, a.1 - place.top),
        (dy, place.top + place.height - a.1),
    ];
    for (speed, room) in edges {
        if speed == 0.0 {
            if room < 0.0 {
                return None;
            }
        } else if speed < 0.0 {
            from = from.max(room / speed);
        } else {
            to = to.min(room / speed);
        }
    }
    let point = |t: f64| (a.0 + t * dx, a.1 + t * dy);
    (from <= to).then(|| {
        (
            if from == 0.0 { a } else { point(from) },
            if to == 1.0 { b } else { point(to) },
        )
    })
}

/// The part of a polygon inside a box (Sutherland and Hodgman 1974).
fn clip_polygon(path: Vec<At>, place: Place) -> Vec<At> {
    let (right, bottom) = (place.left + place.width, place.top + place.height);
    let room = |p: At, side: usize| match side {
        0 => p.0 - place.left,
        1 => right - p.0,
        2 => p.1 - place.top,
        _ => bottom - p.1,
    };
    let mut path = path;
    for side in 0..4 {
        let mut kept = Vec::with_capacity(path.len() + 4);
        for (i, &here) in path.iter().enumerate() {
            let before = path[(i + path.len() - 1) % path.len()];
            let (a, b) = (room(before, side), room(here, side));
            if (a < 0.0) != (b < 0.0) {
                let t = a / (a - b);
                kept.push((
                    before.0 + t * (here.0 - before.0),
                    before.1 + t * (here.1 - before.1),
                ));
            }
            if b >= 0.0 {
                kept.push(here);
            }
        }
        path = kept;
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOX: Place = Place {
        left: 0.0,
        top: 0.0,
        width: 10.0,
        height: 10.0,
    };

    #[test]
    fn a_segment_is_cut_at_the_edges() {
        let (from, to) = clip_segment((-5.0, 5.0), (15.0, 5.0), BOX).unwrap();
        assert_eq!((from, to), ((0.0, 5.0), (10.0, 5.0)));
        assert!(clip_segment((-5.0, 5.0), (-1.0, 5.0), BOX).is_none());
    }

    #[test]
    fn a_polygon_around_the_box_becomes_the_box() {
        let around = vec![(-5.0, -5.0), (15.0, -5.0), (15.0, 15.0), (-5.0, 15.0)];
        let mut cut = clip_polygon(around, BOX);
        cut.sort_by(|a, b| a.partial_cmp(b).unwrap());
        assert_eq!(cut, [(0.0, 0.0), (0.0, 10.0), (10.0, 0.0), (10.0, 10.0)]);
    }
}
