//! The colors of a probability on a dark picture, and the scale that explains them.

use crate::report::drawing::*;
use crate::report::numbers::chance;
use plotters::style::RGBColor;

/// Night to ember to pale, rising in lightness, even in the root of the probability: bone may be worth a walk
/// at a few per cent, which would be as dark as nothing otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlowScale {
    /// The probability that the brightest color stands for, above 0.
    pub brightest: f64,
}

const STOPS: [[f64; 3]; 4] = [
    [16.0, 18.0, 26.0],
    [92.0, 34.0, 40.0],
    [226.0, 104.0, 38.0],
    [255.0, 236.0, 190.0],
];
/// Steps that the eye takes for a gradient.
const STEPS: usize = 96;
const BAR: f64 = 9.0;

impl GlowScale {
    /// Height in px of the scale with its words.
    pub(crate) const HEIGHT: f64 = 40.0;

    /// The sRGB code values of a probability.
    pub fn color(self, p: f64) -> [u8; 3] {
        let at = 3.0 * self.share(p);
        let from = (at.floor() as usize).min(2);
        let within = at - from as f64;
        std::array::from_fn(|i| {
            (STOPS[from][i] + within * (STOPS[from + 1][i] - STOPS[from][i])).round() as u8
        })
    }

    /// Where along the scale a probability lies, 0 to 1.
    fn share(self, p: f64) -> f64 {
        (p / self.brightest).clamp(0.0, 1.0).sqrt()
    }

    /// Draws the scale from `at`, so wide, with the cut on it.
    pub(crate) fn draw(self, pen: &Pen, at: At, width: f64, cut: f64) {
        let (left, top) = at;
        for step in 0..STEPS {
            let middle = (step as f64 + 0.5) / STEPS as f64;
            let [r, g, b] = self.color(self.brightest * middle * middle);
            // Each a little over the next: between boxes side by side the paper shows through.
            let edge = |step: usize| left + width * step.min(STEPS) as f64 / STEPS as f64;
            let (from, to) = ((edge(step), top), (edge(step + 2), top + BAR));
            pen.fill_box(from, to, RGBColor(r, g, b), 1.0);
        }
        let words = Words::new(10.0).muted().centered().below();
        for p in self.ticks(cut) {
            let x = left + width * self.share(p);
            let line = [(x, top + BAR), (x, top + BAR + 3.0)];
            pen.line(&line, Stroke::new(INK, 1.0));
            let text = match p == self.brightest {
                true => chance(p),
                false => p.to_string(),
            };
            pen.text((x, top + BAR + 5.0), &text, words);
        }
        if cut <= self.brightest {
            let x = left + width * self.share(cut);
            let line = [(x, top - 3.0), (x, top + BAR + 3.0)];
            pen.line(&line, Stroke::new(PAPER, 2.6));
            pen.line(&line, Stroke::new(INK, 1.2));
            let words = Words::new(10.0).bold().centered().below();
            pen.text((x, top + BAR + 5.0), &format!("cut {}", chance(cut)), words);
        }
    }

    /// Round probabilities whose labels keep clear of each other and of the cut's.
    fn ticks(self, cut: f64) -> Vec<f64> {
        let room = 0.09;
        let mut kept: Vec<f64> = Vec::new();
        for p in [0.0, self.brightest, 0.5, 0.2, 0.1, 0.05, 0.01, 0.002] {
            let at = self.share(p);
            let clear_of_cut = cut > self.brightest || (self.share(cut) - at).abs() > 1.6 * room;
            let clear = kept.iter().all(|k| (self.share(*k) - at).abs() > room);
            if p <= self.brightest && clear && clear_of_cut {
                kept.push(p);
            }
        }
        kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probability_rises_in_lightness() {
        let scale = GlowScale { brightest: 0.6 };
        let lightness = |p: u8| {
            let [r, g, b] = scale.color(f64::from(p) / 255.0).map(f64::from);
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        for p in 1..=255 {
            assert!(lightness(p) >= lightness(p - 1), "{p}");
        }
        assert_eq!(scale.color(0.0), [16, 18, 26]);
        assert_eq!(scale.color(0.6), [255, 236, 190]);
        assert_eq!(scale.color(0.15), scale.color(0.6 * 0.25));
    }

    #[test]
    fn labels_of_the_scale_keep_apart() {
        let ticks = GlowScale { brightest: 1.0 }.ticks(0.02);
        assert_eq!(ticks, [1.0, 0.5, 0.2, 0.1]);
        let ticks = GlowScale { brightest: 0.45 }.ticks(0.3);
        assert_eq!(ticks, [0.0, 0.45, 0.2, 0.1, 0.05, 0.01]);
        assert_eq!(GlowScale { brightest: 0.01 }.ticks(0.5), [0.0, 0.01, 0.002]);
    }
}
