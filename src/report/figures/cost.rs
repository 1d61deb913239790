//! Expected cost against the cut, with its interval.

use super::Span;
use crate::Result;
use crate::report::drawing::*;

/// Cost at a series of cuts.
#[derive(Debug, Clone, PartialEq)]
pub struct CostCurve {
    /// (cut on the probability, cost per 1000 glowing patches), cuts ascending; limits absent where
    /// none were made.
    pub points: Vec<(f64, Span)>,
    /// The recommended cut with its interval.
    pub chosen: Span,
    /// The expected cost there, where it is known.
    pub at_chosen: Option<f64>,
    /// What a missed positive costs ...
    pub missed_cost: f64,
    /// ... and what a walk to something else.
    pub walk_cost: f64,
    /// Share of positives among glowing patches for which it is drawn.
    pub prevalence: f64,
    /// Confidence of the intervals.
    pub confidence: f64,
}

/// Draws the curve over the logit of the cut, since good cuts are often small.
pub fn cost(data: &CostCurve) -> Result<Figure> {
    let at_cut = data
        .at_chosen
        .or_else(|| cost_at(&data.points, data.chosen.value));
    let told = at_cut.map_or(String::new(), |c| {
        format!(" There the expected cost is {c:.1} per 1000 glowing patches.")
    });
    let (ink, ember) = (series_ink(1), series_ink(0));
    let banded = data.points.iter().any(|p| p.1.limits.is_some());
    let band = match banded {
        true => format!(
            "The band is the {:.0} % interval. ",
            100.0 * data.confidence
        ),
        false => String::new(),
    };
    let mut entries = vec![(
        Key::Line(Stroke::new(ink.color, 2.0)),
        "expected cost".to_string(),
    )];
    if banded {
        entries.push((Key::Band(ink.color, 0.22), "its interval".to_string()));
    }
    let cut_line = Stroke::new(ember.color, 2.0);
    entries.push((Key::Both(cut_line, ember), "recommended cut".to_string()));
    if data.chosen.limits.is_some() {
        let words = "interval of the cut".to_string();
        entries.push((Key::Band(ember.color, 0.18), words));
    }
    let sheet = Sheet {
        name: "cost",
        title: "Expected cost against the cut on the probability",
        description: format!(
            "Cost per 1000 glowing patches of the field, where {:.2} % are positive, a missed one costs {} and a walk to something else \
             costs {}. {}The recommended cut is {}.{told} The line has its steps where single patches pass the cut; the cut \
             is not set in its deepest dent, which another season would have elsewhere.",
            100.0 * data.prevalence,
            data.missed_cost,
            data.walk_cost,
            band,
            data.chosen.told(3)
        ),
        width: WIDTH,
        height: 376.0,
        legend: entries,
        under: String::new(),
    };
    sheet.draw(|pen| {
        let place = Place {
            left: 86.0,
            top: 8.0,
            width: 596.0,
            height: 320.0,
        };
        let points: Vec<&(f64, Span)> = data
            .points
            .iter()
            .filter(|p| (1e-4_f64.min(data.chosen.value / 10.0)..0.999).contains(&p.0))
            .collect();
        let low = points
            .first()
            .map_or(1e-3, |p| p.0)
            .min(data.chosen.low().max(1e-4));
        let high = points
            .last()
            .map_or(0.999, |p| p.0)
            .max(data.chosen.high().min(0.9999));
        // The band may reach far where cost is far from its least; the line decides what is shown.
        let most = points
            .iter()
            .map(|p| p.1.value.max(p.1.high().min(1.6 * p.1.value)))
            .fold(0.0f64, f64::max);
        let frame = Frame::new(
            pen,
            place,
            odds_axis("cut on the probability of a positive", low, high),
            Axis::rounded(
                "cost per 1000 glowing patches",
                0.0,
                most.max(1e-6) * 1.02,
                5,
            ),
        );
        frame.axes();
        let curve = |of: fn(&Span) -> f64| -> Vec<[f64; 2]> {
            points.iter().map(|p| [logit(p.0), of(&p.1)]).collect()
        };
        frame.band(&curve(|s| s.low()), &curve(|s| s.high()), ink.color, 0.16);
        frame.curve(&curve(|s| s.value), Stroke::new(ink.color, 2.0));
        let (from, to) = (logit(data.chosen.low()), logit(data.chosen.high()));
        let (bottom, top) = (frame.y.low, frame.y.high);
        let span = [[from, bottom], [to, bottom], [to, top], [from, top]];
        frame.area(&span, ember.color, 0.10);
        frame.upright(logit(data.chosen.value), cut_line);
        if let Some(cost) = at_cut {
            frame.marker(logit(data.chosen.value), cost, ember, 5.0);
        }
    })
}

/// The cost at a cut between two points of the curve; absent beyond its ends.
fn cost_at(points: &[(f64, Span)], cut: f64) -> Option<f64> {
    let after = points.partition_point(|p| p.0 < cut);
    let (right, costs) = points.get(after)?;
    if *right == cut {
        return Some(costs.value);
    }
    let (left, before) = points.get(after.checked_sub(1)?)?;
    let share = (cut - left) / (right - left);
    Some(before.value + share * (costs.value - before.value))
}

fn logit(p: f64) -> f64 {
    let p = p.clamp(1e-9, 1.0 - 1e-9);
    (p / (1.0 - p)).ln()
}

/// An axis of log odds whose ticks are written as probabilities.
pub(super) fn odds_axis(label: &str, low: f64, high: f64) -> Axis {
    let mut axis = Axis::linear(label, logit(low), logit(high), 5);
    let round = [
        0.0001, 0.001, 0.003, 0.01, 0.03, 0.1, 0.25, 0.5, 0.75, 0.9, 0.97, 0.99, 0.997, 0.999,
        0.9999,
    ];
    axis.ticks = round
        .iter()
        .map(|&p| (logit(p), p.to_string()))
        .filter(|(l, _)| (axis.low - 1e-9..=axis.high + 1e-9).contains(l))
        .collect();
    axis
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn the_marked_cost_lies_on_the_curve() {
        let points = [(0.1, Span::bare(50.0)), (0.3, Span::bare(10.0))];
        assert!((cost_at(&points, 0.15).unwrap() - 40.0).abs() < 1e-9);
        assert_eq!(cost_at(&points, 0.3), Some(10.0));
        assert_eq!(cost_at(&points, 0.05), None);
        assert_eq!(cost_at(&points, 0.4), None);
    }

    #[test]
    fn the_recommended_cut_stands_with_its_interval() {
        let points = (1..200)
            .map(|i| f64::from(i) / 200.0)
            .map(|cut| {
                let missed = 0.01 * cut.powf(1.5) * 0.5;
                let wasted = 0.99 * 0.4 * (1.0 - cut).powi(12) + 0.0005;
                let value = 1000.0 * (50.0 * missed + wasted);
                (cut, Span::new(value, 0.8 * value, 1.3 * value + 4.0))
            })
            .collect();
        let figure = cost(&CostCurve {
            points,
            chosen: Span::new(0.285, 0.21, 0.37),
            at_chosen: None,
            missed_cost: 50.0,
            walk_cost: 1.0,
            prevalence: 0.01,
            confidence: 0.95,
        })
        .unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("0.285 (0.210 to 0.370)"));
    }
}
