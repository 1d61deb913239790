//! Models whose log odds are a quadratic polynomial of the color, computed for every pixel.
//!
//! Logistic regression with linear or quadratic terms, linear and quadratic discriminants, the
//! brightness cut and the nearest mean all are: between any two classes, the logarithm of the ratio
//! of probabilities is a polynomial of second degree in (u', v', log luminance). Ten values of a
//! model fix such a polynomial. It is worked out from the model's own answers and then held against
//! them at other colors; a model that it does not reproduce to 1e-6 is not taken for one of these.

use super::judge::{Judge, ModelJudge};
use super::palette::{FIRST_CLASS, NOVEL};
use super::pixels::{ColorRow, LANES, log10};
use super::scorer::{UNLIKE, WALK, byte, whole};
use crate::classify::ProbabilityCalibration;
use ndarray::Array2;

/// Coefficients of 1, a, b, c, aa, ab, ac, bb, bc, cc, where (a, b, c) is the color less `CENTER`.
type Polynomial = [f32; 10];

/// About where glows lie: polynomials about it lose few digits.
const CENTER: [f64; 3] = [0.2, 0.5, -1.0];
/// Distance of the colors that are tried from the center.
const STEP: [f64; 3] = [0.02, 0.02, 0.4];

/// A model as polynomials.
#[derive(Debug, Clone)]
pub(super) struct Quadratic {
    /// Log odds of each class against an arbitrary common one.
    logits: Vec<Polynomial>,
    positive: Vec<bool>,
    /// From the log10 odds of a positive by `logits` to its probability in the field.
    curve: Curve,
    /// Squared distances to the known classes.
    distances: Vec<Polynomial>,
    /// Beyond this squared distance to all of them a glow is novel.
    novel_beyond: f32,
}

/// From the log10 odds of a positive at the ledger's prevalence to its probability in the field.
#[derive(Debug, Clone)]
enum Curve {
    /// Log10 odds in the field are a straight line of those in the ledger.
    Line { slope: f32, intercept: f32 },
    /// The calibration itself and what the odds are multiplied by, for a curve that may jump.
    Jumping(ProbabilityCalibration, f64),
}

/// What is said of the pixels of one piece of a row.
#[derive(Debug, Clone)]
pub(super) struct Answers {
    /// Of each class, its share of each pixel's odds.
    classes: Vec<[f32; LANES]>,
    /// Probability of being worth a walk.
    pub positive: [f32; LANES],
    /// The probability as the picture holds it; 0 where not bright.
    pub probability: [u8; LANES],
    /// Palette index; 0 where not bright.
    pub class: [u8; LANES],
    /// Kind of candidate; 0 for none.
    pub kind: [u8; LANES],
    /// What shares of odds are multiplied by to give probabilities, on the other and on the positive
    /// side.
    scale: [[f32; LANES]; 2],
}

impl Default for Answers {
    fn default() -> Self {
        Answers {
            classes: Vec::new(),
            positive: [0.0; LANES],
            probability: [0; LANES],
            class: [0; LANES],
            kind: [0; LANES],
            scale: [[0.0; LANES]; 2],
        }
    }
}

