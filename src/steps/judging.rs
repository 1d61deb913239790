//! Measured patches through the saved model and thresholds.

use super::inputs;
use crate::Result;
use crate::calibration::Measurement;
use crate::classify::Model;
use crate::season::Season;
use crate::threshold::{self, Decision, Thresholds};
use ndarray::Array2;

/// The model at the field's prevalence, and the thresholds.
pub struct Judging {
    pub model: Model,
    pub thresholds: Thresholds,
}

/// What they say about a patch.
pub struct Judged {
    /// Class probabilities at the field's prevalence; absent where the patch has no color.
    pub probabilities: Option<Vec<f64>>,
    /// Their sum over the positive classes; 0 where the patch has no color.
    pub p_positive: f64,
    pub novel: bool,
    pub decision: Decision,
}

impl Judging {
    /// Reads `model.json` and `thresholds.json`.
    pub fn read(season: &Season) -> Result<Self> {
        let thresholds: Thresholds =
            inputs::earlier(season, "thresholds.json", threshold::FORMAT, "threshold")?;
        let mut model = Model::read(&season.result("model.json")).map_err(|e| {
            e.remedy("call `boneglow train` first, or `boneglow run` for all steps")
        })?;
        model.adjust_prior(thresholds.prior.value)?;
        Ok(Judging { model, thresholds })
    }

    /// Judges patches, in their order.
    pub fn judge(&self, measurements: &[Measurement]) -> Vec<Judged> {
        let model = &self.model;
        let colors: Vec<_> = measurements.iter().filter_map(|m| m.color).collect();
        let components = model.components();
        let features = Array2::from_shape_fn((colors.len(), components.len()), |(i, j)| {
            [colors[i].u, colors[i].v, colors[i].log_luminance][components[j]]
        });
        let probabilities = model.probabilities(features.view());
        let positive = model.positive_share(&probabilities);
        let mut colored = 0;
        measurements
            .iter()
            .map(|measurement| {
                let Some(color) = &measurement.color else {
                    return Judged {
                        probabilities: None,
                        p_positive: 0.0,
                        novel: false,
                        decision: match measurement.is_clipped() {
                            true => Decision::Clipped,
                            false => Decision::TooFaint,
                        },
                    };
                };
                let at = colored;
                colored += 1;
                let row = features.row(at).to_vec();
                let novelty = model.novelty();
                let distance = novelty.squared_distance(&row, Some(&color.covariance));
                let novel = novelty.is_novel(distance);
                let cut = self.thresholds.probability.value;
                Judged {
                    probabilities: Some(probabilities.row(at).to_vec()),
                    p_positive: positive[at],
                    novel,
                    decision: threshold::decide(positive[at], novel, measurement.too_faint, cut),
                }
            })
            .collect()
    }
}
