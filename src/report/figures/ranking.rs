//! What the ROC and the precision-recall figures share: several classifiers' curves.

use super::Span;
use crate::report::drawing::*;

/// One classifier's curve.
#[derive(Debug, Clone, PartialEq)]
pub struct RankingCurve {
    /// The classifier.
    pub name: String,
    /// Points in drawing order: (false alarm rate, recall), or (recall, precision).
    pub points: Vec<[f64; 2]>,
    /// What sums it up (area under the curve, average precision), where defined.
    pub summary: Option<Span>,
    /// Whether this is the chosen one.
    pub chosen: bool,
}

/// Dashes tell the curves apart in grey.
const DASHES: [Option<(f64, f64)>; 5] = [
    None,
    Some((8.0, 3.0)),
    Some((3.0, 2.5)),
    Some((12.0, 4.0)),
    Some((1.5, 2.5)),
];

pub(super) fn stroke_of(curves: &[RankingCurve], index: usize) -> Stroke {
    if curves[index].chosen {
        return Stroke::new(series_ink(0).color, 2.8);
    }
    let rank = curves[..index].iter().filter(|c| !c.chosen).count();
    let stroke = Stroke::new(series_ink(1 + rank % 7).color, 1.6);
    match DASHES[rank % DASHES.len()] {
        None => stroke,
        Some((on, off)) => stroke.dashed(on, off),
    }
}

/// The curves, the chosen one on top, with their names and summaries to the right.
pub(super) fn draw_curves(
    frame: &Frame,
    curves: &[RankingCurve],
    operating: Option<[f64; 2]>,
    summary: &str,
) {
    let pen = frame.pen;
    let chosen_last = (0..curves.len())
        .filter(|&i| !curves[i].chosen)
        .chain((0..curves.len()).filter(|&i| curves[i].chosen));
    for i in chosen_last {
        frame.curve(&curves[i].points, stroke_of(curves, i));
    }
    if let Some([x, y]) = operating {
        let at = frame.at(x, y);
        pen.circle(at, 6.0, PAPER);
        pen.ring(at, 6.0, Stroke::new(INK, 2.0));
        pen.circle(at, 2.4, INK);
    }
    let left = frame.right() + 26.0;
    let mut y = frame.place.top + 4.0;
    pen.text((left + 28.0, y), summary, Words::new(11.0).muted());
    y += 22.0;
    for (i, curve) in curves.iter().enumerate() {
        let ends = [(left, y), (left + 22.0, y)];
        pen.line(&ends, stroke_of(curves, i));
        let name = match curve.chosen {
            true => format!("{} (chosen)", curve.name),
            false => curve.name.clone(),
        };
        let name = pen.shortened(&name, Words::new(12.0), WIDTH - left - 34.0);
        pen.text((left + 28.0, y), &name, Words::new(12.0));
        let figure = match curve.summary {
            Some(s) => s.told(3),
            None => "not defined".to_string(),
        };
        pen.text((left + 28.0, y + 15.0), &figure, Words::new(11.0).muted());
        y += 38.0;
    }
    if operating.is_some() {
        pen.ring((left + 11.0, y), 6.0, Stroke::new(INK, 2.0));
        pen.circle((left + 11.0, y), 2.4, INK);
        pen.text((left + 28.0, y), "at the cut evaluated", Words::new(12.0));
    }
}

/// The curves' summaries as a sentence.
pub(super) fn told(curves: &[RankingCurve]) -> String {
    let parts: Vec<String> = curves
        .iter()
        .filter_map(|c| {
            let s = c.summary?;
            Some(format!("{} {}", c.name, s.told(3)))
        })
        .collect();
    parts.join(", ")
}