impl Quadratic {
    /// The polynomials of a model, if its log odds are some.
    pub fn of(judge: &ModelJudge) -> Option<Self> {
        let model = judge.model();
        let fitted_at = model.classifier().class_shares();
        // A class that training did not hold has no odds: it stays at probability 0.
        let held = |k: usize| fitted_at[k] > 0.0 && model.training_prior()[k] > 0.0;
        let reference = (0..fitted_at.len()).find(|k| held(*k))?;
        let log_odds = |p: &Array2<f64>, i: usize, k: usize| (p[(i, k)] / p[(i, reference)]).ln();
        let design = design();
        let answers = judge.as_fitted(&design);
        let mut exact = Vec::new();
        for k in 0..fitted_at.len() {
            if !held(k) {
                let mut never = [0.0; 10];
                never[0] = -1e30;
                exact.push(never);
                continue;
            }
            let values: Vec<f64> = (0..10).map(|i| log_odds(&answers, i, k)).collect();
            let mut polynomial = through(&values)?;
            let shift = |k: usize| (model.training_prior()[k] / fitted_at[k]).ln();
            polynomial[0] += shift(k) - shift(reference);
            exact.push(polynomial);
        }
        let novelty = model.novelty();
        let distances: Vec<[f64; 10]> = match novelty.cut() {
            Some(_) => novelty.forms().iter().map(|f| form(f, judge)).collect(),
            None => Vec::new(),
        };
        let quadratic = Quadratic {
            logits: exact.iter().map(|p| p.map(|c| c as f32)).collect(),
            positive: model.positive().to_vec(),
            curve: Curve::of(judge),
            distances: distances.iter().map(|p| p.map(|c| c as f32)).collect(),
            novel_beyond: novelty.cut().unwrap_or(f64::INFINITY) as f32,
        };
        quadratic.reproduces(judge, &exact).then_some(quadratic)
    }

    /// Whether the polynomials give the model's own probabilities at colors all over the diagram.
    fn reproduces(&self, judge: &ModelJudge, logits: &[[f64; 10]]) -> bool {
        let colors: Vec<[f64; 3]> = (0..343)
            .map(|i| {
                let [a, b, c] = [i % 7, i / 7 % 7, i / 49].map(|j| j as f64 / 6.0 - 0.5);
                [0.22 + 0.3 * a, 0.45 + 0.35 * b, -1.2 + 4.0 * c]
            })
            .collect();
        let expected = judge.probabilities(&colors);
        colors.iter().zip(expected.rows()).all(|(color, expected)| {
            let odds: Vec<f64> = logits.iter().map(|p| value(p, color)).collect();
            let most = odds.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let of = |side: bool| -> f64 {
                let side = odds.iter().zip(&self.positive).filter(|(_, p)| **p == side);
                side.map(|(l, _)| (l - most).exp()).sum()
            };
            let (on, off) = (of(true), of(false));
            let positive: f64 = expected
                .iter()
                .zip(&self.positive)
                .map(|(p, is)| if *is { *p } else { 0.0 })
                .sum();
            let found = f64::from(self.curve.at((on / off).log10() as f32));
            let sides = expected.iter().zip(&odds).zip(&self.positive);
            (found - positive).abs() < 1e-5
                && sides.into_iter().all(|((p, odds), is)| {
                    let (side, share) = if *is {
                        (on, positive)
                    } else {
                        (off, 1.0 - positive)
                    };
                    side <= 0.0 || ((odds - most).exp() / side * share - p).abs() < 1e-6
                })
        })
    }

    /// Hands the answers for each piece of a row that holds bright pixels to `each`, left to right:
    /// its first column, how many pixels, and what is said of them.
    pub fn judge_row(
        &self,
        colors: &ColorRow,
        cut: f32,
        answers: &mut Answers,
        mut each: impl FnMut(usize, usize, &Answers),
    ) {
        answers.classes.resize(self.logits.len(), [0.0; LANES]);
        let width = colors.u.len();
        let mut color = [[0.0; LANES]; 3];
        for start in (0..width).step_by(LANES) {
            let end = (start + LANES).min(width);
            let mut seen = [0; LANES];
            for (seen, bright) in seen.iter_mut().zip(&colors.bright[start..end]) {
                *seen = 0_u8.wrapping_sub(u8::from(*bright));
            }
            if seen == [0; LANES] {
                continue;
            }
            let channels = [&colors.u, &colors.v, &colors.log];
            for ((to, from), center) in color.iter_mut().zip(channels).zip(CENTER) {
                for (to, from) in to.iter_mut().zip(&from[start..end]) {
                    *to = from - center as f32;
                }
            }
            self.answer(&color, &seen, cut, answers);
            each(start, end - start, answers);
        }
    }

