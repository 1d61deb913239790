//! What the targets did night after night, against what the calibration promised.

use super::Span;
use crate::Result;
use crate::report::drawing::*;
use crate::report::numbers::fixed;

/// One target on one night.
#[derive(Debug, Clone, PartialEq)]
pub struct DriftTarget {
    /// The target.
    pub target: String,
    /// Distance in u'v' from where the calibration put it.
    pub shift_uv: f64,
    /// Root mean square of that distance if nothing changed.
    pub sd_uv: f64,
}

/// One night's captures of the targets.
#[derive(Debug, Clone, PartialEq)]
pub struct DriftNight {
    /// The night.
    pub night: String,
    /// The targets captured.
    pub targets: Vec<DriftTarget>,
    /// Whether the joint test says that color has drifted.
    pub drifted: bool,
    /// Brightness relative to the calibration, where it can be judged.
    pub brightness: Option<Span>,
    /// Whether brightness has changed.
    pub brightness_changed: bool,
}

/// 95 % quantile of a distance in a plane over its root mean square: the square root of ln 20.
const REACH_95: f64 = 1.730_818_38;

/// Draws the control chart; `confidence` is that of the tests, `allowed` the mean shift in u'v' that the
/// season allows.
pub fn drift(nights: &[DriftNight], confidence: f64, allowed: f64) -> Result<Figure> {
    let mut targets: Vec<String> = Vec::new();
    for target in nights.iter().flat_map(|n| &n.targets) {
        if !targets.contains(&target.target) {
            targets.push(target.target.clone());
        }
    }
    let with_brightness = nights.iter().any(|n| n.brightness.is_some());
    let bad: Vec<&str> = nights
        .iter()
        .filter(|n| n.drifted)
        .map(|n| n.night.as_str())
        .collect();
    let verdict = match bad.len() {
        0 => "On no night did the joint test find a drift of color".to_string(),
        _ => format!(
            "The joint test found a drift of color on {}",
            bad.join(", ")
        ),
    };
    let mut entries: Vec<(Key, String)> = targets
        .iter()
        .enumerate()
        .map(|(k, t)| (Key::Marker(series_ink(k + 1)), t.clone()))
        .collect();
    let limit = Stroke::new(MUTED, 1.0).dashed(4.0, 3.0);
    let most = nights
        .iter()
        .flat_map(|n| &n.targets)
        .map(|t| t.shift_uv.max(REACH_95 * t.sd_uv))
        .fold(1e-4, f64::max);
    let y = Axis::rounded("distance in u'v'", 0.0, most * 1.03, 5);
    if y.high >= allowed {
        entries.push((Key::Line(limit), "mean shift allowed".to_string()));
    }
    let usual = "usual if nothing changed".to_string();
    entries.push((Key::Band(FAINT, 0.45), usual));
    if nights.iter().any(|n| n.drifted || n.brightness_changed) {
        entries.push((Key::Band(series_ink(0).color, 0.22), "changed".to_string()));
    }
    let sheet = Sheet {
        name: "drift",
        title: "How far each target moved from its calibrated color, night by night",
        description: format!(
            "Each marker is a target's distance in u'v' from its place at calibration. The grey bar behind it holds 95 % of such distances if \
             nothing changed (for uncertainties alike in all directions). \
             {verdict} (confidence {:.0} % a night); such nights are shaded. Whether a drift matters is another question: the season allows \
             a mean shift of {}.",
            100.0 * confidence,
            fixed(allowed, 4)
        ),
        width: WIDTH,
        height: if with_brightness { 464.0 } else { 326.0 },
        legend: entries,
        under: String::new(),
    };
    sheet.draw(|pen| {
        let place = Place {
            left: 86.0,
            top: 8.0,
            width: 596.0,
            height: 270.0,
        };
        let step = place.width / nights.len().max(1) as f64;
        let names: Vec<String> = nights
            .iter()
            .map(|n| pen.shortened(&n.night, Words::new(11.0), (step - 6.0).max(20.0)))
            .collect();
        let x = Axis::names("night", &names);
        let frame = Frame::new(pen, place, x.clone(), y);
        shade(&frame, nights, |n| n.drifted);
        frame.x_axis(!with_brightness);
        frame.y_axis();
        frame.edges();
        frame.level(allowed, "", limit);
        let slot = 0.7 / targets.len().max(1) as f64;
        for (i, night) in nights.iter().enumerate() {
            for target in &night.targets {
                let k = targets
                    .iter()
                    .position(|t| *t == target.target)
                    .unwrap_or(0);
                let ink = series_ink(k + 1);
                let x = i as f64 + 0.15 + slot * (k as f64 + 0.5);
                let (half, reach) = (0.38 * slot, REACH_95 * target.sd_uv);
                let bar = [
                    [x - half, 0.0],
                    [x + half, 0.0],
                    [x + half, reach],
                    [x - half, reach],
                ];
                frame.area(&bar, FAINT, 0.45);
                frame.marker(x, target.shift_uv, ink, 3.8);
            }
        }
        if with_brightness {
            draw_brightness(pen, place, nights, x);
        }
    })
}

