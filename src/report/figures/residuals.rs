//! Where each target lies in u'v' and where the calibrated rig puts it.

use super::chromaticity::fitted;
use crate::Result;
use crate::report::drawing::*;

/// One target in u'v'.
#[derive(Debug, Clone, PartialEq)]
pub struct Residual {
    /// The target.
    pub target: String,
    /// Its reference (u', v').
    pub reference: [f64; 2],
    /// (u', v') as measured.
    pub measured: [f64; 2],
    /// Covariance of the measured, where known.
    pub covariance: Option<[[f64; 2]; 2]>,
}

/// Half-axis in standard deviations of an ellipse that holds 95 % of a bivariate normal.
const REACH_95: f64 = 2.447_746_83;

/// Draws arrows from reference to measured, made longer by a stated factor.
pub fn residuals(
    targets: &[Residual],
    locus: &[(f64, [f64; 2])],
    left_out: bool,
) -> Result<Figure> {
    let length =
        |t: &Residual| (t.measured[0] - t.reference[0]).hypot(t.measured[1] - t.reference[1]);
    let longest = targets.iter().map(length).fold(0.0, f64::max);
    let mean = targets.iter().map(length).sum::<f64>() / targets.len().max(1) as f64;
    let times = exaggeration(longest, spread(targets));
    let how = match left_out {
        true => "measured by a calibration that had not seen it",
        false => "measured by the calibration fitted to all",
    };
    let title =
        format!("Targets as measured, against their references (arrows {times} times as long)");
    let (reference, measured) = (series_ink(1), series_ink(0));
    let mut entries = vec![
        (Key::Marker(reference), "reference".to_string()),
        (
            Key::Line(Stroke::new(measured.color, 1.8)),
            format!("to where it was measured, {times} times"),
        ),
    ];
    if targets.iter().any(|t| t.covariance.is_some()) {
        entries.push((
            Key::Band(measured.color, 0.2),
            format!("95 % uncertainty, {times} times"),
        ));
    }
    if !locus.is_empty() {
        entries.push((
            Key::Line(Stroke::new(FAINT, 1.4)),
            "spectral locus".to_string(),
        ));
    }
    let tip = |t: &Residual| -> [f64; 2] {
        std::array::from_fn(|i| {
            t.reference[i] + f64::from(times) * (t.measured[i] - t.reference[i])
        })
    };
    let outlines: Vec<Option<Vec<[f64; 2]>>> = targets
        .iter()
        .map(|t| super::ellipse(tip(t), t.covariance?, REACH_95 * f64::from(times)))
        .collect();
    let mut shown: Vec<[f64; 2]> = targets.iter().flat_map(|t| [t.reference, tip(t)]).collect();
    shown.extend(outlines.iter().flatten().flatten());
    let (place, u, v) = view(&shown);
    let sheet = Sheet {
        name: "residuals",
        title: &title,
        description: format!(
            "Each arrow starts at the target's reference chromaticity and points to where it was {how}. Arrows and the \
             95 % uncertainty ellipses at their tips are drawn {times} times as large as they are. Mean distance {mean:.4}, largest {longest:.4} in u'v'."
        ),
        width: WIDTH,
        height: place.top + place.height + 46.0,
        legend: entries,
        under: String::new(),
    };
    sheet.draw(|pen| {
        let frame = Frame::new(
            pen,
            place,
            Axis::linear("u'", u.0, u.1, 8),
            Axis::linear("v'", v.0, v.1, (place.height / 55.0) as usize),
        );
        frame.axes();
        let path: Vec<[f64; 2]> = locus.iter().map(|l| l.1).collect();
        frame.curve(&path, Stroke::new(FAINT, 1.4));
        for outline in outlines.iter().flatten() {
            frame.area(outline, measured.color, 0.10);
            frame.curve(outline, Stroke::new(measured.color, 0.8).dashed(3.0, 2.0));
        }
        for target in targets {
            let (from, to) = (target.reference, tip(target));
            arrow(&frame, from, to, Stroke::new(measured.color, 1.8));
            frame.marker(from[0], from[1], reference, 3.6);
        }
        let notes: Vec<Note> = targets
            .iter()
            .map(|t| Note {
                at: frame.at(t.reference[0], t.reference[1]),
                text: t.target.clone(),
            })
            .collect();
        let rims = outlines
            .iter()
            .flatten()
            .flat_map(|o| o.iter().step_by(6).map(|p| frame.at(p[0], p[1])));
        let tips: Vec<At> = targets
            .iter()
            .flat_map(|t| {
                let (a, b) = (t.reference, tip(t));
                [0.35, 0.7, 1.0]
                    .map(|s| frame.at(a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1])))
            })
            .chain(rims)
            .collect();
        place_notes(pen, place, &notes, &tips, Words::new(11.0), 13.0);
    })
}

