//! From the color of a pixel to what is to be done about it.

use ndarray::Array2;

/// What is known of one color: class probabilities at the field's prevalence, and whether the glow
/// is unlike anything in the ledger.
///
/// Colors are (u', v', log10 luminance). The same color always gives the same answer.
pub trait Judge: Sync {
    /// Class names in the order of the probabilities' columns.
    fn classes(&self) -> &[String];

    /// Whether each class is worth a walk.
    fn positive(&self) -> &[bool];

    /// Class probabilities at the field's prevalence, colors x classes, each row summing to 1.
    fn probabilities(&self, colors: &[[f64; 3]]) -> Array2<f64>;

    /// Whether each color is novel.
    fn novel(&self, colors: &[[f64; 3]]) -> Vec<bool>;
}

/// What is to be done about a pixel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// Below the detection limit, or without a hue.
    TooFaint,
    /// A known glow below the cut.
    Pass,
    /// At or above the cut.
    Walk,
    /// Unlike anything in the ledger.
    Novel,
}
