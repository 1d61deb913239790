//! What `model.json` holds: all that turns a color into class probabilities.

use super::classifier::Classifier;
use super::method::Fitted;
use super::novelty::Novelty;
use super::prior::{adjust_prior, shares_with_positive};
use super::probability_calibration::ProbabilityCalibration;
use crate::features::{Dataset, Feature};
use crate::files::{Document, Provenance};
use crate::{Error, Result};
use ndarray::{Array1, Array2, ArrayView2};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// A classifier with its probability calibration, its novelty rule and its class shares.
///
/// Probabilities go through three steps: those of the classifier are moved from the class shares it
/// was fitted with to those of the ledger (they differ where classes were balanced), corrected by the
/// calibration, and moved to the field's shares where these are set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Model {
    classes: Vec<String>,
    positive: Vec<bool>,
    features: Vec<String>,
    groups: Vec<String>,
    training_prior: Vec<f64>,
    prior: Vec<f64>,
    probability_calibration: ProbabilityCalibration,
    novelty: Novelty,
    classifier: Fitted,
}

impl Model {
    /// The format's name and version in `model.json`.
    pub const FORMAT: &'static str = "boneglow-model/2";

    /// Puts together what was learnt from `data`; `data.weights` give the ledger's class shares.
    ///
    /// # Errors
    /// A feature that cannot be had from a color, parts fitted to other classes or features.
    pub fn new(
        data: &Dataset,
        classifier: Fitted,
        probability_calibration: ProbabilityCalibration,
        novelty: Novelty,
    ) -> Result<Self> {
        let mut shares = vec![0.0; data.classes.len()];
        let total: f64 = data.weights.iter().sum();
        for (&label, weight) in data.labels.iter().zip(&data.weights) {
            shares[label] += weight / total;
        }
        let model = Model {
            classes: data.classes.clone(),
            positive: data.positive.clone(),
            features: data.feature_names.clone(),
            groups: data.group_names.clone(),
            prior: shares.clone(),
            training_prior: shares,
            probability_calibration,
            novelty,
            classifier,
        };
        model.check()?;
        Ok(model)
    }

    fn check(&self) -> Result<()> {
        for name in &self.features {
            Feature::parse(name)?;
        }
        let classes = self.classes.len();
        let lengths = [
            self.positive.len(),
            self.training_prior.len(),
            self.prior.len(),
            self.classifier.class_shares().len(),
        ];
        if lengths.iter().any(|l| *l != classes) || classes == 0 {
            return Err(Error::input(format!(
                "the parts of the model are of {classes}, {}, {}, {} and {} classes, expected as many of each",
                lengths[0], lengths[1], lengths[2], lengths[3]
            ))
            .remedy("train the model again"));
        }
        if !self.classifier.takes(self.features.len()) {
            return Err(Error::input(format!(
                "the classifier was not fitted to the features {}",
                self.features.join(", ")
            ))
            .remedy("train the model again"));
        }
        if self.novelty.feature_names() != self.features {
            return Err(Error::input(format!(
                "novelty is judged on {}, the classifier on {}",
                self.novelty.feature_names().join(", "),
                self.features.join(", ")
            ))
            .remedy("train the model again"));
        }
        Ok(())
    }

    /// Reads `model.json` and checks that its parts fit together.
    pub fn read(path: &Path) -> Result<Self> {
        let model = Document::<Model>::read(path, Self::FORMAT)?.content;
        model.check().map_err(|e| e.at(path))?;
        Ok(model)
    }

    /// Writes `model.json`, whole or not at all.
    pub fn write(&self, path: &Path, made_from: Provenance) -> Result<()> {
        Document::new(Self::FORMAT, made_from, self.clone()).write(path)
    }

    /// Names of all classes, sorted.
    pub fn classes(&self) -> &[String] {
        &self.classes
    }

    /// Whether each class is worth a walk.
    pub fn positive(&self) -> &[bool] {
        &self.positive
    }

    /// Names of the features, in order.
    pub fn feature_names(&self) -> &[String] {
        &self.features
    }

    /// Names of the groups that it was learnt from.
    pub fn groups(&self) -> &[String] {
        &self.groups
    }

    /// The fitted classifier.
    pub fn classifier(&self) -> &Fitted {
        &self.classifier
    }

    /// How probabilities are corrected.
    pub fn probability_calibration(&self) -> &ProbabilityCalibration {
        &self.probability_calibration
    }

    /// What is called novel.
    pub fn novelty(&self) -> &Novelty {
        &self.novelty
    }

    /// Weighted class shares of the ledger.
    pub fn training_prior(&self) -> &[f64] {
        &self.training_prior
    }

    /// Class shares at which [`Model::probabilities`] are: the ledger's, until they were adjusted.
    pub fn prior(&self) -> &[f64] {
        &self.prior
    }

    /// Moves all later probabilities to a field where the positive classes have `share` (between 0
    /// and 1, both excluded); the ratios among positives and among the rest stay the ledger's.
    ///
    /// # Errors
    /// A share that is not between 0 and 1.
    ///
    /// Source: Saerens, Latinne and Decaestecker (2002) Neural Computation 14:21-41, eq. 2.4.
    pub fn adjust_prior(&mut self, share: f64) -> Result<()> {
        if !(share > 0.0 && share < 1.0) {
            return Err(Error::input(format!(
                "found {share}, expected a share of positives between 0 and 1"
            ))
            .key("threshold.prevalence")
            .remedy("correct the value"));
        }
        self.prior = shares_with_positive(&self.training_prior, &self.positive, share);
        Ok(())
    }

    /// The features of one color, in the order that [`Model::probabilities`] expects.
    pub fn features_of(&self, u: f64, v: f64, log_luminance: f64) -> Vec<f64> {
        let color = [u, v, log_luminance];
        self.components().iter().map(|c| color[*c]).collect()
    }

    /// Where each feature stands in (u', v', log luminance): for filling many rows.
    pub fn components(&self) -> Vec<usize> {
        let known = self.features.iter().filter_map(|f| Feature::parse(f).ok());
        known.map(Feature::component).collect()
    }

    /// Class probabilities (patches x classes) of `features` (patches x features, all finite).
    pub fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        let mut probabilities = self.classifier.probabilities(features);
        let fitted_at = self.classifier.class_shares();
        let differs = fitted_at
            .iter()
            .zip(&self.training_prior)
            .any(|(a, b)| (a - b).abs() > 1e-12);
        if differs {
            adjust_prior(&mut probabilities, fitted_at, &self.training_prior);
        }
        self.probability_calibration
            .apply(&mut probabilities, &self.positive);
        adjust_prior(&mut probabilities, &self.training_prior, &self.prior);
        probabilities
    }

    /// Probability of a positive, summed over the positive classes of [`Model::probabilities`] rows.
    pub fn positive_share(&self, probabilities: &Array2<f64>) -> Array1<f64> {
        let mut sums = Array1::zeros(probabilities.nrows());
        for (column, positive) in probabilities.columns().into_iter().zip(&self.positive) {
            if *positive {
                sums += &column;
            }
        }
        sums.mapv_into(|p: f64| p.min(1.0))
    }
}
