//! A strip's candidates against its marked truth.

use super::{Candidate, Judge};
use crate::Result;
use crate::files::Table;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// A marked thing of a strip: a box and what it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Left edge in pixels.
    pub x: u32,
    /// Top edge in rows.
    pub y: u32,
    /// Width in pixels.
    pub width: u32,
    /// Height in rows.
    pub height: u32,
    /// What it is.
    pub label: String,
}

/// Marked things of one label.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarkedLabel {
    /// What they are.
    pub label: String,
    /// Whether they are worth a walk.
    pub positive: bool,
    /// How many are marked.
    pub marked: u64,
    /// How many of them a candidate that passes the cut hits.
    pub found: u64,
}

/// How a strip's candidates compare with its marked truth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StripCheck {
    /// When a candidate counts as hitting a mark, in words.
    pub rule: String,
    /// Marks by label, sorted.
    pub labels: Vec<MarkedLabel>,
    /// Share of positive marks that were found; absent if none is marked.
    pub recall: Option<f64>,
    /// Candidates that pass the cut and hit a positive mark.
    pub hits: u64,
    /// Candidates that pass the cut and hit other marks only, or none.
    pub false_alarms: u64,
    /// ... of those, the ones that hit no mark at all.
    pub unmarked: u64,
    /// Positive marks that only a novel candidate hits.
    pub found_as_novel: u64,
    /// False alarms a hectare, where the ground covered is known.
    pub false_alarms_per_hectare: Option<f64>,
}

impl StripCheck {
    /// How many positives are marked.
    pub fn marked_positives(&self) -> u64 {
        let positive = self.labels.iter().filter(|l| l.positive);
        positive.map(|l| l.marked).sum()
    }

    /// Whether marks of this label are positive.
    pub fn is_positive(&self, label: &str) -> bool {
        self.labels.iter().any(|l| l.positive && l.label == label)
    }
}

/// Least intersection over union of two boxes that count as the same thing where neither holds the
/// middle of the other: marks are drawn by hand and a blob covers part of what it lies on.
pub const MIN_OVERLAP: f64 = 0.1;

impl Mark {
    /// Reads marks (`x,y,width,height,label`) of a strip of so many pixels and rows.
    ///
    /// # Errors
    /// A missing column, a box that is empty or reaches out of the strip, an empty label: with the
    /// line.
    pub fn read_all(path: &Path, strip_width: u32, rows: u32) -> Result<Vec<Mark>> {
        Self::from_table(&Table::read(path)?, strip_width, rows)
    }

    /// As [`Mark::read_all`], from a table that is in memory.
    pub fn from_table(table: &Table, strip_width: u32, rows: u32) -> Result<Vec<Mark>> {
        table.require(&["x", "y", "width", "height", "label"])?;
        table
            .rows()
            .map(|row| {
                let whole = |column: &str, least: f64| {
                    let value = row.number(column)?;
                    if value.fract() != 0.0 || value < least || value > f64::from(u32::MAX) {
                        return Err(row
                            .error(column, format!("found {value}, expected whole pixels"))
                            .remedy("give the box in whole pixels"));
                    }
                    Ok(value as u32)
                };
                let mark = Mark {
                    x: whole("x", 0.0)?,
                    y: whole("y", 0.0)?,
                    width: whole("width", 1.0)?,
                    height: whole("height", 1.0)?,
                    label: row.text("label")?.to_string(),
                };
                let inside = |start: u32, length: u32, all: u32| {
                    u64::from(start) + u64::from(length) <= u64::from(all)
                };
                if !inside(mark.x, mark.width, strip_width) {
                    return Err(row
                        .error("width", format!("the box reaches out of the strip, which is {strip_width} pixels wide"))
                        .remedy("is this the table of another strip?"));
                }
                if !inside(mark.y, mark.height, rows) {
                    return Err(row
                        .error("height", format!("the box reaches out of the strip, which has {rows} rows"))
                        .remedy("is this the table of another strip?"));
                }
                Ok(mark)
            })
            .collect()
    }

    fn area(&self) -> [f64; 4] {
        [self.x, self.y, self.width, self.height].map(f64::from)
    }
}

/// Whether two boxes (x, y, width, height) show the same thing: the middle of one lies in the
/// other, or their intersection over union reaches [`MIN_OVERLAP`].
fn same_thing(a: [f64; 4], b: [f64; 4]) -> bool {
    let holds_middle = |[x, y, w, h]: [f64; 4], other: [f64; 4]| {
        let (mx, my) = (other[0] + other[2] / 2.0, other[1] + other[3] / 2.0);
        (x..=x + w).contains(&mx) && (y..=y + h).contains(&my)
    };
    let common = |i: usize| ((a[i] + a[i + 2]).min(b[i] + b[i + 2]) - a[i].max(b[i])).max(0.0);
    let intersection = common(0) * common(1);
    let union = a[2] * a[3] + b[2] * b[3] - intersection;
    holds_middle(a, b) || holds_middle(b, a) || intersection >= MIN_OVERLAP * union
}

/// Compares candidates with marks; `hectares` is the ground that the strip covers.
pub(super) fn check_marks(
    marks: &[Mark],
    candidates: &[Candidate],
    judge: &dyn Judge,
    hectares: Option<f64>,
) -> StripCheck {
    let is_positive = |label: &str| {
        let classes = judge.classes().iter().zip(judge.positive());
        classes
            .into_iter()
            .any(|(class, positive)| class == label && *positive)
    };
    let area = |c: &Candidate| [c.x, c.y, c.width, c.height].map(f64::from);
    let hit_by = |mark: &Mark, novel: bool| {
        let mut own = candidates.iter().filter(|c| c.novel == novel);
        own.any(|c| same_thing(mark.area(), area(c)))
    };
    let mut labels: BTreeMap<&str, MarkedLabel> = BTreeMap::new();
    let mut found_as_novel = 0;
    for mark in marks {
        let entry = labels.entry(&mark.label).or_insert_with(|| MarkedLabel {
            label: mark.label.clone(),
            positive: is_positive(&mark.label),
            marked: 0,
            found: 0,
        });
        entry.marked += 1;
        if hit_by(mark, false) {
            entry.found += 1;
        } else if entry.positive && hit_by(mark, true) {
            found_as_novel += 1;
        }
    }
    let (mut hits, mut false_alarms, mut unmarked) = (0, 0, 0);
    for candidate in candidates.iter().filter(|c| !c.novel) {
        let mut hit = marks
            .iter()
            .filter(|m| same_thing(m.area(), area(candidate)))
            .peekable();
        let of_any = hit.peek().is_some();
        if hit.any(|m| is_positive(&m.label)) {
            hits += 1;
        } else {
            false_alarms += 1;
            unmarked += u64::from(!of_any);
        }
    }
    let labels: Vec<MarkedLabel> = labels.into_values().collect();
    let of_positives = |count: fn(&MarkedLabel) -> u64| -> u64 {
        labels.iter().filter(|l| l.positive).map(count).sum()
    };
    let (marked, found) = (of_positives(|l| l.marked), of_positives(|l| l.found));
    StripCheck {
        rule: format!(
            "A candidate hits a mark if the middle of one box lies in the other or their \
             intersection over union is {MIN_OVERLAP} or more. False alarms suppose that all that \
             is worth a walk is marked."
        ),
        recall: (marked > 0).then(|| found as f64 / marked as f64),
        labels,
        hits,
        false_alarms,
        unmarked,
        found_as_novel,
        false_alarms_per_hectare: hectares
            .filter(|h| *h > 0.0)
            .map(|h| false_alarms as f64 / h),
    }
}
