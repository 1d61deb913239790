//! Names beside points, none on top of another.

use super::frame::Place;
use super::sheet::{At, Pen, Stroke, Words};
use super::style::FAINT;

/// A point with a name.
#[derive(Debug, Clone)]
pub(crate) struct Note {
    pub at: At,
    pub text: String,
}

#[derive(Debug, Clone, Copy)]
struct Box2 {
    left: f64,
    top: f64,
    right: f64,
    bottom: f64,
}

impl Box2 {
    fn overlap(&self, other: &Box2) -> f64 {
        let across = self.right.min(other.right) - self.left.max(other.left);
        let down = self.bottom.min(other.bottom) - self.top.max(other.top);
        across.max(0.0) * down.max(0.0)
    }
}

/// Writes each note near its point where it covers least: other notes, points, the frame's edge.
pub(crate) fn place_notes(
    pen: &Pen,
    place: Place,
    notes: &[Note],
    avoid: &[At],
    words: Words,
    size: f64,
) {
    let mut taken: Vec<Box2> = notes
        .iter()
        .map(|n| n.at)
        .chain(avoid.iter().copied())
        .map(|(x, y)| Box2 {
            left: x - 4.0,
            top: y - 4.0,
            right: x + 4.0,
            bottom: y + 4.0,
        })
        .collect();
    let frame = Box2 {
        left: place.left,
        top: place.top,
        right: place.left + place.width,
        bottom: place.top + place.height,
    };
    for note in notes {
        let width = pen.width(&note.text, words);
        let candidates = candidate_boxes(note.at, width, size);
        let cost = |candidate: &(f64, Box2)| {
            let (distance, area) = candidate;
            let whole = (area.right - area.left) * (area.bottom - area.top);
            let outside = whole - area.overlap(&frame);
            let covered: f64 = taken.iter().map(|t| t.overlap(area)).sum();
            10.0 * outside + 4.0 * covered + distance
        };
        let best = candidates
            .iter()
            .min_by(|a, b| cost(a).total_cmp(&cost(b)))
            .copied();
        if let Some((distance, area)) = best {
            let middle = (area.top + area.bottom) / 2.0;
            if distance > 14.0 {
                let near = (
                    note.at.0.clamp(area.left, area.right),
                    note.at.1.clamp(area.top, area.bottom),
                );
                pen.line(&[note.at, near], Stroke::new(FAINT, 0.8));
            }
            pen.text((area.left, middle), &note.text, words);
            taken.push(area);
        }
    }
}

/// Boxes around a point with their distance, nearest first and the right side preferred.
fn candidate_boxes((x, y): At, width: f64, size: f64) -> Vec<(f64, Box2)> {
    let mut boxes = Vec::new();
    for ring in 0..5 {
        let reach = 7.0 + 11.0 * f64::from(ring);
        for turn in 0..16 {
            let angle = std::f64::consts::TAU * f64::from(turn) / 16.0;
            let (dx, dy) = (angle.cos(), -angle.sin());
            let anchor = (x + reach * dx, y + reach * dy);
            let left = anchor.0 - width * (1.0 - dx) / 2.0;
            let top = anchor.1 - size * (1.0 - dy) / 2.0;
            boxes.push((
                reach,
                Box2 {
                    left,
                    top,
                    right: left + width,
                    bottom: top + size,
                },
            ));
        }
    }
    boxes
}