fn spread(targets: &[Residual]) -> f64 {
    let extent = |axis: usize| {
        let values = targets.iter().map(|t| t.reference[axis]);
        let (low, high) = values.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        (high - low).max(0.0)
    };
    extent(0).max(extent(1)).max(1e-3)
}

/// A round factor that makes the longest arrow about a tenth of the targets' spread.
fn exaggeration(longest: f64, spread: f64) -> u32 {
    let wish = 0.12 * spread / longest.max(1e-9);
    [1, 2, 3, 5, 10, 20, 50, 100, 200, 500]
        .into_iter()
        .rev()
        .find(|&times| f64::from(times) <= wish)
        .unwrap_or(1)
}

/// Where all the points lie with room for names, at the same scale along u' and v', in a place as high
/// as they need.
fn view(points: &[[f64; 2]]) -> (Place, (f64, f64), (f64, f64)) {
    let span = |axis: usize| {
        let values = points.iter().map(|p| p[axis]).filter(|v| v.is_finite());
        let (low, high) = values.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        if low > high { (0.1, 0.5) } else { (low, high) }
    };
    let (u, v) = (span(0), span(1));
    let wide = ((u.1 - u.0) * 1.2).max(1e-3);
    let place = fitted(wide, (v.1 - v.0) + 0.16 * wide);
    let scale = (wide / place.width).max((v.1 - v.0) / (place.height - 50.0));
    let about = |(low, high): (f64, f64), px: f64| {
        let (middle, half) = ((low + high) / 2.0, scale * px / 2.0);
        (middle - half, middle + half)
    };
    (place, about(u, place.width), about(v, place.height))
}

fn arrow(frame: &Frame, from: [f64; 2], to: [f64; 2], stroke: Stroke) {
    frame.curve(&[from, to], stroke);
    let (a, b) = (frame.at(from[0], from[1]), frame.at(to[0], to[1]));
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx.hypot(dy);
    if length < 2.0 {
        return;
    }
    let (dx, dy) = (dx / length, dy / length);
    let size = 7.0f64.min(length);
    let back = (b.0 - size * dx, b.1 - size * dy);
    let half = 0.42 * size;
    let head = [
        b,
        (back.0 - half * dy, back.1 + half * dx),
        (back.0 + half * dy, back.1 - half * dx),
    ];
    frame.pen.fill(&head, stroke.color, 1.0);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn the_exaggeration_is_stated() {
        let references = [
            [0.14, 0.50],
            [0.17, 0.54],
            [0.21, 0.555],
            [0.25, 0.55],
            [0.29, 0.545],
            [0.33, 0.54],
            [0.20, 0.48],
            [0.24, 0.50],
            [0.16, 0.45],
            [0.28, 0.52],
        ];
        let names = [
            "blue-green glass",
            "green tile",
            "lime tile",
            "yellow tile",
            "amber tile",
            "orange tile",
            "white standard",
            "cream tile",
            "sky tile",
            "tan tile",
        ];
        let shifts = trial::cloud(10, [0.0, 0.0], 0.0028, 4);
        let targets: Vec<Residual> = names
            .iter()
            .zip(references)
            .zip(shifts)
            .map(|((name, reference), shift)| Residual {
                target: name.to_string(),
                reference,
                measured: [reference[0] + shift[0], reference[1] + shift[1]],
                covariance: Some([[1.1e-6, 4e-7], [4e-7, 7e-7]]),
            })
            .collect();
        let figure = residuals(&targets, &trial::locus(), true).unwrap();
        trial::keep(&figure);
        assert!(figure.title.contains("times as long"));
        trial::keep_as(&residuals(&[], &[], false).unwrap(), "residuals-none");
    }
}
