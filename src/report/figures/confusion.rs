//! What was found on the ground against what it was called.

use crate::Result;
use crate::report::drawing::*;

/// A confusion matrix of whole patches.
#[derive(Debug, Clone, Copy)]
pub struct Confusions<'a> {
    /// The classes found on the ground, one a row.
    pub truths: &'a [String],
    /// What patches were called, one a column: classes, and where there are such, novel and too faint.
    pub called: &'a [String],
    /// Patches by row and column.
    pub counts: &'a [Vec<u64>],
    /// The classifier, for the caption.
    pub classifier: &'a str,
    /// By what a patch is called a class, a sentence for the caption.
    pub rule: &'a str,
}

/// Draws the matrix.
pub fn confusion(data: &Confusions) -> Result<Figure> {
    let total: u64 = data.counts.iter().flatten().sum();
    let hits: u64 = data
        .truths
        .iter()
        .zip(data.counts)
        .filter_map(|(truth, row)| {
            let column = data.called.iter().position(|d| d == truth)?;
            row.get(column).copied()
        })
        .sum();
    let description = format!(
        "What the classifier {} calls each patch, by a model that had seen nothing of its group. {} \
         That is not the decision to walk, which is made by the cut. Each row is a class as found on the ground, and its percentages add up to 100. {hits} of {total} patches lie on the diagonal. \
         Patches are counted as they stand in the ledger, not weighted.",
        data.classifier, data.rule
    );
    let columns = data.called.len().max(1) as f64;
    let rows = data.truths.len().max(1) as f64;
    let left = 150.0;
    let cell = ((WIDTH - left - 76.0) / columns).min(86.0);
    let high = cell.clamp(36.0, 54.0);
    let words = Words::new(12.0);
    let widest = measured(|pen| {
        let widths = data.called.iter().map(|d| pen.width(d, words));
        widths.fold(0.0, f64::max)
    });
    let upright = widest > cell - 8.0;
    let top = if upright {
        widest.min(84.0) + 42.0
    } else {
        58.0
    };
    let sheet = Sheet {
        name: "confusion",
        title: "What was found on the ground, and what it was called out of group",
        description,
        width: WIDTH,
        height: top + rows * high + 16.0,
        legend: Vec::new(),
        under: String::new(),
    };
    sheet.draw(|pen| {
        let middle = left + cell * columns / 2.0;
        pen.text((middle, 12.0), "called", Words::new(12.5).bold().centered());
        for (j, called) in data.called.iter().enumerate() {
            let x = left + cell * (j as f64 + 0.5);
            match upright {
                true => {
                    let text = pen.shortened(called, words, 84.0);
                    pen.text((x, top - 8.0), &text, words.upwards());
                }
                false => pen.text((x, top - 14.0), called, words.centered()),
            }
        }
        let side = Words::new(12.5).bold().centered().upwards();
        pen.text(
            (18.0, top + high * rows / 2.0),
            "truth, on the ground",
            side,
        );
        let sums_at = left + cell * columns + 14.0;
        pen.text((sums_at, top - 14.0), "patches", Words::new(11.0).muted());
        for (i, (truth, row)) in data.truths.iter().zip(data.counts).enumerate() {
            let y = top + high * i as f64;
            let name = pen.shortened(truth, words, left - 44.0);
            pen.text((left - 10.0, y + high / 2.0), &name, words.ending());
            let sum: u64 = row.iter().sum();
            let style = Words::new(11.5).muted();
            pen.text((sums_at, y + high / 2.0), &sum.to_string(), style);
            for (j, &count) in row.iter().enumerate() {
                let x = left + cell * j as f64;
                draw_cell(pen, (x, y), (cell, high), count, sum);
                if data.called.get(j) == Some(truth) {
                    let corners = [
                        (x + 1.5, y + 1.5),
                        (x + cell - 1.5, y + 1.5),
                        (x + cell - 1.5, y + high - 1.5),
                        (x + 1.5, y + high - 1.5),
                    ];
                    pen.closed(&corners, Stroke::new(INK, 1.2));
                }
            }
        }
    })
}

fn draw_cell(pen: &Pen, at: At, size: At, count: u64, sum: u64) {
    let share = if sum > 0 {
        count as f64 / sum as f64
    } else {
        0.0
    };
    let to = (at.0 + size.0 - 1.0, at.1 + size.1 - 1.0);
    pen.fill_box((at.0 + 1.0, at.1 + 1.0), to, ramp(share), 1.0);
    let ink = if share > 0.45 { PAPER } else { INK };
    let ink = if count == 0 { FAINT } else { ink };
    let center = (at.0 + size.0 / 2.0, at.1 + size.1 / 2.0);
    let large = Words::new(13.0).color(ink).centered();
    if count == 0 {
        pen.text(center, "0", large);
        return;
    }
    pen.text((center.0, center.1 - 7.0), &count.to_string(), large);
    let percent = match 100.0 * share {
        p if p < 1.0 => "< 1 %".to_string(),
        p => format!("{p:.0} %"),
    };
    let small = Words::new(10.5).color(ink).centered();
    pen.text((center.0, center.1 + 9.0), &percent, small);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn rows_are_truth_and_columns_what_it_was_called() {
        let truths = ["bone", "calcite", "lichen", "matrix", "opal"].map(String::from);
        let mut called = truths.to_vec();
        called.extend(["novel".to_string(), "too faint".to_string()]);
        let counts = [
            vec![41, 6, 0, 2, 0, 1, 3],
            vec![9, 118, 0, 4, 2, 0, 0],
            vec![0, 1, 64, 0, 0, 7, 0],
            vec![1, 3, 2, 402, 5, 2, 44],
            vec![0, 2, 0, 6, 71, 0, 0],
        ];
        let data = Confusions {
            truths: &truths,
            called: &called,
            counts: &counts,
            classifier: "logistic",
            rule: "The most probable class.",
        };
        let figure = confusion(&data).unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("696 of 796 patches"));
        let many: Vec<String> = (0..9).map(|i| format!("a long class name {i}")).collect();
        let counts = vec![vec![3; 9]; 9];
        let data = Confusions {
            truths: &many,
            called: &many,
            counts: &counts,
            ..data
        };
        trial::keep_as(&confusion(&data).unwrap(), "confusion-many");
    }
}
