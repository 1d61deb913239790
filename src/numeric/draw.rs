//! Random numbers of the shapes that simulations need.

use super::{Stream, stream};
use rand::Rng;

/// Draws from one random stream.
///
/// ```
/// use boneglow::numeric::Draw;
/// let mut draw = Draw::new(1, "example", 0);
/// let mean = (0..1000).map(|_| draw.normal()).sum::<f64>() / 1000.0;
/// assert!(mean.abs() < 0.15);
/// ```
#[derive(Debug, Clone)]
pub struct Draw {
    stream: Stream,
    spare: Option<f64>,
}

impl Draw {
    /// Draws that depend only on the seed, the name of the job and the number of the piece.
    pub fn new(seed: u64, job: &str, piece: u64) -> Self {
        Draw {
            stream: stream(seed, job, piece),
            spare: None,
        }
    }

    /// Uniform in [0, 1).
    pub fn uniform(&mut self) -> f64 {
        (self.stream.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform in [low, high).
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Whole number in 0..count.
    pub fn index(&mut self, count: usize) -> usize {
        ((self.uniform() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        let (sine, cosine) = (std::f64::consts::TAU * self.uniform()).sin_cos();
        self.spare = Some(radius * sine);
        radius * cosine
    }

    /// exp of a normal with mean 0 and this standard deviation: a factor around 1.
    pub fn factor(&mut self, sd: f64) -> f64 {
        (sd * self.normal()).exp()
    }

    /// An index with probability proportional to its weight.
    pub fn weighted(&mut self, weights: &[f64]) -> usize {
        let mut left = self.uniform() * weights.iter().sum::<f64>();
        for (i, weight) in weights.iter().enumerate() {
            left -= weight;
            if left < 0.0 {
                return i;
            }
        }
        weights.len().saturating_sub(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_draws_have_mean_zero_and_variance_one() {
        let mut draw = Draw::new(7, "moments", 0);
        let values: Vec<f64> = (0..40_000).map(|_| draw.normal()).collect();
        let mean = values.iter().sum::<f64>() / 40_000.0;
        let variance = values.iter().map(|v| v * v).sum::<f64>() / 40_000.0;
        // Four standard errors.
        assert!(mean.abs() < 0.02 && (variance - 1.0).abs() < 0.03);
    }

    #[test]
    fn weights_are_shares() {
        let mut draw = Draw::new(7, "weights", 0);
        let hits = (0..10_000)
            .filter(|_| draw.weighted(&[1.0, 0.0, 3.0]) == 2)
            .count();
        assert!((hits as f64 / 10_000.0 - 0.75).abs() < 0.02);
    }
}
