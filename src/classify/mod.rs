//! Classifiers behind one small interface, each in a file of its own.
//!
//! In: a [`Dataset`](crate::features::Dataset). Out: a [`Fitted`] classifier that turns features
//! into class probabilities and can be saved and restored.

mod brightness;
mod classifier;
mod discriminant;
mod exponential;
mod logistic;
mod method;
mod nearest_mean;
mod scatter;
mod softmax;
mod standardizer;
mod training;
mod weights;

pub use brightness::Brightness;
pub use classifier::Classifier;
pub use discriminant::{CovarianceShape, Discriminant};
pub use logistic::{Logistic, Terms};
pub use method::{Fitted, Method, Settings, WarmStart};
pub use nearest_mean::NearestMean;
pub use softmax::{Coefficients, Optimum, Softmax};
pub use standardizer::Standardizer;
pub use weights::training_weights;
