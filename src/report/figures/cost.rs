//! Expected cost against the cut, with its interval.

use super::Span;
use crate::Result;
use crate::report::drawing::*;
use crate::report::numbers::{chance, chance_of, percent, stated};

/// Cost at a series of cuts.
#[derive(Debug, Clone, PartialEq)]
pub struct CostCurve {
    /// (cut on the probability, cost per 1000 glowing patches), cuts ascending; limits absent where
    /// none were made.
    pub points: Vec<(f64, Span)>,
    /// The recommended cut with its interval.
    pub chosen: Span,
    /// Cost to expect at the recommended cut.
    pub expected: Option<Span>,
    /// Whether the cut follows from the costs, rather than from a wish for recall, precision or walks.
    pub by_cost: bool,
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
    let told = data.expected.map_or(String::new(), |c| {
        format!(
            " There the expected cost is {} per 1000 glowing patches.",
            stated(c)
        )
    });
    let why = why_not_lowest(data);
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
            "Cost per 1000 glowing patches of the field, where {} are positive, a missed one costs {} and a walk to something else \
             costs {}. {}The recommended cut is {}.{told}{why}",
            percent(data.prevalence),
            data.missed_cost,
            data.walk_cost,
            band,
            chance_of(data.chosen.value, data.chosen.limits)
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
        let curve = |of: fn(&Span) -> f64| -> Vec<[f64; 2]> { steps(&points, of) };
        frame.band(&curve(|s| s.low()), &curve(|s| s.high()), ink.color, 0.16);
        frame.curve(&curve(|s| s.value), Stroke::new(ink.color, 2.0));
        let (from, to) = (logit(data.chosen.low()), logit(data.chosen.high()));
        let (bottom, top) = (frame.y.low, frame.y.high);
        let span = [[from, bottom], [to, bottom], [to, top], [from, top]];
        frame.area(&span, ember.color, 0.10);
        frame.upright(logit(data.chosen.value), cut_line);
        if let Some(cost) = data.expected {
            frame.marker(logit(data.chosen.value), cost.value, ember, 5.0);
        }
    })
}

/// Cost over the logit of the cut: no patch lies between two cuts, so that it is level up to the
/// upper one.
fn steps(points: &[&(f64, Span)], of: fn(&Span) -> f64) -> Vec<[f64; 2]> {
    let mut path: Vec<[f64; 2]> = Vec::with_capacity(2 * points.len());
    for (cut, cost) in points {
        if let Some([before, _]) = path.last() {
            path.push([*before, of(cost)]);
        }
        path.push([logit(*cut), of(cost)]);
    }
    path
}

/// Why the cut is not where the curve is lowest, where it is not.
fn why_not_lowest(data: &CostCurve) -> String {
    let least = data
        .points
        .iter()
        .min_by(|a, b| a.1.value.total_cmp(&b.1.value));
    match (least, data.expected) {
        (Some((cut, cost)), Some(expected)) if data.by_cost && cost.value < expected.value => {
            format!(
                " The curve is lowest, {:.0}, at a cut of {}: that place hangs on single patches and is not relied upon; the cut is \
                 the probability at which a walk is worth its cost if probabilities mean what they say.",
                cost.value,
                chance(*cut)
            )
        }
        _ => String::new(),
    }
}

pub(super) fn logit(p: f64) -> f64 {
    let p = p.clamp(1e-9, 1.0 - 1e-9);
    (p / (1.0 - p)).ln()
}

/// An axis of log odds whose ticks are written as probabilities.
pub(super) fn odds_axis(label: &str, low: f64, high: f64) -> Axis {
    let mut axis = Axis::linear(label, logit(low), logit(high), 5);
    // The roundest first; others where they have room beside these.
    let round = [
        0.5, 0.1, 0.9, 0.01, 0.99, 0.001, 0.999, 0.0001, 0.9999, 1e-5, 1e-6, 0.25, 0.75, 0.03,
        0.97, 0.003, 0.997, 0.0003, 1e-7, 1e-8, 1e-9,
    ];
    // Of the axis's length: about 0.02 a character, and as much between two labels.
    let length = |p: f64| probability_in_words(p).chars().count() as f64;
    let room =
        |a: f64, b: f64| 0.02 * (1.0 + (length(a) + length(b)) / 2.0) * (axis.high - axis.low);
    let mut kept: Vec<f64> = Vec::new();
    for p in round {
        let within = (axis.low - 1e-9..=axis.high + 1e-9).contains(&logit(p));
        if within
            && kept
                .iter()
                .all(|k| (logit(*k) - logit(p)).abs() > room(*k, p))
        {
            kept.push(p);
        }
    }
    kept.sort_by(f64::total_cmp);
    axis.ticks = kept
        .into_iter()
        .map(|p| (logit(p), probability_in_words(p)))
        .collect();
    axis
}

fn probability_in_words(p: f64) -> String {
    match p {
        p if p < 5e-9 => "10⁻⁹".to_string(),
        p if p < 5e-8 => "10⁻⁸".to_string(),
        p if p < 5e-7 => "10⁻⁷".to_string(),
        p if p < 5e-6 => "10⁻⁶".to_string(),
        p if p < 5e-5 => "10⁻⁵".to_string(),
        p => p.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn cost_is_level_up_to_each_cut() {
        let points = [(0.1, Span::bare(50.0)), (0.3, Span::bare(10.0))];
        let path = steps(&points.iter().collect::<Vec<_>>(), |s| s.value);
        let (low, high) = (logit(0.1), logit(0.3));
        assert_eq!(path, [[low, 50.0], [low, 10.0], [high, 10.0]]);
    }

    #[test]
    fn ticks_of_probabilities_keep_apart() {
        let axis = odds_axis("probability", 1.2e-6, 0.95);
        let words: Vec<&str> = axis.ticks.iter().map(|t| t.1.as_str()).collect();
        assert_eq!(
            words,
            ["10⁻⁵", "0.0001", "0.001", "0.01", "0.1", "0.5", "0.9"]
        );
        let axis = odds_axis("probability", 0.001, 0.5);
        let words: Vec<&str> = axis.ticks.iter().map(|t| t.1.as_str()).collect();
        assert_eq!(
            words,
            ["0.001", "0.003", "0.01", "0.03", "0.1", "0.25", "0.5"]
        );
    }

    #[test]
    fn the_caption_states_the_expected_cost_and_why_it_is_not_the_least() {
        let data = |by_cost: bool| CostCurve {
            points: vec![
                (0.0166, Span::bare(198.3)),
                (0.0191, Span::bare(269.2)),
                (0.0208, Span::bare(357.3)),
            ],
            chosen: Span::new(0.0196, 0.0035, 0.0412),
            expected: Some(Span::new(358.7, 170.7, 753.2)),
            by_cost,
            missed_cost: 50.0,
            walk_cost: 1.0,
            prevalence: 0.05,
            confidence: 0.95,
        };
        let told = cost(&data(true)).unwrap().description;
        assert!(told.contains("expected cost is 359 (171 to 753)"), "{told}");
        assert!(told.contains("lowest, 198, at a cut of 0.017"), "{told}");
        let told = cost(&data(false)).unwrap().description;
        assert!(!told.contains("lowest"), "{told}");
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
            expected: Some(Span::new(20.0, 16.0, 30.0)),
            by_cost: true,
            missed_cost: 50.0,
            walk_cost: 1.0,
            prevalence: 0.01,
            confidence: 0.95,
        })
        .unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("0.28 (0.21 to 0.37)"));
    }
}
