//! Each target's error when it takes part in the fit and when it is left out.

use crate::Result;
use crate::report::drawing::*;

/// One target's errors as distances in u'v'.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// The target.
    pub target: String,
    /// Error when fitted to all targets.
    pub fitted: f64,
    /// Error when fitted to all the others.
    pub left_out: f64,
    /// How much the fit depends on it, 0 to 1, where known.
    pub leverage: Option<f64>,
}

/// Draws the table with its dots; `limit` is the season's largest allowed mean.
pub fn left_out(targets: &[LeftOut], limit: f64) -> Result<Figure> {
    let count = targets.len().max(1) as f64;
    let mean = |of: fn(&LeftOut) -> f64| targets.iter().map(of).sum::<f64>() / count;
    let (fitted, unseen) = (mean(|t| t.fitted), mean(|t| t.left_out));
    let row = 22.0;
    let (seen, unseen_ink) = (series_ink(1), series_ink(0));
    let entries = vec![
        (Key::Marker(seen), "fitted".to_string()),
        (Key::Marker(unseen_ink), "left out".to_string()),
        (
            Key::Line(Stroke::new(INK, 1.2).dashed(5.0, 3.0)),
            "limit for the mean".to_string(),
        ),
    ];
    let sheet = Sheet {
        name: "left-out-targets",
        title: "Each target's error when it was fitted, and when it was left out of the fit",
        description: format!(
            "Errors are distances in u'v'. Mean over targets: fitted {fitted:.4}, left out {unseen:.4}; the season allows a left-out \
             mean of {limit:.4}. What was left out is what a new material meets. Leverage near 1 means that the fit rests on that target."
        ),
        width: WIDTH,
        height: row * (count + 1.0) + 74.0,
        legend: entries,
        under: String::new(),
    };
    sheet.draw(|pen| {
        let place = Place {
            left: 160.0,
            top: 26.0,
            width: 316.0,
            height: row * (count + 1.0),
        };
        let most = targets
            .iter()
            .map(|t| t.fitted.max(t.left_out))
            .fold(limit, f64::max);
        let mut names: Vec<String> = targets.iter().map(|t| t.target.clone()).collect();
        names.push("mean".to_string());
        let words = Words::new(11.0);
        names = names
            .iter()
            .map(|n| pen.shortened(n, words, 136.0))
            .collect();
        names.reverse();
        let x = Axis::rounded("error in u'v'", 0.0, most * 1.04, 4);
        let frame = Frame::new(pen, place, x, Axis::names("", &names));
        frame.axes();
        frame.upright(limit, Stroke::new(INK, 1.2).dashed(5.0, 3.0));
        let head = Words::new(11.0).muted().ending();
        let columns = [548.0, 616.0, 686.0];
        for (x, text) in columns.iter().zip(["fitted", "left out", "leverage"]) {
            pen.text((*x, 14.0), text, head);
        }
        let mut rows: Vec<(f64, f64, Option<f64>)> = targets
            .iter()
            .map(|t| (t.fitted, t.left_out, t.leverage))
            .collect();
        rows.push((fitted, unseen, None));
        for (i, (fitted, unseen, leverage)) in rows.iter().enumerate() {
            let y = count - i as f64 + 0.5;
            let height = frame.at(0.0, y).1;
            let link = [[*fitted, y], [*unseen, y]];
            frame.curve(&link, Stroke::new(FAINT, 1.6));
            frame.marker(*fitted, y, seen, 4.0);
            frame.marker(*unseen, y, unseen_ink, 4.4);
            let bold = i == targets.len();
            let style = if bold {
                Words::new(11.5).bold()
            } else {
                Words::new(11.5)
            }
            .ending();
            pen.text((columns[0], height), &format!("{fitted:.4}"), style);
            pen.text((columns[1], height), &format!("{unseen:.4}"), style);
            if let Some(leverage) = leverage {
                pen.text((columns[2], height), &format!("{leverage:.2}"), style);
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn the_mean_stands_below_the_targets() {
        let targets: Vec<LeftOut> = (1..=10)
            .map(|i| LeftOut {
                target: format!("tile {i} of the darker set"),
                fitted: 0.0008 * f64::from(i % 4 + 1),
                left_out: 0.0013 * f64::from(i % 5 + 1),
                leverage: Some(0.09 * f64::from(i)),
            })
            .collect();
        let figure = left_out(&targets, 0.01).unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("left out 0.0039"));
    }
}
