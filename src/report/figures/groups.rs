//! Recall and precision at each place that the model had not seen.

use super::Span;
use crate::Result;
use crate::report::drawing::*;

/// One group's figures, each out of group.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupFigures {
    /// The group.
    pub group: String,
    /// Patches checked.
    pub patches: u64,
    /// Positives among them.
    pub positives: u64,
    /// Recall; absent without positives.
    pub recall: Option<Span>,
    /// Precision; absent without walks.
    pub precision: Option<Span>,
}

/// Draws a row a group and one for all of them; `kind` is what a group is, such as "site";
/// `intervals` says how the limits were made, in sentences.
pub fn groups(
    rows: &[GroupFigures],
    pooled: &GroupFigures,
    kind: &str,
    intervals: &str,
) -> Result<Figure> {
    let row = 24.0;
    let count = rows.len() as f64 + 1.0;
    let told = |name: &str, s: Option<Span>| s.map(|s| format!("{name} {}", s.told(2)));
    let sums: Vec<String> = [
        told("recall", pooled.recall),
        told("precision", pooled.precision),
    ]
    .into_iter()
    .flatten()
    .collect();
    let title = format!("Recall and precision at each {kind} that the model had not seen");
    let sheet = Sheet {
        name: "groups",
        title: &title,
        description: format!(
            "Each {kind} was decided by a model and a cut made without it. Over all: {}. Where a {kind} had no positive, or no walk, \
             there is nothing to divide by and the place is empty. Few patches make wide intervals: read the counts at the right. {intervals}",
            sums.join(", ")
        ),
        width: WIDTH,
        height: row * count + 82.0,
        legend: Vec::new(),
        under: String::new(),
    };
    sheet.draw(|pen| {
        let height = row * count;
        let left = Place {
            left: 130.0,
            top: 28.0,
            width: 210.0,
            height,
        };
        let right = Place {
            left: 366.0,
            ..left
        };
        let words = Words::new(11.0);
        let mut names: Vec<String> = rows
            .iter()
            .map(|r| pen.shortened(&r.group, words, 112.0))
            .collect();
        names.push("all".to_string());
        names.reverse();
        let recall = Frame::new(pen, left, Axis::share("recall"), Axis::names("", &names));
        let blank = vec![String::new(); names.len()];
        let precision = Frame::new(
            pen,
            right,
            Axis::share("precision"),
            Axis::names("", &blank),
        );
        for frame in [&recall, &precision] {
            frame.axes();
            let split = frame.at(0.0, 1.0).1;
            pen.line(
                &[(frame.place.left, split), (frame.right(), split)],
                Stroke::new(FAINT, 1.0),
            );
        }
        let head = Words::new(11.0).muted().ending();
        pen.text((628.0, 14.0), "positives", head);
        pen.text((688.0, 14.0), "patches", head);
        let (ink, all_ink) = (series_ink(1), series_ink(0));
        for (i, figures) in rows.iter().chain([pooled]).enumerate() {
            let y = count - i as f64 - 0.5;
            let (ink, wide) = match i == rows.len() {
                true => (
                    Ink {
                        shape: series_ink(3).shape,
                        ..all_ink
                    },
                    2.2,
                ),
                false => (ink, 1.4),
            };
            for (frame, span) in [(&recall, figures.recall), (&precision, figures.precision)] {
                if let Some(span) = span {
                    frame.bar(y, span.low(), span.high(), Stroke::new(ink.color, wide));
                    frame.marker(span.value, y, ink, 4.4);
                }
            }
            let middle = recall.at(0.0, y).1;
            let style = Words::new(11.0).ending();
            pen.text((628.0, middle), &figures.positives.to_string(), style);
            pen.text((688.0, middle), &figures.patches.to_string(), style);
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn a_group_without_positives_has_no_recall() {
        let span = |value: f64, half: f64| {
            Some(Span::new(
                value,
                (value - half).max(0.0),
                (value + half).min(1.0),
            ))
        };
        let mut rows: Vec<GroupFigures> = (0..9)
            .map(|i| GroupFigures {
                group: format!("gully {}", i + 1),
                patches: 40 + 23 * i,
                positives: 2 + i,
                recall: span(0.95 - 0.05 * i as f64, 0.2),
                precision: span(0.4 + 0.06 * i as f64, 0.22),
            })
            .collect();
        rows[4].recall = None;
        rows[4].positives = 0;
        let pooled = GroupFigures {
            group: "all".to_string(),
            patches: 1188,
            positives: 48,
            recall: span(0.82, 0.09),
            precision: span(0.61, 0.1),
        };
        let figure = groups(&rows, &pooled, "site", "The limits are invented.").unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("recall 0.82 (0.73 to 0.91)"));
    }
}
