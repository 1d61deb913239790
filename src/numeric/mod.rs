//! Small numerical helpers that several stages need: random streams, quantiles of distributions.
//!
//! Decompositions come from `nalgebra`, distribution functions from `statrs`.

mod decimal;
mod draw;
pub mod least_squares;
mod median;
mod random;

pub use decimal::{at_most_digits, decimal, decimals, probability};
pub use draw::Draw;
pub(crate) use median::median;
pub use random::{Stream, stream};

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// A symmetric 3x3 covariance of (u', v', log10 luminance).
pub type Covariance3 = [[f64; 3]; 3];

/// The standard normal quantile at `probability` in (0, 1).
///
/// ```
/// assert!((boneglow::numeric::normal_quantile(0.975) - 1.959964).abs() < 1e-6);
/// ```
pub fn normal_quantile(probability: f64) -> f64 {
    Normal::standard().inverse_cdf(probability)
}

/// Probability that a standard normal variable exceeds `value`.
///
/// ```
/// assert!((boneglow::numeric::normal_tail(1.959964) - 0.025).abs() < 1e-6);
/// ```
pub fn normal_tail(value: f64) -> f64 {
    Normal::standard().sf(value)
}

/// Student's t quantile at `probability` in (0, 1) with `degrees` > 0 of freedom.
///
/// ```
/// assert!((boneglow::numeric::student_quantile(0.975, 13.0) - 2.160369).abs() < 1e-6);
/// ```
pub fn student_quantile(probability: f64, degrees: f64) -> f64 {
    match StudentsT::new(0.0, 1.0, degrees) {
        Ok(t) => t.inverse_cdf(probability),
        Err(_) => f64::NAN,
    }
}

/// Threads beyond which more only wait for each other.
const MOST_THREADS: usize = 256;

/// Sets the number of threads of the whole process, 1 to 256; once only, before any work.
///
/// # Errors
/// A number out of range, or threads that are already running.
pub fn set_threads(threads: usize) -> crate::Result<()> {
    let refused = |why: String| {
        crate::Error::input(why).remedy("give --threads no more than the computer has processors")
    };
    if !(1..=MOST_THREADS).contains(&threads) {
        return Err(refused(format!(
            "found {threads} threads, expected 1 to {MOST_THREADS}"
        )));
    }
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build_global()
        .map_err(|e| refused(e.to_string()))
}
