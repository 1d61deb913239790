//! What is known of a color: class probabilities at the field's prevalence, novelty.

use crate::classify::{Classifier, Model};
use crate::threshold::Thresholds;
use crate::{Error, Result};
use ndarray::{Array1, Array2};

/// Turns colors (u', v', log10 luminance) into class probabilities and novelty.
///
/// The same color always gives the same answer, whatever colors are asked with it.
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

/// A model at the field's prevalence.
#[derive(Debug, Clone)]
pub struct ModelJudge {
    model: Model,
    components: Vec<usize>,
}

impl ModelJudge {
    /// The model with its probabilities moved to the prevalence that the thresholds state.
    ///
    /// # Errors
    /// Thresholds of another classifier than the model's.
    pub fn new(model: &Model, thresholds: &Thresholds) -> Result<Self> {
        let name = model.classifier().method().name();
        if thresholds.classifier != name {
            return Err(Error::input(format!(
                "the thresholds are for \"{}\", the model is \"{name}\"",
                thresholds.classifier
            ))
            .remedy("run the threshold step again"));
        }
        Self::at_prevalence(model, thresholds.prior.value)
    }

    /// The model with its probabilities moved to a share of positives, between 0 and 1.
    pub fn at_prevalence(model: &Model, share: f64) -> Result<Self> {
        let mut model = model.clone();
        model.adjust_prior(share)?;
        Ok(ModelJudge {
            components: model.components(),
            model,
        })
    }

    pub(super) fn model(&self) -> &Model {
        &self.model
    }

    fn features(&self, colors: &[[f64; 3]]) -> Array2<f64> {
        Array2::from_shape_fn((colors.len(), self.components.len()), |(i, j)| {
            colors[i][self.components[j]]
        })
    }

    /// The classifier's own probabilities, as they were fitted.
    pub(super) fn as_fitted(&self, colors: &[[f64; 3]]) -> Array2<f64> {
        self.model
            .classifier()
            .probabilities(self.features(colors).view())
    }

    pub(super) fn squared_distances(&self, colors: &[[f64; 3]]) -> Array1<f64> {
        self.model
            .novelty()
            .squared_distances_of(self.features(colors).view())
    }
}

impl Judge for ModelJudge {
    fn classes(&self) -> &[String] {
        self.model.classes()
    }

    fn positive(&self) -> &[bool] {
        self.model.positive()
    }

    fn probabilities(&self, colors: &[[f64; 3]]) -> Array2<f64> {
        self.model.probabilities(self.features(colors).view())
    }

    fn novel(&self, colors: &[[f64; 3]]) -> Vec<bool> {
        let novelty = self.model.novelty();
        if novelty.cut().is_none() {
            return vec![false; colors.len()];
        }
        let distances = self.squared_distances(colors);
        distances.iter().map(|d| novelty.is_novel(*d)).collect()
    }
}