    fn answer(&self, color: &[[f32; LANES]; 3], seen: &[u8; LANES], cut: f32, to: &mut Answers) {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") {
            #[target_feature(enable = "avx2")]
            fn wide(
                model: &Quadratic,
                color: &[[f32; LANES]; 3],
                seen: &[u8; LANES],
                cut: f32,
                to: &mut Answers,
            ) {
                model.work_out(color, seen, cut, to);
            }
            // SAFETY: the processor has what `wide` needs; it does the same operations, eight at
            // once.
            #[allow(unsafe_code)]
            return unsafe { wide(self, color, seen, cut, to) };
        }
        self.work_out(color, seen, cut, to);
    }

    /// `seen` is 255 where a pixel is bright, else 0.
    #[inline(always)]
    fn work_out(&self, color: &[[f32; LANES]; 3], seen: &[u8; LANES], cut: f32, to: &mut Answers) {
        let mut top = [f32::MIN; LANES];
        for (logits, polynomial) in to.classes.iter_mut().zip(&self.logits) {
            evaluate(polynomial, color, logits);
            for (top, logit) in top.iter_mut().zip(logits.iter()) {
                *top = if *logit > *top { *logit } else { *top };
            }
        }
        let mut sum = [[f32::MIN_POSITIVE; LANES]; 2];
        let mut most = [[0.0; LANES]; 2];
        let mut class = [[0.0_f32; LANES]; 2];
        for (k, (odds, is)) in to.classes.iter_mut().zip(&self.positive).enumerate() {
            let k = k as f32;
            let side = usize::from(*is);
            let (sum, most, class) = (&mut sum[side], &mut most[side], &mut class[side]);
            for i in 0..LANES {
                odds[i] = exp(odds[i] - top[i]);
                sum[i] += odds[i];
                // A product and no choice: masked stores are slow.
                let better = if odds[i] > most[i] { 1.0 } else { 0.0 };
                class[i] += (k - class[i]) * better;
                most[i] = most[i].max(odds[i]);
            }
        }
        let mut log_odds = [0.0; LANES];
        for i in 0..LANES {
            log_odds[i] = log10(sum[1][i]) - log10(sum[0][i]);
        }
        self.curve.probabilities(&log_odds, &mut to.positive);
        let mut nearest = [f32::INFINITY; LANES];
        let mut distance = [0.0; LANES];
        for polynomial in &self.distances {
            evaluate(polynomial, color, &mut distance);
            for (least, d) in nearest.iter_mut().zip(&distance) {
                *least = if *d < *least { *d } else { *least };
            }
        }
        let beyond = match self.distances.is_empty() {
            true => f32::INFINITY,
            false => self.novel_beyond,
        };
        let [mut index, mut kind] = [[0_u32; LANES]; 2];
        let ([off, on], [class_off, class_on]) = (&most, &class);
        for i in 0..LANES {
            let positive = to.positive[i];
            let scale = [(1.0 - positive) / sum[0][i], positive / sum[1][i]];
            (to.scale[0][i], to.scale[1][i]) = (scale[0], scale[1]);
            let worth_it = if on[i] * scale[1] > off[i] * scale[0] {
                1.0
            } else {
                0.0
            };
            let class = class_off[i] + (class_on[i] - class_off[i]) * worth_it;
            let novel = nearest[i] > beyond;
            let walk = if positive >= cut { u32::from(WALK) } else { 0 };
            let known = u32::from(whole(class)) + u32::from(FIRST_CLASS);
            index[i] = if novel { NOVEL.into() } else { known };
            kind[i] = if novel { UNLIKE.into() } else { walk };
        }
        for i in 0..LANES {
            to.probability[i] = byte(to.positive[i]) & seen[i];
            to.class[i] = index[i] as u8 & seen[i];
            to.kind[i] = kind[i] as u8 & seen[i];
        }
    }
}

