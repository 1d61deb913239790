//! Classifiers by name, their settings from simple to complex, and what a fit gives.

use super::brightness::Brightness;
use super::classifier::Classifier;
use super::discriminant::{CovarianceShape, Discriminant};
use super::forest::{Forest, ForestShape};
use super::logistic::{Logistic, Start, Terms};
use super::nearest_mean::NearestMean;
use super::neighbours::Neighbours;
use super::training::Training;
use crate::features::Dataset;
use crate::files::nearest_known;
use crate::{Error, Result};
use ndarray::{Array2, ArrayView2};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A kind of classifier, by the name that a season file uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// One cut on log luminance.
    Brightness,
    /// The nearest mean color in u'v'.
    NearestMean,
    /// Multinomial logistic regression.
    Logistic,
    /// Gaussian discriminant analysis.
    Discriminant,
    /// Random forest.
    Forest,
    /// Nearest neighbors.
    Neighbours,
}

/// How one classifier is to be fitted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "method", rename_all = "kebab-case")]
pub enum Settings {
    /// Nothing to set.
    Brightness,
    /// Nothing to set.
    NearestMean,
    /// Terms, and strength C: large means little ridge.
    Logistic {
        /// What the logits are linear in.
        terms: Terms,
        /// C, above 0.
        strength: f64,
    },
    /// Shape of the covariances.
    Discriminant(CovarianceShape),
    /// How the forest is grown.
    Forest(ForestShape),
    /// The total weight of the neighbors asked.
    Neighbours {
        /// k, above 0.
        k: f64,
    },
}

/// A fitted classifier with its settings; it is saved in and restored from `model.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fitted {
    settings: Settings,
    /// Weighted share of every class of the dataset, 0 for one that training did not hold.
    shares: Vec<f64>,
    rule: Rule,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Rule {
    Brightness(Brightness),
    NearestMean(NearestMean),
    Logistic(Logistic),
    Discriminant(Discriminant),
    Forest(Forest),
    Neighbours(Neighbours),
}

impl Method {
    /// All methods, the plain rules first.
    pub const ALL: [Method; 6] = [
        Method::Brightness,
        Method::NearestMean,
        Method::Logistic,
        Method::Discriminant,
        Method::Forest,
        Method::Neighbours,
    ];

    /// The rules that every other classifier must beat.
    pub const PLAIN: [Method; 2] = [Method::Brightness, Method::NearestMean];