fn shade(frame: &Frame, nights: &[DriftNight], which: fn(&DriftNight) -> bool) {
    for (i, _) in nights.iter().enumerate().filter(|(_, n)| which(n)) {
        let (left, right) = (i as f64 + 0.04, i as f64 + 0.96);
        let (low, high) = (frame.y.low, frame.y.high);
        let outline = [[left, low], [right, low], [right, high], [left, high]];
        frame.area(&outline, series_ink(0).color, 0.13);
    }
}

fn draw_brightness(pen: &Pen, above: Place, nights: &[DriftNight], x: Axis) {
    let spans = || nights.iter().filter_map(|n| n.brightness);
    let low = spans().map(|s| s.low()).fold(0.9, f64::min);
    let high = spans().map(|s| s.high()).fold(1.1, f64::max);
    let place = Place {
        top: above.top + above.height + 30.0,
        height: 108.0,
        ..above
    };
    let y = Axis::rounded("brightness", low, high, 3);
    let frame = Frame::new(pen, place, x, y);
    shade(&frame, nights, |n| n.brightness_changed);
    frame.x_axis(true);
    frame.y_axis();
    frame.edges();
    let ends = [[frame.x.low, 1.0], [frame.x.high, 1.0]];
    frame.curve(&ends, Stroke::new(MUTED, 1.0).dashed(4.0, 3.0));
    for (i, night) in nights.iter().enumerate() {
        if let Some(span) = night.brightness {
            let at = i as f64 + 0.5;
            frame.whisker(at, span.low(), span.high(), Stroke::new(INK, 1.2));
            frame.marker(
                at,
                span.value,
                Ink {
                    color: INK,
                    ..series_ink(0)
                },
                4.0,
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn a_night_that_drifted_is_named() {
        let night = |name: &str, base: f64, drifted: bool| DriftNight {
            night: name.to_string(),
            targets: ["green tile", "amber tile", "cream tile", "blue-green glass"]
                .iter()
                .enumerate()
                .map(|(i, t)| DriftTarget {
                    target: t.to_string(),
                    shift_uv: base * (1.0 + 0.3 * i as f64),
                    sd_uv: 0.0006,
                })
                .collect(),
            drifted,
            brightness: Some(Span::new(
                1.0 - 8.0 * base,
                0.96 - 8.0 * base,
                1.03 - 8.0 * base,
            )),
            brightness_changed: drifted,
        };
        let nights = [
            night("2031-05-02", 0.0008, false),
            night("2031-05-03", 0.0011, false),
            night("2031-05-09", 0.0007, false),
            night("2031-05-17", 0.0062, true),
            night("2031-05-18", 0.0009, false),
        ];
        let figure = drift(&nights, 0.95, 0.005).unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("drift of color on 2031-05-17"));
        assert!(figure.description.contains("a mean shift of 0.0050"));
    }
}