impl Answers {
    /// The class probabilities of one pixel of the piece.
    pub fn of_classes(&self, pixel: usize, positive: &[bool], to: &mut [f32]) {
        for ((to, odds), is) in to.iter_mut().zip(&self.classes).zip(positive) {
            *to = odds[pixel] * self.scale[usize::from(*is)][pixel];
        }
    }
}

#[inline(always)]
fn evaluate(p: &Polynomial, color: &[[f32; LANES]; 3], to: &mut [f32; LANES]) {
    let [a, b, c] = color;
    for (((to, a), b), c) in to.iter_mut().zip(a).zip(b).zip(c) {
        *to = p[0]
            + a * (p[1] + p[4] * a + p[5] * b + p[6] * c)
            + b * (p[2] + p[7] * b + p[8] * c)
            + c * (p[3] + p[9] * c);
    }
}

fn value(p: &[f64; 10], color: &[f64; 3]) -> f64 {
    let [a, b, c] = std::array::from_fn(|i| color[i] - CENTER[i]);
    let terms = [1.0, a, b, c, a * a, a * b, a * c, b * b, b * c, c * c];
    p.iter().zip(terms).map(|(p, t)| p * t).sum()
}

/// The exponential of a number of 0 or below, within 2e-7 of it; below -87 that of -87.
#[inline(always)]
fn exp(x: f32) -> f32 {
    // Adding and taking off 1.5 x 2^23 rounds to a whole number and leaves it in the low bits.
    const ROUND: f32 = 12_582_912.0;
    const LN2_HIGH: f32 = 0.693_359_4;
    const LN2_LOW: f32 = -2.121_944_4e-4;
    let x = if x > -87.0 { x } else { -87.0 };
    let shifted = x * std::f32::consts::LOG2_E + ROUND;
    let whole = shifted - ROUND;
    let r = (x - whole * LN2_HIGH) - whole * LN2_LOW;
    // Taylor to degree 6: the rest is below 3e-7 x r^7 / 7! at |r| = ln 2 / 2.
    let tail = 0.5 + r * (1.0 / 6.0 + r * (1.0 / 24.0 + r * (1.0 / 120.0 + r * (1.0 / 720.0))));
    let sum = 1.0 + r * (1.0 + r * tail);
    sum * f32::from_bits(shifted.to_bits().wrapping_add(127) << 23)
}

/// The ten colors whose values fix a polynomial.
fn design() -> Vec<[f64; 3]> {
    let mut colors = vec![CENTER];
    for i in 0..3 {
        for sign in [1.0, -1.0] {
            let mut color = CENTER;
            color[i] += sign * STEP[i];
            colors.push(color);
        }
    }
    for (i, j) in [(0, 1), (0, 2), (1, 2)] {
        let mut color = CENTER;
        color[i] += STEP[i];
        color[j] += STEP[j];
        colors.push(color);
    }
    colors
}

/// The polynomial with these values at [`design`]; absent if one is not finite.
fn through(values: &[f64]) -> Option<[f64; 10]> {
    let mut p = [0.0; 10];
    p[0] = values[0];
    let (up, down) = (|i: usize| values[1 + 2 * i], |i: usize| values[2 + 2 * i]);
    for (i, square) in [4, 7, 9].into_iter().enumerate() {
        p[1 + i] = (up(i) - down(i)) / (2.0 * STEP[i]);
        p[square] = (up(i) + down(i) - 2.0 * values[0]) / (2.0 * STEP[i] * STEP[i]);
    }
    for (n, ((i, j), cross)) in [((0, 1), 5), ((0, 2), 6), ((1, 2), 8)]
        .into_iter()
        .enumerate()
    {
        p[cross] = (values[7 + n] - up(i) - up(j) + values[0]) / (STEP[i] * STEP[j]);
    }
    p.iter().all(|c| c.is_finite()).then_some(p)
}

