//! What the uncertainty of a color is made of.

use crate::Result;
use crate::report::drawing::*;

/// One part of the uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct BudgetPart {
    /// What it comes from.
    pub source: String,
    /// Its standard uncertainty as a distance in u'v'.
    pub uv: f64,
}

/// Draws the parts and their root sum of squares.
pub fn budget(parts: &[BudgetPart], of: &str) -> Result<Figure> {
    let total = parts.iter().map(|p| p.uv * p.uv).sum::<f64>().sqrt();
    let largest = parts.iter().max_by(|a, b| a.uv.total_cmp(&b.uv));
    let told = largest.map_or(String::new(), |p| {
        format!(" The largest part is {}.", p.source)
    });
    let row = 26.0;
    let count = parts.len() as f64 + 1.0;
    let sheet = Sheet {
        name: "uncertainty-budget",
        title: "What the uncertainty of a color is made of",
        description: format!(
            "Standard uncertainties as distances in u'v', {of}; together {total:.4}, the root of the sum of their squares.{told}"
        ),
        width: WIDTH,
        height: row * count + 66.0,
        legend: Vec::new(),
        under: String::new(),
    };
    sheet.draw(|pen| {
        let mut names: Vec<String> = parts.iter().map(|p| p.source.clone()).collect();
        names.push("together".to_string());
        names.reverse();
        let place = Place {
            left: 190.0,
            top: 8.0,
            width: 430.0,
            height: row * count,
        };
        let x = Axis::rounded(
            "standard uncertainty in u'v'",
            0.0,
            total.max(1e-5) * 1.05,
            5,
        );
        let frame = Frame::new(pen, place, x, Axis::names("", &names));
        frame.axes();
        let values = parts
            .iter()
            .map(|p| (p.uv, series_ink(1)))
            .chain([(total, series_ink(0))]);
        for (i, (value, ink)) in values.enumerate() {
            let y = count - i as f64 - 0.5;
            let outline = [
                [0.0, y - 0.3],
                [value, y - 0.3],
                [value, y + 0.3],
                [0.0, y + 0.3],
            ];
            frame.area(&outline, ink.color, 0.85);
            let (right, middle) = frame.at(value, y);
            pen.text(
                (right + 8.0, middle),
                &format!("{value:.4}"),
                Words::new(11.0),
            );
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn the_largest_part_is_named() {
        let part = |source: &str, uv: f64| BudgetPart {
            source: source.to_string(),
            uv,
        };
        let parts = [
            part("noise", 0.0007),
            part("calibration", 0.0018),
            part("targets' lack of fit", 0.0068),
            part("laser leak", 0.0021),
        ];
        let figure = budget(&parts, "root mean square over the targets").unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("together 0.0074"));
        assert!(figure.description.contains("targets' lack of fit"));
    }
}
