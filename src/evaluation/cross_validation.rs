//! Nested cross-validation: everything that is learnt is learnt without the group it is tested on.
//!
//! For every pair of folds one fit per setting leaves both out and predicts both. What is learnt
//! inside fold i (settings, probability calibration) uses the pairs (i, j): predictions for every j
//! by models that saw neither i nor j. A pair serves both its folds, so that G folds cost
//! G(G-1)/2 inner fits a setting and not G(G-1).

use super::FoldChoice;
use super::choice::{BlockLoss, simplest_within_one_standard_error};
use super::folds::{Folds, Split};
use super::out_of_group::{
    Inner, LEAST_PROBABILITY, OutOfGroup, Predictions, positive_sum, shift, shift_classes,
};
use crate::classify::{Classifier, Method, Settings, training_weights};
use crate::features::Dataset;
use crate::{Error, Result};
use ndarray::{Array2, s};
use rayon::prelude::*;
use std::sync::atomic::{AtomicUsize, Ordering};

/// A classifier to evaluate and the settings to choose from, from simple to complex.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    method: Method,
    grid: Vec<Settings>,
}

impl Recipe {
    /// The method with its own grid of settings.
    pub fn tuned(method: Method) -> Self {
        Recipe {
            method,
            grid: method.grid(),
        }
    }

    /// Settings that are not tuned.
    pub fn fixed(settings: Settings) -> Self {
        Recipe {
            method: settings.method(),
            grid: vec![settings],
        }
    }

    /// The method.
    pub fn method(&self) -> Method {
        self.method
    }
}

/// What is learnt inside each fold besides the classifier itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inside {
    /// Weigh classes so that each counts the same in fitting; probabilities are moved back to the
    /// training part's own shares.
    pub balance_classes: bool,
    /// Tune settings, choose a probability calibration and keep what thresholds are chosen from.
    /// Without it each recipe must be fixed, and thresholds have no transfer table.
    pub nested: bool,
    /// Seed of everything drawn at random.
    pub seed: u64,
}

/// How far a long computation has come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress<'a> {
    /// Pieces done.
    pub done: usize,
    /// Pieces in all.
    pub of: usize,
    /// The classifier at work.
    pub classifier: &'a str,
}