    /// The method of this name; an unknown name is an error with the nearest known one.
    ///
    /// ```
    /// use boneglow::classify::Method;
    /// assert_eq!(Method::parse("nearest-mean")?, Method::NearestMean);
    /// let error = Method::parse("logistics").unwrap_err().to_string();
    /// assert!(error.contains("did you mean \"logistic\""), "{error}");
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn parse(name: &str) -> Result<Method> {
        let known = Self::ALL.map(Method::name);
        Self::ALL
            .into_iter()
            .find(|m| m.name() == name)
            .ok_or_else(|| {
                let remedy = match nearest_known(name, known) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!("the classifiers are {}", known.join(", ")),
                };
                Error::input(format!("unknown classifier \"{name}\""))
                    .key("classify.classifiers")
                    .remedy(remedy)
            })
    }

    /// Its name in a season file.
    pub fn name(self) -> &'static str {
        match self {
            Method::Brightness => "brightness",
            Method::NearestMean => "nearest-mean",
            Method::Logistic => "logistic",
            Method::Discriminant => "discriminant",
            Method::Forest => "forest",
            Method::Neighbours => "neighbours",
        }
    }

    /// Whether it is one of the plain rules.
    pub fn is_plain(self) -> bool {
        Self::PLAIN.contains(&self)
    }

    /// The features that it cannot do without.
    pub fn needs(self) -> &'static [&'static str] {
        match self {
            Method::Brightness => &["log_luminance"],
            Method::NearestMean => &["u", "v"],
            _ => &[],
        }
    }

    /// The settings to choose from, declared from simple to complex.
    pub fn grid(self) -> Vec<Settings> {
        match self {
            Method::Brightness => vec![Settings::Brightness],
            Method::NearestMean => vec![Settings::NearestMean],
            Method::Logistic => {
                let strengths = [0.01, 0.1, 1.0, 10.0, 100.0];
                let with = |terms| strengths.map(|strength| Settings::Logistic { terms, strength });
                [with(Terms::Linear), with(Terms::Quadratic)].concat()
            }
            Method::Discriminant => {
                let mut grid = Vec::new();
                for own in [0.0, 0.3, 0.7, 1.0] {
                    for round in [0.3, 0.05, 0.0] {
                        grid.push(Settings::Discriminant(CovarianceShape { own, round }));
                    }
                }
                grid
            }
            Method::Forest => [100.0, 30.0, 10.0, 3.0, 0.0]
                .map(|shrink| {
                    Settings::Forest(ForestShape {
                        trees: 200,
                        min_split: 10.0,
                        shrink,
                    })
                })
                .to_vec(),
            Method::Neighbours => [100.0, 50.0, 25.0, 10.0, 5.0]
                .map(|k| Settings::Neighbours { k })
                .to_vec(),
        }
    }

    /// Fits with one weight above 0 a patch (see [`training_weights`](super::training_weights)).
    ///
    /// The seed matters to methods that draw at random; the number of threads never does.
    ///
    /// # Errors
    /// One class only, values that are not finite, weights that are not above 0, a feature missing
    /// that the method learns from, settings of another method.
    pub fn fit(
        self,
        data: &Dataset,
        weights: &[f64],
        settings: &Settings,
        seed: u64,
    ) -> Result<Fitted> {
        self.fit_from(data, weights, settings, seed, None)
    }

    /// [`Method::fit`], started from what was found for all patches of which `data` are a part.
    pub fn fit_from(
        self,
        data: &Dataset,
        weights: &[f64],
        settings: &Settings,
        seed: u64,
        start: Option<&WarmStart>,
    ) -> Result<Fitted> {
        let mut fitted =
            self.fit_all(data, weights, std::slice::from_ref(settings), seed, start)?;
        fitted
            .pop()
            .ok_or_else(|| Error::input("there are no settings to fit").remedy("give one"))
    }

    /// What fits of settings of `grid` to parts of `data` may start from; it changes their speed,
    /// not their results (beyond the tolerance to which an optimum is found).
    pub fn warm_start(
        self,
        data: &Dataset,
        weights: &[f64],
        grid: &[Settings],
    ) -> Result<WarmStart> {
        let of = logistic_settings(grid);
        let training = Training::new(data, weights)?;
        let starts = match self {
            Method::Logistic => Logistic::starts(&training, &of)?,
            _ => Vec::new(),
        };
        Ok(WarmStart {
            classes: training.present,
            starts: of.into_iter().zip(starts).collect(),
        })
    }

    /// For tuning: class probabilities of the `held_out` patches (patches x features) under each
    /// setting of `grid`, fitted to `data`.
    ///
    /// Work that settings share is done once, so that this costs little more than the costliest
    /// setting. Errors as [`Method::fit`].
    pub fn trial(
        self,
        data: &Dataset,
        weights: &[f64],
        grid: &[Settings],
        held_out: ArrayView2<'_, f64>,
        seed: u64,
        start: Option<&WarmStart>,
    ) -> Result<Vec<Array2<f64>>> {
        if self == Method::Forest {
            let training = Training::new(data, weights)?;
            let shapes = shapes_of(grid);
            let shares = training.all_shares(data.classes.len());
            let trials = Forest::trial(&training, &shapes, held_out, seed)?;
            return Ok(trials
                .into_iter()
                .map(|p| with_absent(p, &shares))
                .collect());
        }
        let ks = ks_of(grid);
        if let (Method::Neighbours, Some(&first)) = (self, ks.first()) {
            let training = Training::new(data, weights)?;
            let shares = training.all_shares(data.classes.len());
            let trials = Neighbours::fit(&training, first).probabilities_for(&ks, held_out);
            return Ok(trials
                .into_iter()
                .map(|p| with_absent(p, &shares))
                .collect());
        }
        let fitted = self.fit_all(data, weights, grid, seed, start)?;
        Ok(fitted.iter().map(|f| f.probabilities(held_out)).collect())
    }

    fn fit_all(
        self,
        data: &Dataset,
        weights: &[f64],
        grid: &[Settings],
        seed: u64,
        start: Option<&WarmStart>,
    ) -> Result<Vec<Fitted>> {
        if let Some(other) = grid.iter().find(|s| s.method() != self) {
            return Err(Error::input(format!(
                "settings of {} were given to {}",
                other.method().name(),
                self.name()
            ))
            .remedy("take the settings from the method's own grid"));
        }
        let training = Training::new(data, weights)?;
        let rules: Vec<Rule> = match self {
            Method::Brightness => vec![Rule::Brightness(Brightness::fit(&training)?); grid.len()],
            Method::NearestMean => {
                vec![Rule::NearestMean(NearestMean::fit(&training)?); grid.len()]
            }
            Method::Logistic => {
                let settings = logistic_settings(grid);
                let starts = match start {
                    Some(start) => start.logistic(&training, &settings),
                    None => Vec::new(),
                };
                let fitted = Logistic::fit_all(&training, &settings, &starts)?;
                fitted.into_iter().map(Rule::Logistic).collect()
            }
            Method::Discriminant => {
                let shapes: Vec<_> = grid
                    .iter()
                    .filter_map(|s| match s {
                        Settings::Discriminant(shape) => Some(*shape),
                        _ => None,
                    })
                    .collect();
                let fitted = Discriminant::fit_all(&training, &shapes)?;
                fitted.into_iter().map(Rule::Discriminant).collect()
            }
            Method::Forest => shapes_of(grid)
                .into_iter()
                .map(|shape| Forest::fit(&training, shape, seed).map(Rule::Forest))
                .collect::<Result<_>>()?,
            Method::Neighbours => ks_of(grid)
                .into_iter()
                .map(|k| Rule::Neighbours(Neighbours::fit(&training, k)))
                .collect(),
        };
        let shares = training.all_shares(data.classes.len());
        Ok(grid
            .iter()
            .zip(rules)
            .map(|(settings, rule)| Fitted {
                settings: *settings,
                shares: shares.clone(),
                rule,
            })
            .collect())
    }
}

