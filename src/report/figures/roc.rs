//! Recall against false alarms at every cut.

use super::RankingCurve;
use super::ranking::{draw_curves, told};
use crate::Result;
use crate::report::drawing::*;

/// Draws the receiver operating characteristics; `operating` is (false alarm rate, recall).
pub fn roc(curves: &[RankingCurve], operating: Option<[f64; 2]>) -> Result<Figure> {
    let sheet = Sheet {
        name: "roc",
        title: "Recall against the share of false alarms, at every possible cut",
        description: format!(
            "Receiver operating characteristic of each classifier on out-of-group predictions, positives against the rest. \
             Area under the curve with its interval: {}. On the dotted diagonal a score tells nothing.",
            told(curves)
        ),
        width: WIDTH,
        height: 442.0,
        legend: Vec::new(),
        under: String::new(),
    };
    sheet.draw(|pen| {
        let place = Place {
            left: 66.0,
            top: 8.0,
            width: 380.0,
            height: 380.0,
        };
        let x = Axis::share("share of the others taken for positive (false alarm rate)");
        let frame = Frame::new(pen, place, x, Axis::share("recall of positives"));
        frame.axes();
        let diagonal = [[0.0, 0.0], [1.0, 1.0]];
        frame.curve(&diagonal, Stroke::new(FAINT, 1.2).dashed(1.5, 3.5));
        draw_curves(&frame, curves, operating, "area under the curve");
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::{Span, trial};

    #[test]
    fn every_classifier_has_its_curve_and_its_area() {
        let curve = |name: &str, power: f64, chosen: bool| RankingCurve {
            name: name.to_string(),
            points: (0..=100)
                .map(|i| f64::from(i) / 100.0)
                .map(|x| [x, x.powf(power)])
                .collect(),
            summary: Some(Span::new(
                1.0 / (1.0 + power),
                1.0 / (1.0 + power) - 0.04,
                1.0 / (1.0 + power) + 0.02,
            )),
            chosen,
        };
        let curves = [
            curve("brightness", 0.6, false),
            curve("nearest mean color", 0.25, false),
            curve("logistic", 0.08, true),
            curve("discriminant", 0.09, false),
            curve("forest", 0.11, false),
            curve("neighbours", 0.14, false),
        ];
        let figure = roc(&curves, Some([0.04, 0.04f64.powf(0.08)])).unwrap();
        trial::keep(&figure);
        assert!(figure.svg.contains("0.926 (0.886 to 0.946)"));
        let none = roc(&[], None).unwrap();
        trial::keep_as(&none, "roc-none");
    }
}
