//! From patches and a calibration to numbers that a classifier can learn from.
//!
//! In: measured patches with labels. Out: a [`Dataset`].

mod dataset;

pub use dataset::Dataset;
