//! Where the patches lie in the CIE 1976 u'v' diagram, whole and near, with the decision region.

use crate::Result;
use crate::report::drawing::*;
use crate::report::numbers::fixed;

/// The patches of one glow class.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassGlow {
    /// The class.
    pub label: String,
    /// (u', v') of its patches.
    pub points: Vec<[f64; 2]>,
}

/// What the diagram shows.
#[derive(Debug, Clone, Copy)]
pub struct Chromaticities<'a> {
    /// The classes in the order of the model's labels.
    pub classes: &'a [ClassGlow],
    /// The classes that are worth a walk.
    pub positive: &'a [String],
    /// Polygons in (u', v') within which the decision is to walk; empty if none was made.
    pub region: &'a [Vec<[f64; 2]>],
    /// The log luminance at which `region` is drawn; absent where decisions do not depend on it.
    pub region_at: Option<f64>,
    /// The spectral locus: wavelength in nm and (u', v').
    pub locus: &'a [(f64, [f64; 2])],
    /// What the chromaticities are of, for the caption.
    pub meaning: &'a str,
}

/// Patches drawn of one class; more would only cover each other.
const MOST_POINTS: usize = 240;
/// Half-axis in standard deviations of the ellipse that holds 95 % of a normal class.
const REACH_95: f64 = 2.447_746_83;

/// Draws the diagram.
pub fn chromaticity(data: &Chromaticities) -> Result<Figure> {
    let labels: Vec<String> = data.classes.iter().map(|c| c.label.clone()).collect();
    let counts: Vec<String> = data
        .classes
        .iter()
        .map(|c| format!("{} ({})", c.label, c.points.len()))
        .collect();
    let mut description = format!(
        "Below, the whole diagram with the spectral locus (wavelengths in nm); the box is what is shown above, at the same scale along u' and v'. \
         {} Patches by class: {}. The ellipses hold 95 % of a class if it is normally distributed.",
        data.meaning,
        counts.join(", ")
    );
    if !data.region.is_empty() {
        description
            .push_str(" The tinted region, with the dashed edge, is where the decision is to walk");
        if let Some(log_luminance) = data.region_at {
            description.push_str(&format!(
                " for a glow of log luminance {}, the median of the checked patches; a brighter or a dimmer one has another region",
                fixed(log_luminance, 2)
            ));
        }
        description.push_str(
            ". It ends at the spectral locus: no light has a color beyond, and what is measured there is so by error.",
        );
    }
    if data.classes.iter().any(|c| c.points.len() > MOST_POINTS) {
        description.push_str(&format!(
            " Of a class with more than {MOST_POINTS} patches an even share is drawn."
        ));
    }
    let title = match data.region.is_empty() {
        true => "The glow classes in the CIE 1976 chromaticity diagram",
        false => {
            "The glow classes in the CIE 1976 chromaticity diagram, and where the decision is to walk"
        }
    };
    let (near, view) = View::around(data.classes);
    let whole = Place {
        left: near.left,
        top: near.top + near.height + 58.0,
        width: 190.0,
        height: 190.0,
    };
    let sheet = Sheet {
        name: "chromaticity",
        title,
        description,
        width: WIDTH,
        height: whole.top + whole.height.max(20.0 * (labels.len() + 1) as f64) + 46.0,
        legend: Vec::new(),
        under: String::new(),
    };
    sheet.draw(|pen| {
        let frame = Frame::new(
            pen,
            near,
            Axis::linear("u'", view.u.0, view.u.1, 8),
            Axis::linear("v'", view.v.0, view.v.1, (near.height / 55.0) as usize),
        );
        frame.x_axis(true);
        frame.y_axis();
        draw_region(&frame, data.region);
        draw_locus(&frame, data.locus);
        draw_classes(&frame, data, &labels);
        mark_locus(&frame, data.locus, 10.0);
        frame.edges();
        draw_whole(pen, whole, data, &labels, view);
        draw_legend(pen, data, &labels, whole);
    })
}

#[derive(Debug, Clone, Copy)]
struct View {
    u: (f64, f64),
    v: (f64, f64),
}

