//! From patches and a calibration to numbers that a classifier can learn from.
//!
//! In: measured patches with labels. Out: a checked [`Dataset`] with what is odd about it in words.

mod dataset;
mod feature;
mod sample;

pub use dataset::Dataset;
pub use feature::{Feature, feature_covariance};
pub use sample::{Sample, dataset};
