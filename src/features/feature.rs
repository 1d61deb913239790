//! The numbers that a classifier may learn from, by name.

use crate::calibration::GlowColor;
use crate::files::nearest_known;
use crate::numeric::Covariance3;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// One feature of a glow's color, in its natural unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Feature {
    /// CIE 1976 u'.
    U,
    /// CIE 1976 v'.
    V,
    /// log10 of luminance relative to the luminance target.
    LogLuminance,
}

impl Feature {
    /// All features, in the order of (u', v', log luminance).
    pub const ALL: [Feature; 3] = [Feature::U, Feature::V, Feature::LogLuminance];

    /// The feature of this name; an unknown name is an error with the nearest known one.
    ///
    /// ```
    /// use boneglow::features::Feature;
    /// assert_eq!(Feature::parse("log_luminance")?, Feature::LogLuminance);
    /// let error = Feature::parse("log_lum").unwrap_err().to_string();
    /// assert!(error.contains("did you mean \"log_luminance\""), "{error}");
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn parse(name: &str) -> Result<Feature> {
        let known = Self::ALL.map(Feature::name);
        Self::ALL
            .into_iter()
            .find(|f| f.name() == name)
            .ok_or_else(|| {
                let remedy = match nearest_known(name, known) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!("the features are {}", known.join(", ")),
                };
                Error::input(format!("unknown feature \"{name}\""))
                    .key("classify.features")
                    .remedy(remedy)
            })
    }

    /// Its name in a season file.
    pub fn name(self) -> &'static str {
        match self {
            Feature::U => "u",
            Feature::V => "v",
            Feature::LogLuminance => "log_luminance",
        }
    }

    /// Its place in (u', v', log luminance).
    pub fn component(self) -> usize {
        match self {
            Feature::U => 0,
            Feature::V => 1,
            Feature::LogLuminance => 2,
        }
    }

    /// Its value for a color.
    pub fn value(self, color: &GlowColor) -> f64 {
        [color.u, color.v, color.log_luminance][self.component()]
    }
}

/// The covariance of the named features from that of (u', v', log luminance), row by row.
///
/// A feature that is none of [`Feature`] (a column brought in from elsewhere) is taken as known
/// without error.
///
/// ```
/// use boneglow::features::feature_covariance;
/// let color = [[1.0, 0.2, 0.0], [0.2, 4.0, 0.0], [0.0, 0.0, 9.0]];
/// let names = ["v".to_string(), "u".to_string()];
/// assert_eq!(feature_covariance(&names, &color), vec![4.0, 0.2, 0.2, 1.0]);
/// ```
pub fn feature_covariance(names: &[String], color: &Covariance3) -> Vec<f64> {
    let components: Vec<Option<usize>> = names
        .iter()
        .map(|n| Feature::parse(n).ok().map(Feature::component))
        .collect();
    let mut covariance = Vec::with_capacity(names.len() * names.len());
    for a in &components {
        for b in &components {
            covariance.push(match (a, b) {
                (Some(a), Some(b)) => color[*a][*b],
                _ => 0.0,
            });
        }
    }
    covariance
}