impl View {
    /// All the patches but the outermost hundredth, with room, at the same scale along u' and v',
    /// and a place as high as they need.
    fn around(classes: &[ClassGlow]) -> (Place, Self) {
        let all = |axis: usize| -> Vec<f64> {
            let mut values: Vec<f64> = classes
                .iter()
                .flat_map(|c| c.points.iter().map(move |p| p[axis]))
                .filter(|v| v.is_finite())
                .collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let span = |mut values: Vec<f64>| -> (f64, f64) {
            if values.is_empty() {
                values = vec![0.15, 0.45];
            }
            let cut = values.len() / 200;
            let (low, high) = (values[cut], values[values.len() - 1 - cut]);
            let room = (0.12 * (high - low)).max(0.008);
            (low - room, high + room)
        };
        let (u, v) = (span(all(0)), span(all(1)));
        let place = fitted(u.1 - u.0, v.1 - v.0);
        let scale = ((u.1 - u.0) / place.width).max((v.1 - v.0) / place.height);
        let about = |span: (f64, f64), px: f64| {
            let (middle, half) = ((span.0 + span.1) / 2.0, scale * px / 2.0);
            (middle - half, middle + half)
        };
        let view = View {
            u: about(u, place.width),
            v: about(v, place.height),
        };
        (place, view)
    }
}

/// A place over the whole width, as high as a part of the diagram of this size needs within limits.
pub(super) fn fitted(wide: f64, high: f64) -> Place {
    let width = 616.0;
    Place {
        left: 66.0,
        top: 8.0,
        width,
        height: (width * high / wide).clamp(170.0, 400.0),
    }
}

fn draw_region(frame: &Frame, region: &[Vec<[f64; 2]>]) {
    let ember = series_ink(0).color;
    for polygon in region {
        frame.area(polygon, ember, 0.13);
        let mut outline = polygon.clone();
        outline.extend(polygon.first());
        frame.curve(&outline, Stroke::new(ember, 1.3).dashed(5.0, 3.0));
    }
}

fn draw_locus(frame: &Frame, locus: &[(f64, [f64; 2])]) {
    let path: Vec<[f64; 2]> = locus.iter().map(|l| l.1).collect();
    frame.curve(&path, Stroke::new(MUTED, 1.2));
    if let (Some(first), Some(last)) = (path.first(), path.last()) {
        frame.curve(&[*first, *last], Stroke::new(FAINT, 1.0).dashed(3.0, 3.0));
    }
}

/// Wavelengths along the locus, readable over what is drawn there.
fn mark_locus(frame: &Frame, locus: &[(f64, [f64; 2])], every_nm: f64) {
    let center = frame.at(0.2105, 0.4737);
    for (nm, [u, v]) in locus {
        let steps = nm / every_nm;
        if (steps - steps.round()).abs() > 1e-6
            || !(449.0..=651.0).contains(nm)
            || !frame.holds(*u, *v)
        {
            continue;
        }
        let at = frame.at(*u, *v);
        frame.pen.circle(at, 2.0, MUTED);
        let away = (at.0 - center.0, at.1 - center.1);
        let length = away.0.hypot(away.1).max(1.0);
        let words = (at.0 + 15.0 * away.0 / length, at.1 + 11.0 * away.1 / length);
        let inside = words.0 > frame.place.left + 12.0
            && words.0 < frame.right() - 12.0
            && words.1 > frame.place.top + 6.0
            && words.1 < frame.bottom() - 6.0;
        if inside {
            let style = Words::new(9.5).muted().centered();
            let text = format!("{nm:.0}");
            let half = frame.pen.width(&text, style) / 2.0 + 1.0;
            let corners = [
                (words.0 - half, words.1 - 5.5),
                (words.0 + half, words.1 + 5.5),
            ];
            frame.pen.fill_box(corners[0], corners[1], PAPER, 0.75);
            frame.pen.text(words, &text, style);
        }
    }
}

fn draw_classes(frame: &Frame, data: &Chromaticities, labels: &[String]) {
    let positive = |c: &&ClassGlow| data.positive.contains(&c.label);
    let order = data
        .classes
        .iter()
        .filter(|c| !positive(c))
        .chain(data.classes.iter().filter(positive));
    for class in order.clone() {
        let ink = class_ink(labels, data.positive, &class.label);
        if let Some(outline) = ellipse_of(&class.points) {
            let width = if data.positive.contains(&class.label) {
                2.4
            } else {
                1.5
            };
            frame.curve(&outline, Stroke::new(ink.color, width));
        }
    }
    for class in order {
        let ink = class_ink(labels, data.positive, &class.label);
        let step = class.points.len().div_ceil(MOST_POINTS).max(1);
        for point in class.points.iter().step_by(step) {
            frame.marker(point[0], point[1], ink, 2.7);
        }
    }
}

/// The ellipse of 95 % about the points' mean, absent under four points or on one line.
fn ellipse_of(points: &[[f64; 2]]) -> Option<Vec<[f64; 2]>> {
    if points.len() < 4 {
        return None;
    }
    let n = points.len() as f64;
    let mean = [0, 1].map(|i| points.iter().map(|p| p[i]).sum::<f64>() / n);
    let moment = |i: usize, j: usize| {
        points
            .iter()
            .map(|p| (p[i] - mean[i]) * (p[j] - mean[j]))
            .sum::<f64>()
            / (n - 1.0)
    };
    let covariance = [[moment(0, 0), moment(0, 1)], [moment(0, 1), moment(1, 1)]];
    super::ellipse(mean, covariance, REACH_95)
}

fn draw_whole(pen: &Pen, place: Place, data: &Chromaticities, labels: &[String], view: View) {
    // As wide as the box needs, where patches lie beyond the locus.
    let low = view.u.0.min(view.v.0).min(0.0);
    let high = view.u.1.max(view.v.1).max(0.65) + 0.01;
    let frame = Frame::new(
        pen,
        place,
        Axis::linear("u'", low - 0.03, high - 0.01, 3),
        Axis::linear("v'", low - 0.02, high, 3),
    );
    frame.axes();
    draw_locus(&frame, data.locus);
    mark_locus(&frame, data.locus, 50.0);
    for class in data.classes {
        let ink = class_ink(labels, data.positive, &class.label);
        if let Some(outline) = ellipse_of(&class.points) {
            frame.curve(&outline, Stroke::new(ink.color, 1.2));
        }
    }
    let corners = [
        [view.u.0, view.v.0],
        [view.u.1, view.v.0],
        [view.u.1, view.v.1],
        [view.u.0, view.v.1],
        [view.u.0, view.v.0],
    ];
    frame.curve(&corners, Stroke::new(INK, 1.0));
}

fn draw_legend(pen: &Pen, data: &Chromaticities, labels: &[String], whole: Place) {
    let mut entries: Vec<(Key, String)> = data
        .classes
        .iter()
        .map(|class| {
            let worth = match data.positive.contains(&class.label) {
                true => ", worth a walk",
                false => "",
            };
            let ink = class_ink(labels, data.positive, &class.label);
            let words = format!("{}: {}{worth}", class.label, class.points.len());
            (Key::Marker(ink), words)
        })
        .collect();
    if !data.region.is_empty() {
        let ember = series_ink(0).color;
        let at = data.region_at.map_or(String::new(), |log_luminance| {
            format!(", at log luminance {}", fixed(log_luminance, 2))
        });
        entries.push((Key::Band(ember, 0.25), format!("decision: walk{at}")));
    }
    let left = whole.left + whole.width + 48.0;
    let mut y = whole.top;
    for entry in entries {
        y += legend(pen, (left, y), WIDTH - left - 16.0, &[entry]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn classes_region_and_locus_are_drawn() {
        let labels = ["bone", "matrix", "calcite", "opal", "lichen"].map(String::from);
        let middles = [
            [0.235, 0.50],
            [0.21, 0.475],
            [0.245, 0.482],
            [0.19, 0.49],
            [0.22, 0.53],
        ];
        let classes: Vec<ClassGlow> = labels
            .iter()
            .zip(middles)
            .enumerate()
            .map(|(i, (label, m))| ClassGlow {
                label: label.clone(),
                points: trial::cloud(90 - 12 * i, m, 0.006, i as u64),
            })
            .collect();
        let region = vec![vec![
            [0.226, 0.492],
            [0.247, 0.492],
            [0.252, 0.52],
            [0.228, 0.515],
        ]];
        let figure = chromaticity(&Chromaticities {
            classes: &classes,
            positive: &labels[..1],
            region: &region,
            region_at: Some(-0.52),
            locus: &trial::locus(),
            meaning: "Chromaticities are of the light that passes the filter.",
        })
        .unwrap();
        trial::keep(&figure);
        assert!(
            figure
                .description
                .contains("of log luminance −0.52, the median")
        );
        assert!(figure.svg.contains("walk, at log luminance −0.52"));
        assert!(figure.svg.contains("worth a walk") && figure.svg.contains(">550<"));
    }

    #[test]
    fn three_points_have_no_ellipse() {
        assert!(ellipse_of(&[[0.2, 0.4], [0.21, 0.42], [0.2, 0.5]]).is_none());
    }
}
