//! Classifiers behind one small interface, each in a file of its own.
//!
//! In: a [`Dataset`](crate::features::Dataset). Out: a [`Fitted`] classifier that turns features
//! into class probabilities and can be saved and restored.

mod bins;
mod brightness;
mod classifier;
#[cfg(test)]
mod contract;
mod discriminant;
mod exponential;
mod forest;
mod growth;
mod kd_tree;
mod likelihood;
mod logistic;
mod method;
mod model;
mod nearest_mean;
mod neighbours;
mod novelty;
mod prior;
mod probability_calibration;
mod scatter;
mod softmax;
mod standardizer;
mod training;
mod tree;
mod weights;

pub use brightness::Brightness;
pub use classifier::Classifier;
pub use discriminant::{CovarianceShape, Discriminant};
pub use forest::{Forest, ForestShape};
pub use logistic::{Logistic, Terms};
pub use method::{Fitted, Method, Settings, WarmStart};
pub use model::Model;
pub use nearest_mean::NearestMean;
pub use neighbours::Neighbours;
pub use novelty::Novelty;
pub use prior::{adjust_prior, shares_with_positive};
pub use probability_calibration::{CalibrationKind, ProbabilityCalibration};
pub use softmax::{Coefficients, Optimum, Softmax};
pub use standardizer::Standardizer;
pub use weights::training_weights;
