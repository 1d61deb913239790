//! Net benefit of deciding by the model, of walking to everything and of walking to nothing, over
//! the cost ratios that somebody might hold (Vickers and Elkin 2006).

use super::Span;
use super::cost::odds_axis;
use crate::Result;
use crate::report::drawing::*;
use crate::report::numbers::{chance, percent, significant, stated};

/// Net benefit of one rule.
#[derive(Debug, Clone, PartialEq)]
pub struct BenefitCurve {
    /// The rule.
    pub name: String,
    /// (threshold probability, net benefit in found positives per patch), ascending.
    pub points: Vec<(f64, Span)>,
}

/// The curves of the models, and what they are compared with.
#[derive(Debug, Clone, PartialEq)]
pub struct DecisionCurve {
    /// The chosen model first, then its rivals.
    pub models: Vec<BenefitCurve>,
    /// Share of positives in the field.
    pub prevalence: f64,
    /// The threshold probability that the season's costs imply.
    pub season: f64,
    /// Net benefit at the season's costs, by the recommended cut and of walking to everything.
    pub at_costs: Option<(Span, f64)>,
}

/// Draws net benefit per 1000 glowing patches.
pub fn decision_curve(data: &DecisionCurve) -> Result<Figure> {
    let stroke = |i: usize| match i {
        0 => Stroke::new(series_ink(0).color, 2.4),
        1 => Stroke::new(series_ink(1).color, 1.6).dashed(9.0, 3.0),
        i => Stroke::new(series_ink(i).color, 1.6).dashed(4.0, 2.0),
    };
    let all_stroke = Stroke::new(MUTED, 1.5).dashed(7.0, 3.0);
    let none_stroke = Stroke::new(MUTED, 1.5).dashed(1.5, 3.0);
    let mut entries: Vec<(Key, String)> = data
        .models
        .iter()
        .enumerate()
        .map(|(i, m)| (Key::Line(stroke(i)), m.name.clone()))
        .collect();
    entries.push((Key::Line(all_stroke), "walk to everything".to_string()));
    entries.push((Key::Line(none_stroke), "walk to nothing".to_string()));
    entries.push((
        Key::Line(Stroke::new(INK, 1.2)),
        "this season's costs".to_string(),
    ));
    let sheet = Sheet {
        name: "decision-curve",
        title: "What deciding by the model is worth, at any worth of a positive",
        description: format!(
            "Net benefit (Vickers and Elkin 2006): positives found, less wasted walks times p / (1 − p), per 1000 glowing patches at a \
             prevalence of {}; p, the threshold probability along the axis, is that at which a walk is just worth it, so that p / (1 − p) \
             is what a wasted walk costs in positives. A rule is worth using where its line is above the others. \
             The upright line is the season's own costs ({}).{}",
            percent(data.prevalence),
            chance(data.season),
            at_costs(data)
        ),
        width: WIDTH,
        height: 376.0,
        legend: entries,
        under: String::new(),
    };
    sheet.draw(|pen| {
        let place = Place {
            left: 80.0,
            top: 8.0,
            width: 602.0,
            height: 320.0,
        };
        let all = || data.models.iter().flat_map(|m| &m.points);
        let low = all().map(|p| p.0).fold(data.season, f64::min).max(1e-4);
        let high = all().map(|p| p.0).fold(data.season, f64::max).min(0.9999);
        let most =
            (1000.0 * data.prevalence).max(all().map(|p| 1000.0 * p.1.value).fold(0.0, f64::max));
        let x = odds_axis(
            "threshold probability: cost of a walk / (that + worth of a positive)",
            low,
            high,
        );
        let y = Axis::rounded("net benefit per 1000 patches", -0.25 * most, most * 1.08, 5);
        let frame = Frame::new(pen, place, x, y);
        frame.axes();
        let place_of = |p: f64| (p / (1.0 - p)).ln();
        let steps =
            (0..=160).map(|i| frame.x.low + (frame.x.high - frame.x.low) * f64::from(i) / 160.0);
        let everything: Vec<[f64; 2]> = steps
            .map(|l| {
                [
                    l,
                    1000.0 * (data.prevalence - (1.0 - data.prevalence) * l.exp()),
                ]
            })
            .collect();
        frame.curve(&everything, all_stroke);
        frame.curve(&[[frame.x.low, 0.0], [frame.x.high, 0.0]], none_stroke);
        for (i, model) in data.models.iter().enumerate().rev() {
            let curve = |of: fn(&Span) -> f64| -> Vec<[f64; 2]> {
                let points = model.points.iter().filter(|p| p.0 > 0.0 && p.0 < 1.0);
                points.map(|p| [place_of(p.0), 1000.0 * of(&p.1)]).collect()
            };
            if i == 0 {
                frame.band(
                    &curve(|s| s.low()),
                    &curve(|s| s.high()),
                    series_ink(0).color,
                    0.14,
                );
            }
            frame.curve(&curve(|s| s.value), stroke(i));
        }
        frame.upright(place_of(data.season), Stroke::new(INK, 1.2));
    })
}

/// What the rules come to at the season's costs, where that is known.
fn at_costs(data: &DecisionCurve) -> String {
    let Some((model, everything)) = data.at_costs else {
        return String::new();
    };
    format!(
        " There, net benefit is {} by the recommended cut, {} for walking to everything and 0 for walking to nothing.",
        stated(model.times(1000.0)),
        significant(1000.0 * everything, 3)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn walking_to_everything_and_to_nothing_are_drawn_beside_the_models() {
        let curve = |name: &str, recall: f64, power: i32| BenefitCurve {
            name: name.to_string(),
            points: (1..120)
                .map(|i| 0.001 * 1.06f64.powi(i))
                .filter(|p| *p < 0.9)
                .map(|p| {
                    let found = 0.02 * recall * (1.0 - p * p);
                    let wasted = 0.98 * 0.3 * (1.0 - p).powi(power);
                    let value = found - wasted * p / (1.0 - p);
                    (p, Span::new(value, value - 0.002, value + 0.002))
                })
                .collect(),
        };
        let data = DecisionCurve {
            models: vec![curve("logistic", 0.95, 60), curve("brightness", 0.8, 18)],
            prevalence: 0.02,
            season: 1.0 / 51.0,
            at_costs: Some((Span::new(0.0163, 0.0121, 0.0184), 0.0004)),
        };
        let figure = decision_curve(&data).unwrap();
        trial::keep(&figure);
        assert!(figure.svg.contains("walk to everything"));
        assert!(
            figure.description.contains(
                "16.3 (12.1 to 18.4) by the recommended cut, 0.400 for walking to everything"
            ),
            "{}",
            figure.description
        );
    }
}