fn logistic_settings(grid: &[Settings]) -> Vec<(Terms, f64)> {
    grid.iter()
        .filter_map(|s| match s {
            Settings::Logistic { terms, strength } => Some((*terms, *strength)),
            _ => None,
        })
        .collect()
}

fn shapes_of(grid: &[Settings]) -> Vec<ForestShape> {
    grid.iter()
        .filter_map(|s| match s {
            Settings::Forest(shape) => Some(*shape),
            _ => None,
        })
        .collect()
}

fn ks_of(grid: &[Settings]) -> Vec<f64> {
    grid.iter()
        .filter_map(|s| match s {
            Settings::Neighbours { k } => Some(*k),
            _ => None,
        })
        .collect()
}

/// What fits to parts of the patches may start from (see [`Method::warm_start`]).
#[derive(Debug, Clone)]
pub struct WarmStart {
    classes: Vec<usize>,
    starts: Vec<((Terms, f64), Start)>,
}

impl WarmStart {
    /// One start a setting, where the same classes are present.
    fn logistic(&self, training: &Training<'_>, settings: &[(Terms, f64)]) -> Vec<Option<&Start>> {
        let same = self.classes == training.present;
        settings
            .iter()
            .map(|wanted| self.starts.iter().find(|(s, _)| same && s == wanted))
            .map(|found| found.map(|(_, start)| start))
            .collect()
    }
}

impl Settings {
    /// The method that these settings are of.
    pub fn method(&self) -> Method {
        match self {
            Settings::Brightness => Method::Brightness,
            Settings::NearestMean => Method::NearestMean,
            Settings::Logistic { .. } => Method::Logistic,
            Settings::Discriminant(_) => Method::Discriminant,
            Settings::Forest(_) => Method::Forest,
            Settings::Neighbours { .. } => Method::Neighbours,
        }
    }
}

impl fmt::Display for Settings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Settings::Brightness | Settings::NearestMean => f.write_str("nothing to set"),
            Settings::Logistic { terms, strength } => {
                let terms = match terms {
                    Terms::Linear => "linear",
                    Terms::Quadratic => "quadratic",
                };
                write!(f, "{terms} terms, C = {strength}")
            }
            Settings::Discriminant(CovarianceShape { own, round }) => {
                match own {
                    0.0 => f.write_str("one covariance for all classes")?,
                    1.0 => f.write_str("a covariance for each class")?,
                    _ => write!(f, "covariances {own} of the way from common to own")?,
                }
                match round {
                    0.0 => Ok(()),
                    _ => write!(f, ", {round} of the way to circular"),
                }
            }
            Settings::Forest(ForestShape {
                trees,
                min_split,
                shrink,
            }) => write!(
                f,
                "{trees} trees, nodes split from a weight of {min_split}, leaves shrunk by {shrink}"
            ),
            Settings::Neighbours { k } => write!(f, "neighbors of a total weight of {k}"),
        }
    }
}

impl Fitted {
    /// The method.
    pub fn method(&self) -> Method {
        self.settings.method()
    }

    /// The settings it was fitted with.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Weighted share of every class in training, at which its probabilities are.
    pub fn class_shares(&self) -> &[f64] {
        &self.shares
    }

    /// Whether it can take rows of `features` values.
    pub(crate) fn takes(&self, features: usize) -> bool {
        match &self.rule {
            Rule::Brightness(rule) => rule.least_width() <= features,
            Rule::NearestMean(rule) => rule.least_width() <= features,
            Rule::Logistic(rule) => rule.width() == features,
            Rule::Discriminant(rule) => rule.width() == features,
            Rule::Forest(rule) => rule.width() == features,
            Rule::Neighbours(rule) => rule.width() == features,
        }
    }
}

impl Classifier for Fitted {
    fn probabilities(&self, features: ArrayView2<'_, f64>) -> Array2<f64> {
        let of_present = match &self.rule {
            Rule::Brightness(rule) => rule.probabilities(features),
            Rule::NearestMean(rule) => rule.probabilities(features),
            Rule::Logistic(rule) => rule.probabilities(features),
            Rule::Discriminant(rule) => rule.probabilities(features),
            Rule::Forest(rule) => rule.probabilities(features),
            Rule::Neighbours(rule) => rule.probabilities(features),
        };
        with_absent(of_present, &self.shares)
    }
}

/// Widens probabilities of the classes with a share above 0 to all classes.
fn with_absent(of_present: Array2<f64>, shares: &[f64]) -> Array2<f64> {
    if of_present.ncols() == shares.len() {
        return of_present;
    }
    let mut all = Array2::zeros((of_present.nrows(), shares.len()));
    let present = (0..shares.len()).filter(|&c| shares[c] > 0.0);
    for (class, column) in present.zip(of_present.columns()) {
        all.column_mut(class).assign(&column);
    }
    all
}