/// Predicts every patch by models that never saw its group.
///
/// One [`OutOfGroup`] a recipe, in their order. `unchecked` are features of patches without a ground
/// check (patches x features), predicted by every fold's model and averaged. `progress` is called
/// from several threads. The same seed gives the same numbers on any number of threads.
///
/// # Errors
/// Folds that split groups or are of another number of patches, fewer than three folds for
/// something nested, a recipe to be tuned without `nested`, and what a fit may refuse.
pub fn cross_validate(
    data: &Dataset,
    recipes: &[Recipe],
    folds: &Folds,
    inside: Inside,
    unchecked: Option<&Array2<f64>>,
    progress: &(dyn Fn(Progress<'_>) + Sync),
) -> Result<Vec<OutOfGroup>> {
    if folds.split() == Split::Leaking {
        return Err(
            Error::input("these folds split groups: nothing can be recommended from them")
                .remedy("use Folds::by_group, or demonstrate_leak to show what a leak pretends"),
        );
    }
    let predictions = run(data, recipes, folds, inside, unchecked, progress)?;
    Ok(predictions.into_iter().map(OutOfGroup::new).collect())
}

/// Predicts patches by models that may have seen other patches of their group, to show what such a
/// leak pretends. Its result is not [`OutOfGroup`].
///
/// # Errors
/// As [`cross_validate`], but folds may split groups; nothing is nested.
pub fn demonstrate_leak(
    data: &Dataset,
    recipes: &[Recipe],
    folds: &Folds,
    inside: Inside,
) -> Result<Vec<Predictions>> {
    let inside = Inside {
        nested: false,
        ..inside
    };
    run(data, recipes, folds, inside, None, &|_| ())
}

/// The training part without some folds.
struct Part {
    data: Dataset,
    weights: Vec<f64>,
    /// Natural weighted class shares.
    shares: Vec<f64>,
}

impl Part {
    fn new(data: &Dataset, rows: &[usize], balance: bool) -> Self {
        let data = data.select(rows);
        let weights = training_weights(&data, balance);
        let mut shares = vec![0.0; data.classes.len()];
        for (&label, weight) in data.labels.iter().zip(&data.weights) {
            shares[label] += weight;
        }
        let total: f64 = shares.iter().sum();
        shares.iter_mut().for_each(|s| *s /= total);
        Part {
            data,
            weights,
            shares,
        }
    }

    /// The class shares that a fit with these weights is at.
    fn fitted_shares(&self) -> Vec<f64> {
        let mut shares = vec![0.0; self.shares.len()];
        for (&label, weight) in self.data.labels.iter().zip(&self.weights) {
            shares[label] += weight;
        }
        let total: f64 = shares.iter().sum();
        shares.iter_mut().for_each(|s| *s /= total);
        shares
    }

    /// The only class there is, if there is only one: nothing can then be fitted.
    fn only_class(&self) -> Option<usize> {
        let mut present = (0..self.shares.len()).filter(|&c| self.shares[c] > 0.0);
        match (present.next(), present.next()) {
            (Some(class), None) => Some(class),
            _ => None,
        }
    }
}

fn run(
    data: &Dataset,
    recipes: &[Recipe],
    folds: &Folds,
    inside: Inside,
    unchecked: Option<&Array2<f64>>,
    progress: &(dyn Fn(Progress<'_>) + Sync),
) -> Result<Vec<Predictions>> {
    check(data, recipes, folds, inside)?;
    let tests: Vec<Vec<usize>> = (0..folds.count()).map(|f| folds.test(f)).collect();
    let pairs: Vec<(usize, usize)> = if inside.nested {
        (0..folds.count())
            .flat_map(|i| (i + 1..folds.count()).map(move |j| (i, j)))
            .collect()
    } else {
        Vec::new()
    };
    let all = Part::new(
        data,
        &(0..data.len()).collect::<Vec<_>>(),
        inside.balance_classes,
    );
    let pieces = recipes.len() * (pairs.len() + folds.count());
    let done = AtomicUsize::new(0);
    recipes
        .iter()
        .map(|recipe| {
            let tick = || {
                progress(Progress {
                    done: done.fetch_add(1, Ordering::Relaxed) + 1,
                    of: pieces,
                    classifier: recipe.method.name(),
                });
            };
            let job = Job {
                data,
                recipe,
                folds,
                tests: &tests,
                inside,
                unchecked,
            };
            let trials = job.trials(&pairs, &all, &tick)?;
            job.outer(&pairs, trials, &tick)
        })
        .collect()
}

fn check(data: &Dataset, recipes: &[Recipe], folds: &Folds, inside: Inside) -> Result<()> {
    if folds.patches() != data.len() {
        return Err(Error::input(format!(
            "found folds of {} patches, expected {}",
            folds.patches(),
            data.len()
        )));
    }
    if inside.nested && folds.count() < 3 {
        return Err(Error::too_little(format!(
            "found {} groups with checked patches, expected at least 3 to tune without the group that is tested",
            folds.count()
        ))
        .key("ledger.group")
        .remedy("check patches at another site, or group by another column (such as night)"));
    }
    if let Some(recipe) = recipes.iter().find(|r| r.grid.len() != 1) {
        if !inside.nested {
            return Err(Error::input(format!(
                "{} has {} settings to choose from and nothing inside the folds to choose them by",
                recipe.method.name(),
                recipe.grid.len()
            ))
            .remedy("fix its settings, or nest"));
        }
    }
    Ok(())
}

/// Predictions of one pair's held-out patches, first fold then second, one matrix a setting.
type Trial = Vec<Array2<f64>>;

struct Job<'a> {
    data: &'a Dataset,
    recipe: &'a Recipe,
    folds: &'a Folds,
    tests: &'a [Vec<usize>],
    inside: Inside,
    unchecked: Option<&'a Array2<f64>>,
}

/// What fold i knows of its own training part.
struct Learnt {
    setting: usize,
    calibration: ProbabilityCalibration,
    inner: Inner,
}

impl Job<'_> {
    fn trials(
        &self,
        pairs: &[(usize, usize)],
        all: &Part,
        tick: &(dyn Fn() + Sync),
    ) -> Result<Vec<Trial>> {
        if pairs.is_empty() {
            return Ok(Vec::new());
        }
        let grid = &self.recipe.grid;
        let start = match all.only_class() {
            Some(_) => None,
            None => Some(self.recipe.method.warm_start(
                &all.data,
                &all.weights,
                grid,
                self.inside.seed,
            )?),
        };
        pairs
            .par_iter()
            .map(|&(i, j)| {
                let part = self.part(&[i, j]);
                let rows = [self.tests[i].as_slice(), self.tests[j].as_slice()].concat();
                let held_out = self.data.features.select(ndarray::Axis(0), &rows);
                let trial = match part.only_class() {
                    Some(class) => vec![certain(rows.len(), part.shares.len(), class); grid.len()],
                    None => {
                        let mut trial = self.recipe.method.trial(
                            &part.data,
                            &part.weights,
                            grid,
                            held_out.view(),
                            self.inside.seed,
                            start.as_ref(),
                        )?;
                        if self.inside.balance_classes {
                            let fitted = part.fitted_shares();
                            for probabilities in &mut trial {
                                shift_classes(probabilities, &fitted, &part.shares);
                            }
                        }
                        trial
                    }
                };
                tick();
                Ok(trial)
            })
            .collect()
    }

    fn part(&self, left_out: &[usize]) -> Part {
        Part::new(
            self.data,
            &self.folds.train(left_out),
            self.inside.balance_classes,
        )
    }

    fn outer(
        &self,
        pairs: &[(usize, usize)],
        trials: Vec<Trial>,
        tick: &(dyn Fn() + Sync),
    ) -> Result<Predictions> {
        let folds: Vec<_> = (0..self.folds.count())
            .into_par_iter()
            .map(|fold| {
                let part = self.part(&[fold]);
                let learnt = self.learn(fold, &part, pairs, &trials)?;
                let settings = &self.recipe.grid[learnt.setting];
                let test = self
                    .data
                    .features
                    .select(ndarray::Axis(0), &self.tests[fold]);
                let classes = part.shares.len();
                let (mut tested, mut unchecked) = match part.only_class() {
                    Some(class) => (
                        certain(test.nrows(), classes, class),
                        self.unchecked
                            .map(|features| certain(features.nrows(), classes, class)),
                    ),
                    None => {
                        let fitted = self.recipe.method.fit(
                            &part.data,
                            &part.weights,
                            settings,
                            self.inside.seed,
                        )?;
                        (
                            fitted.probabilities(test.view()),
                            self.unchecked
                                .map(|features| fitted.probabilities(features.view())),
                        )
                    }
                };
                let fitted_shares = part.fitted_shares();
                for probabilities in [Some(&mut tested), unchecked.as_mut()]
                    .into_iter()
                    .flatten()
                {
                    if self.inside.balance_classes {
                        shift_classes(probabilities, &fitted_shares, &part.shares);
                    }
                    learnt.calibration.apply(probabilities, &self.data.positive);
                }
                tick();
                Ok((part.shares, learnt, tested, unchecked))
            })
            .collect::<Result<_>>()?;
        Ok(self.assemble(folds))
    }

    #[allow(clippy::type_complexity)]
    fn assemble(
        &self,
        folds: Vec<(Vec<f64>, Learnt, Array2<f64>, Option<Array2<f64>>)>,
    ) -> Predictions {
        let data = self.data;
        let mut predictions = Predictions {
            classifier: self.recipe.method.name().to_string(),
            classes: data.classes.clone(),
            positive: data.positive.clone(),
            ids: data.ids.clone(),
            labels: data.labels.clone(),
            groups: data.groups.clone(),
            group_names: data.group_names.clone(),
            weights: data.weights.clone(),
            probabilities: Array2::zeros((data.len(), data.classes.len())),
            fold_of: (0..data.len()).map(|i| self.folds.of(i)).collect(),
            split: self.folds.split(),
            split_sentence: self.folds.sentence(),
            train_shares: Vec::new(),
            inner: Vec::new(),
            choices: Vec::new(),
            unchecked: Vec::new(),
        };
        let ledger = predictions.ledger_share();
        let count = folds.len() as f64;
        for (fold, (shares, learnt, tested, unchecked)) in folds.into_iter().enumerate() {
            for (row, &patch) in self.tests[fold].iter().enumerate() {
                predictions
                    .probabilities
                    .row_mut(patch)
                    .assign(&tested.row(row));
            }
            predictions.train_shares.push(shares);
            predictions.choices.push(FoldChoice {
                groups: self.groups_of(fold),
                settings: self.recipe.grid[learnt.setting].to_string(),
                calibration: learnt.calibration.name().to_string(),
            });
            predictions.inner.push(learnt.inner);
            if let Some(unchecked) = unchecked {
                let share = predictions.positive_share(fold);
                predictions.unchecked.resize(unchecked.nrows(), 0.0);
                for (sum, row) in predictions.unchecked.iter_mut().zip(unchecked.rows()) {
                    let p = positive_sum(row.iter().copied(), &data.positive);
                    *sum += shift(p, share, ledger) / count;
                }
            }
        }
        predictions
    }

    fn groups_of(&self, fold: usize) -> Vec<String> {
        let mut groups: Vec<usize> = self.tests[fold]
            .iter()
            .map(|&i| self.data.groups[i])
            .collect();
        groups.sort_unstable();
        groups.dedup();
        groups
            .iter()
            .map(|&g| self.data.group_names[g].clone())
            .collect()
    }

    /// Settings and probability calibration for one fold, from the pairs that leave it out.
    fn learn(
        &self,
        fold: usize,
        part: &Part,
        pairs: &[(usize, usize)],
        trials: &[Trial],
    ) -> Result<Learnt> {
        if pairs.is_empty() {
            return Ok(Learnt {
                setting: 0,
                calibration: ProbabilityCalibration::None,
                inner: Inner::default(),
            });
        }
        // The other folds in order, each with its part of the pair's held-out predictions.
        let blocks: Vec<(usize, &Trial, usize)> = (0..self.folds.count())
            .filter(|&other| other != fold)
            .map(|other| {
                let pair = (fold.min(other), fold.max(other));
                let at = pairs.partition_point(|p| *p < pair);
                let offset = match other > fold {
                    true => self.tests[fold].len(),
                    false => 0,
                };
                (other, &trials[at], offset)
            })
            .collect();
        let predicted = |block: &(usize, &Trial, usize), setting: usize| {
            let (other, trial, offset) = *block;
            trial[setting]
                .slice(s![offset..offset + self.tests[other].len(), ..])
                .to_owned()
        };
        let setting = if self.recipe.grid.len() == 1 {
            0
        } else {
            let losses: Vec<Vec<BlockLoss>> = (0..self.recipe.grid.len())
                .map(|setting| {
                    blocks
                        .iter()
                        .map(|block| self.class_loss(block.0, &predicted(block, setting)))
                        .collect()
                })
                .collect();
            simplest_within_one_standard_error(&losses).unwrap_or(0)
        };
        // To the shares that the outer model is trained at, then calibrated.
        let mut raw = Vec::new();
        for block in &blocks {
            let mut probabilities = predicted(block, setting);
            let pair_shares = self.part_shares(&[fold, block.0]);
            shift_classes(&mut probabilities, &pair_shares, &part.shares);
            raw.push((block.0, probabilities));
        }
        let (calibration, calibrated) = self.calibrate(&raw)?;
        let mut order: Vec<(usize, f64)> = Vec::new();
        for (other, p_positive) in calibrated {
            order.extend(self.tests[other].iter().copied().zip(p_positive));
        }
        order.sort_unstable_by_key(|(row, _)| *row);
        let (rows, p_positive) = order.into_iter().unzip();
        Ok(Learnt {
            setting,
            calibration,
            inner: Inner { rows, p_positive },
        })
    }

    fn part_shares(&self, left_out: &[usize]) -> Vec<f64> {
        let mut shares = vec![0.0; self.data.classes.len()];
        let mut total = 0.0;
        for patch in 0..self.data.len() {
            if !left_out.contains(&self.folds.of(patch)) {
                shares[self.data.labels[patch]] += self.data.weights[patch];
                total += self.data.weights[patch];
            }
        }
        shares.iter_mut().for_each(|s| *s /= total);
        shares
    }

    /// Weighted negative log probability of what was found in one fold.
    fn class_loss(&self, fold: usize, probabilities: &Array2<f64>) -> BlockLoss {
        let mut block = BlockLoss::default();
        for (&patch, row) in self.tests[fold].iter().zip(probabilities.rows()) {
            let p = row[self.data.labels[patch]].max(LEAST_PROBABILITY);
            block.loss -= self.data.weights[patch] * p.ln();
            block.weight += self.data.weights[patch];
        }
        block
    }

    /// The calibration chosen on the held-out predictions of the other folds, and those predictions
    /// calibrated, each fold by a calibration that did not see it.
    fn calibrate(
        &self,
        raw: &[(usize, Array2<f64>)],
    ) -> Result<(ProbabilityCalibration, Vec<(usize, Vec<f64>)>)> {
        let plain = raw
            .iter()
            .map(|(fold, probabilities)| {
                let p = probabilities
                    .rows()
                    .into_iter()
                    .map(|row| positive_sum(row.iter().copied(), &self.data.positive))
                    .collect();
                (*fold, p)
            })
            .collect();
        Ok((ProbabilityCalibration::None, plain))
    }
}

enum ProbabilityCalibration {
    None,
}

impl ProbabilityCalibration {
    fn name(&self) -> &'static str {
        "none"
    }
    fn apply(&self, _: &mut Array2<f64>, _: &[bool]) {}
}

/// The prediction of a model that has seen one class only.
fn certain(rows: usize, classes: usize, class: usize) -> Array2<f64> {
    Array2::from_shape_fn((rows, classes), |(_, c)| f64::from(c == class))
}
