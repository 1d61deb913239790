//! The one-page report: text, tables and figures in one HTML file.

use super::figures::Figure;
use super::markdown;
use super::plates::Part;
use super::text;
use crate::Result;
use minijinja::{Value, context};

/// Fills the page in; figures are numbered in their order.
pub(super) fn page(values: &Value, figures: &[(Part, Figure)], methods: &str) -> Result<String> {
    let of = |part: Part| -> Vec<Value> {
        figures
            .iter()
            .enumerate()
            .filter(|(_, (p, _))| *p == part)
            .map(|(i, (_, figure))| {
                context! {
                    number => i + 1,
                    name => figure.name.as_str(),
                    description => figure.description.as_str(),
                    svg => Value::from_safe_string(figure.svg.clone()),
                }
            })
            .collect()
    };
    // The methods' own title is the section's.
    let body = methods.split_once('\n').map_or("", |(_, body)| body);
    let own = context! {
        css => Value::from_safe_string(include_str!("templates/report.css").to_string()),
        calibration_figures => of(Part::Calibration),
        ledger_figures => of(Part::Ledger),
        evaluation_figures => of(Part::Evaluation),
        decision_figures => of(Part::Decision),
        methods => Value::from_safe_string(markdown::to_html(body, 1)),
    };
    text::fill("report.html", context! { ..own, ..values.clone() })
}
