//! Classifiers behind one small interface, each in a file of its own.
//!
//! In: a [`Dataset`](crate::features::Dataset). Out: a fitted classifier that turns features into
//! class probabilities and can be saved and restored.

mod classifier;

pub use classifier::Classifier;
