//! Precision against recall at every cut.

use super::RankingCurve;
use super::ranking::{draw_curves, told};
use crate::Result;
use crate::report::drawing::*;
use crate::report::numbers::percent;

/// Draws the curves; `prevalence` is the share of positives among the predictions, `field` that of
/// the field if it is known apart from the ledger, `operating` is (recall, precision).
pub fn precision_recall(
    curves: &[RankingCurve],
    prevalence: f64,
    field: Option<f64>,
    operating: Option<[f64; 2]>,
) -> Result<Figure> {
    let sheet = Sheet {
        name: "precision-recall",
        title: "Precision against recall, at every possible cut in the ledger",
        description: format!(
            "Precision is the share of walks that end at a positive. Average precision with its interval: {}. \
             In the ledger, as weighted, {} are positive, the dotted line. {}",
            told(curves),
            percent(prevalence),
            beyond(prevalence, field)
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
        let level = [[0.0, prevalence], [1.0, prevalence]];
        frame.curve(&level, Stroke::new(FAINT, 1.2).dashed(1.5, 3.5));
        draw_curves(&frame, curves, operating, "average precision");
    })
}

/// What becomes of precision in the field.
fn beyond(ledger: f64, field: Option<f64>) -> String {
    let Some(field) = field else {
        return "The field's share is not known; where positives are rarer, precision is lower."
            .to_string();
    };
    let taken = percent(field);
    match field / ledger.max(f64::MIN_POSITIVE) {
        r if r < 0.95 => format!(
            "In the field {taken} are taken to be positive: they are rarer there, and precision is lower."
        ),
        r if r > 1.05 => format!(
            "In the field {taken} are taken to be positive: they are more frequent there, and precision is higher."
        ),
        _ => format!(
            "In the field {taken} are taken to be positive, about the same, and so is precision."
        ),
    }
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
        let figure = precision_recall(&curves, 0.08, Some(0.01), Some([0.86, 0.6])).unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("8 % are positive"));
    }

    #[test]
    fn the_caption_follows_the_fields_share() {
        let said = |field| precision_recall(&[], 0.1, field, None).unwrap().description;
        assert!(said(Some(0.02)).contains("rarer there, and precision is lower"));
        assert!(said(Some(0.3)).contains("more frequent there, and precision is higher"));
        assert!(said(Some(0.1)).contains("about the same"));
        assert!(said(None).contains("not known"));
    }
}
