//! Whether a stated probability is met by what was found.

use super::Span;
use super::cost::{logit, odds_axis};
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

/// Stated probabilities nearer to 0 or 1 are drawn at these ends.
const ENDS: (f64, f64) = (1e-6, 1.0 - 1e-6);

/// Draws stated probability, over its log odds, against the share found, with the number of patches
/// below; `weighted` if the shares are weighted, as the counts are not.
pub fn reliability(bins: &[ReliabilityBin], classifier: &str, weighted: bool) -> Result<Figure> {
    let shares = match weighted {
        true => " Shares are weighted as the ledger was sampled, patches are counted.",
        false => "",
    };
    let patches: u64 = bins.iter().map(|b| b.count).sum();
    let sheet = Sheet {
        name: "reliability",
        title: "Stated probability of a positive against the share found positive",
        description: format!(
            "Out-of-group predictions of {classifier}, {patches} patches in {} bins with their intervals. \
             The axis of stated probability is even in log odds, so that the small ones stand apart. \
             On the dotted line a stated probability means what it says; below it, too much is promised. \
             Bars: how many patches were given such a probability.{shares}",
            bins.len()
        ),
        width: WIDTH,
        height: 520.0,
        legend: Vec::new(),
        under: String::new(),
    };
    sheet.draw(|pen| {
        let place = Place {
            left: 80.0,
            top: 8.0,
            width: 420.0,
            height: 330.0,
        };
        let stated = |bin: &ReliabilityBin| logit(bin.predicted.clamp(ENDS.0, ENDS.1));
        let ends = bins.iter().map(stated);
        let low = ends.clone().fold(logit(0.1), f64::min);
        let high = ends.fold(logit(0.9), f64::max);
        let room = 0.04 * (high - low);
        let x = odds_axis(
            "stated probability (out of group)",
            expit(low - room),
            expit(high + room),
        );
        let y = Axis::share("share found positive");
        let frame = Frame::new(pen, place, x.clone(), y);
        frame.x_axis(false);
        frame.y_axis();
        let as_stated = Stroke::new(MUTED, 1.3).dashed(2.0, 3.0);
        let diagonal: Vec<[f64; 2]> = (0..=120)
            .map(|i| frame.x.low + (frame.x.high - frame.x.low) * f64::from(i) / 120.0)
            .map(|l| [l, expit(l)])
            .collect();
        frame.curve(&diagonal, as_stated);
        frame.edges();
        let ink = series_ink(0);
        let path: Vec<[f64; 2]> = bins.iter().map(|b| [stated(b), b.observed.value]).collect();
        frame.curve(&path, Stroke::new(ink.color, 1.2));
        for bin in bins {
            let stroke = Stroke::new(ink.color, 1.4);
            frame.whisker(stated(bin), bin.observed.low(), bin.observed.high(), stroke);
            frame.marker(stated(bin), bin.observed.value, ink, 4.6);
        }
        let most = bins.iter().map(|b| b.count).max().unwrap_or(1) as f64;
        let below = Place {
            top: 362.0,
            height: 100.0,
            ..place
        };
        let counts = Axis::rounded("patches", 0.0, most * 1.3, 3);
        let histogram = Frame::new(pen, below, x, counts);
        histogram.axes();
        let words = Words::new(10.0).muted().centered();
        // A count that has no room beside the one before stands a line higher.
        let mut free_from = [0.0; 2];
        for bin in bins {
            let (middle, top) = histogram.at(stated(bin), bin.count as f64);
            let bar = [(middle - 4.0, top), (middle + 4.0, histogram.bottom())];
            pen.fill_box(bar[0], bar[1], series_ink(1).color, 0.8);
            let count = bin.count.to_string();
            let half = pen.width(&count, words) / 2.0 + 2.0;
            if let Some(line) = free_from.iter().position(|f| middle - half > *f) {
                pen.text((middle, top - 7.0 - 11.0 * line as f64), &count, words);
                free_from[line] = middle + half;
            }
        }
        let keys = [
            (
                Key::Both(Stroke::new(ink.color, 1.2), ink),
                "found, with interval".to_string(),
            ),
            (Key::Line(as_stated), "as stated".to_string()),
        ];
        legend(pen, (frame.right() + 18.0, 12.0), 170.0, &keys[..1]);
        legend(pen, (frame.right() + 18.0, 32.0), 170.0, &keys[1..]);
    })
}

fn expit(l: f64) -> f64 {
    1.0 / (1.0 + (-l).exp())
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
        let figure = reliability(&bins, "logistic", false).unwrap();
        trial::keep(&figure);
        assert!(figure.description.contains("796 patches in 10 bins"));
    }

    #[test]
    fn bins_near_zero_stand_apart_and_each_shows_its_count() {
        let stated = [
            0.0, 2.6e-6, 2.7e-5, 1.3e-4, 9.8e-4, 9.2e-3, 0.043, 0.17, 0.72, 0.85,
        ];
        let bins: Vec<ReliabilityBin> = stated
            .iter()
            .enumerate()
            .map(|(i, &predicted)| ReliabilityBin {
                predicted,
                observed: Span::new(0.8 * predicted, 0.5 * predicted, (predicted + 0.1).min(1.0)),
                count: 101 + i as u64,
            })
            .collect();
        let figure = reliability(&bins, "discriminant", true).unwrap();
        trial::keep_as(&figure, "reliability-small");
        for bin in &bins {
            let count = format!(">{}<", bin.count);
            assert_eq!(figure.svg.matches(&count).count(), 1, "{count}");
        }
        assert!(figure.description.contains("weighted as the ledger"));
    }
}
