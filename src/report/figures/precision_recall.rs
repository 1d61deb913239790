//! Precision against recall at every cut.

use super::RankingCurve;
use super::ranking::{draw_curves, told};
use crate::Result;
use crate::report::drawing::*;

/// Draws the curves; `prevalence` is the share of positives among the predictions, `operating` is
/// (recall, precision).
pub fn precision_recall(
    curves: &[RankingCurve],
    [ledger, field]: [f64; 2],
    operating: Option<[f64; 2]>,
) -> Result<Figure> {
    let sheet = Sheet {
        name: "precision-recall",
        title: "Precision against recall, at every possible cut in the ledger",
        description: format!(
            "Precision is the share of walks that end at a positive. Average precision with its interval: {}. \
             In the ledger {:.1} % are positive, weighted as it was sampled: the dotted line.{}",
            told(curves),
            100.0 * ledger,
            match field {
                f if f < 0.9 * ledger => format!(
                    " In the field {:.1} % are, and precision is lower.",
                    100.0 * f
                ),
                f if f > 1.1 * ledger => format!(
                    " In the field {:.1} % are, and precision is higher.",
                    100.0 * f
                ),
                _ => String::new(),
            }
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
        let frame = Frame::new(
            pen,
            place,
            Axis::share("recall of positives"),
            Axis::share("precision of walks"),
        );
        frame.axes();
        let level = [[0.0, ledger], [1.0, ledger]];
        frame.curve(&level, Stroke::new(FAINT, 1.2).dashed(1.5, 3.5));
        draw_curves(&frame, curves, operating, "average precision");
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::{Span, trial};

    #[test]
    fn the_ledgers_share_of_positives_is_the_floor() {
        let curve = |name: &str, power: i32, chosen: bool| RankingCurve {
            name: name.to_string(),
            points: (0..=100)
                .map(|i| f64::from(i) / 100.0)
                .map(|x| [x, 0.08 + 0.92 * (1.0 - x.powi(power))])
                .collect(),
            summary: Some(Span::new(0.7, 0.61, 0.78)),
            chosen,
        };
        let curves = [
            curve("brightness", 1, false),
            curve("logistic", 6, true),
            curve("forest", 4, false),
        ];
        let figure = precision_recall(&curves, [0.08, 0.01], Some([0.86, 0.6])).unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("8.0 % are positive"));
    }
}