/// A squared distance (mean, inverse covariance row by row) as a polynomial of the color.
fn form(form: &(Vec<f64>, Vec<f64>), judge: &ModelJudge) -> [f64; 10] {
    let (mean, inverse) = form;
    let components = judge.model().components();
    let value = |color: [f64; 3]| -> f64 {
        let d: Vec<f64> = components
            .iter()
            .zip(mean)
            .map(|(c, m)| color[*c] - m)
            .collect();
        (0..d.len())
            .flat_map(|i| (0..d.len()).map(move |j| (i, j)))
            .map(|(i, j)| d[i] * inverse[i * d.len() + j] * d[j])
            .sum()
    };
    let values: Vec<f64> = design().into_iter().map(value).collect();
    through(&values).unwrap_or([0.0; 10])
}

impl Curve {
    fn of(judge: &ModelJudge) -> Self {
        let model = judge.model();
        let odds_of = |shares: &[f64]| {
            let sides = shares.iter().zip(model.positive());
            let on: f64 = sides.filter(|(_, p)| **p).map(|(s, _)| s).sum();
            on / (1.0 - on)
        };
        let ratio = odds_of(model.prior()) / odds_of(model.training_prior());
        let (slope, intercept) = match model.probability_calibration() {
            ProbabilityCalibration::None => (1.0, 0.0),
            ProbabilityCalibration::Platt { slope, intercept } => (*slope, *intercept),
            jumping => return Curve::Jumping(jumping.clone(), ratio),
        };
        Curve::Line {
            slope: slope as f32,
            intercept: ((intercept + ratio.ln()) / std::f64::consts::LN_10) as f32,
        }
    }

    #[inline(always)]
    fn probabilities(&self, log_odds: &[f32; LANES], to: &mut [f32; LANES]) {
        match self {
            Curve::Line { slope, intercept } => {
                for (to, log_odds) in to.iter_mut().zip(log_odds) {
                    // Probability calibration takes certainty to be 12 nines at most.
                    let log_odds = log_odds.clamp(-12.0, 12.0);
                    let in_field = (slope * log_odds + intercept) * std::f32::consts::LN_10;
                    let less_likely = exp(-in_field.abs());
                    let share = if in_field < 0.0 { less_likely } else { 1.0 };
                    *to = share / (1.0 + less_likely);
                }
            }
            Curve::Jumping(calibration, ratio) => {
                for (to, log_odds) in to.iter_mut().zip(log_odds) {
                    let p = 1.0 / (1.0 + 10_f64.powf(-f64::from(*log_odds)));
                    let corrected = calibration.positive(p);
                    let odds = ratio * corrected / (1.0 - corrected);
                    *to = match odds.is_finite() {
                        true => odds / (1.0 + odds),
                        false => 1.0,
                    } as f32;
                }
            }
        }
    }

    fn at(&self, log_odds: f32) -> f32 {
        let mut found = [0.0; LANES];
        self.probabilities(&[log_odds; LANES], &mut found);
        found[0]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponential_is_that_of_the_library() {
        for i in 0..87_000 {
            let x = -(i as f32) * 1e-3;
            let relative = (f64::from(exp(x)) / f64::from(x).exp() - 1.0).abs();
            assert!(relative < 2.5e-7, "exp({x}): {relative:e}");
        }
        assert!(exp(-1e30) < 2e-38 && exp(-1e30) > 0.0);
    }

    #[test]
    fn ten_values_give_a_quadratic_polynomial_back() {
        let p = [0.3, -1.0, 2.0, 0.5, 10.0, -20.0, 3.0, 7.0, -0.4, 1.5];
        let values: Vec<f64> = design().iter().map(|c| value(&p, c)).collect();
        for (found, expected) in through(&values).unwrap().iter().zip(p) {
            assert!((found - expected).abs() < 1e-9, "{found} {expected}");
        }
    }
}
