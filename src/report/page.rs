//! The one-page report: text, tables and figures in one HTML file.

use super::drawing::identifier;
use super::figures::Figure;
use super::markdown;
use super::plates::Part;
use super::sources::StripView;
use super::text;
use crate::Result;
use minijinja::{Value, context};

/// Fills the page in; figures are numbered in their order.
pub(super) fn page(
    values: &Value,
    figures: &[(Part, Figure)],
    strips: &[StripView],
    methods: &str,
) -> Result<String> {
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
    let overviews: Vec<Value> = strips
        .iter()
        .filter_map(|strip| Some((strip, strip.overview_svg.as_ref()?)))
        .enumerate()
        .map(|(i, (strip, svg))| {
            context! {
                number => figures.len() + i + 1,
                name => identifier(&format!("strip-{}", strip.result.strip)),
                description => Value::from_safe_string(description(svg).to_string()),
                svg => Value::from_safe_string(svg.clone()),
            }
        })
        .collect();
    // The methods' own title is the section's.
    let body = methods.split_once('\n').map_or("", |(_, body)| body);
    let own = context! {
        css => Value::from_safe_string(include_str!("templates/report.css").to_string()),
        calibration_figures => of(Part::Calibration),
        drift_figures => of(Part::Drift),
        ledger_figures => of(Part::Ledger),
        evaluation_figures => of(Part::Evaluation),
        decision_figures => of(Part::Decision),
        next_figures => of(Part::Next),
        strip_figures => overviews,
        methods => Value::from_safe_string(markdown::to_html(body, 1)),
    };
    let page = text::fill("report.html", context! { ..own, ..values.clone() })?;
    // A number and its per cent stay on one line.
    Ok(page.replace(" %", "\u{a0}%"))
}

/// The escaped text of a figure's description, from its SVG; empty if it has none.
pub fn description(svg: &str) -> &str {
    let inside = svg
        .split_once("<desc")
        .and_then(|(_, rest)| rest.split_once('>'));
    inside
        .and_then(|(_, rest)| rest.split_once("</desc>"))
        .map_or("", |(text, _)| text)
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_caption_of_a_strip_is_the_description_of_its_picture() {
        let svg = "<svg><title id=\"a\">t</title><desc id=\"b\">7 &lt; 8.</desc></svg>";
        assert_eq!(super::description(svg), "7 &lt; 8.");
        assert_eq!(super::description("<svg></svg>"), "");
    }
}
