//! The interface of a fitted classifier.

use ndarray::{Array2, ArrayView2};

/// A fitted classifier: features in, class probabilities out.
///
/// Probabilities are at the class shares of the (weighted) training data, each row sums to 1, and a
/// class that training did not hold has probability 0. The order of rows does not matter.
pub trait Classifier: Send + Sync {
    /// Class probabilities (patches x classes) of `features` (patches x features, all finite).
    fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64>;
}
