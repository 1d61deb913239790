//! Whether a stated probability is met by what was found.

use super::Span;
use crate::Result;
use crate::report::drawing::*;

/// Patches of about the same stated probability.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReliabilityBin {
    /// Mean stated probability.
    pub predicted: f64,
    /// Share found positive, with its interval.
    pub observed: Span,
    /// Patches.
    pub count: u64,
}

/// Draws stated probability against the share found, with the number of patches below.
pub fn reliability(bins: &[ReliabilityBin], classifier: &str) -> Result<Figure> {
    let patches: u64 = bins.iter().map(|b| b.count).sum();
    let sheet = Sheet {
        name: "reliability",
        title: "Stated probability of a positive against the share found positive",
        description: format!(
            "Out-of-group predictions of {classifier}, {patches} patches in {} bins with their intervals. \
             On the diagonal a stated probability means what it says; below it, too much is promised. \
             Bars: how many patches were given such a probability.",
            bins.len()
        ),
        width: WIDTH,
        height: 520.0,
        legend: Vec::new(),
        under: String::new(),
    };
    sheet.draw(|pen| {
        let place = Place {
            left: 130.0,
            top: 8.0,
            width: 360.0,
            height: 330.0,
        };
        let x = Axis::share("stated probability (out of group)");
        let y = Axis::share("share found positive");
        let frame = Frame::new(pen, place, x.clone(), y);
        frame.x_axis(false);
        frame.y_axis();
        let diagonal = [[0.0, 0.0], [1.0, 1.0]];
        frame.curve(&diagonal, Stroke::new(FAINT, 1.2).dashed(1.5, 3.5));
        frame.edges();
        let ink = series_ink(0);
        let path: Vec<[f64; 2]> = bins
            .iter()
            .map(|b| [b.predicted, b.observed.value])
            .collect();
        frame.curve(&path, Stroke::new(ink.color, 1.2));
        for bin in bins {
            let stroke = Stroke::new(ink.color, 1.4);
            frame.whisker(
                bin.predicted,
                bin.observed.low(),
                bin.observed.high(),
                stroke,
            );
            frame.marker(bin.predicted, bin.observed.value, ink, 4.6);
        }
        let most = bins.iter().map(|b| b.count).max().unwrap_or(1) as f64;
        let below = Place {
            top: 362.0,
            height: 100.0,
            ..place
        };
        let counts = Axis::rounded("patches", 0.0, most * 1.12, 3);
        let histogram = Frame::new(pen, below, x, counts);
        histogram.axes();
        let words = Words::new(10.0).muted().centered();
        let mut free_from = 0.0;
        for bin in bins {
            let (middle, top) = histogram.at(bin.predicted, bin.count as f64);
            let bar = [(middle - 4.0, top), (middle + 4.0, histogram.bottom())];
            pen.fill_box(bar[0], bar[1], series_ink(1).color, 0.8);
            let count = bin.count.to_string();
            let half = pen.width(&count, words) / 2.0 + 2.0;
            if middle - half > free_from {
                pen.text((middle, top - 7.0), &count, words);
                free_from = middle + half;
            }
        }
        let keys = [
            (
                Key::Both(Stroke::new(ink.color, 1.2), ink),
                "found, with interval".to_string(),
            ),
            (
                Key::Line(Stroke::new(FAINT, 1.2).dashed(1.5, 3.5)),
                "as stated".to_string(),
            ),
        ];
        legend(pen, (frame.right() + 18.0, 12.0), 170.0, &keys[..1]);
        legend(pen, (frame.right() + 18.0, 32.0), 170.0, &keys[1..]);
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::trial;

    #[test]
    fn bins_carry_their_interval_and_their_count() {
        let bins: Vec<ReliabilityBin> = [512, 74, 38, 21, 18, 15, 17, 22, 31, 48]
            .iter()
            .enumerate()
            .map(|(i, &count)| {
                let middle = 0.1 * i as f64 + 0.04;
                let found = (middle * 0.9 + 0.01).min(1.0);
                let half = 1.6 * (found * (1.0 - found) / count as f64).sqrt() + 0.02;
                ReliabilityBin {
                    predicted: middle,
                    observed: Span::new(found, (found - half).max(0.0), (found + half).min(1.0)),
                    count,
                }
            })
            .collect();
        let figure = reliability(&bins, "logistic").unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("796 patches in 10 bins"));
    }
}
