//! Nested cross-validation: everything that is learnt is learnt without the group it is tested on.
//!
//! For every pair of folds one fit per setting leaves both out and predicts both. What is learnt
//! inside fold i (settings, probability calibration) uses the pairs (i, j): predictions for every j
//! by models that saw neither i nor j. A pair serves both its folds, so that G folds cost
//! G(G-1)/2 inner fits a setting and not G(G-1).

use super::FoldChoice;
use super::folds::{Folds, Split};
use super::inside::{Block, Learnt, Part, certain, learn};
use super::out_of_group::{OutOfGroup, Predictions, positive_sum};
use super::prior::shift_probability;
use super::survey::Unchecked;
use super::training::novelty_distances;
use crate::classify::{Classifier, Method, Settings, WarmStart, adjust_prior};
use crate::features::Dataset;
use crate::{Error, Result};
use ndarray::{Array2, Axis, s};
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

    /// The settings to choose from.
    pub fn grid(&self) -> &[Settings] {
        &self.grid
    }
}

/// What is learnt inside each fold besides the classifier itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inside {
    /// Weigh classes so that each counts the same in fitting; probabilities are moved back to the
    /// training part's own shares.
    ///
    /// Balanced or not, patches of a large group count less the more alike the labels of a group are:
    /// 1 / (1 + (m - 1) r) for m patches and intraclass correlation r (Kish 1965).
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
/// One [`OutOfGroup`] a recipe, in their order. `unchecked` are patches without a ground check: one of a group
/// with checks is predicted by the model that never saw that group, one of another group by all folds' models,
/// averaged. `progress` is called
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
    unchecked: Option<&Unchecked>,
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

fn run(
    data: &Dataset,
    recipes: &[Recipe],
    folds: &Folds,
    inside: Inside,
    unchecked: Option<&Unchecked>,
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
    let distances = match inside.nested {
        true => novelty_distances(data, folds)?,
        false => Vec::new(),
    };
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
            let start = job.start(&all)?;
            let trials = job.trials(&pairs, start.as_ref(), &tick)?;
            job.outer(&pairs, trials, start.as_ref(), &distances, &tick)
        })
        .collect()
}

pub(super) fn check_folds(data: &Dataset, folds: &Folds) -> Result<()> {
    if folds.patches() == data.len() {
        return Ok(());
    }
    Err(Error::input(format!(
        "found folds of {} patches, expected {}",
        folds.patches(),
        data.len()
    )))
}

fn check(data: &Dataset, recipes: &[Recipe], folds: &Folds, inside: Inside) -> Result<()> {
    check_folds(data, folds)?;
    if inside.nested && folds.count() < 3 {
        return Err(Error::too_little(format!(
            "found {} groups with checked patches, expected at least 3 to tune without the group that is tested",
            folds.count()
        ))
        .key("ledger.group")
        .remedy("check patches at another site, or group by another column (such as night)"));
    }
    if let Some(recipe) = recipes.iter().find(|r| r.grid.len() != 1)
        && !inside.nested
    {
        return Err(Error::input(format!(
            "{} has {} settings to choose from and nothing inside the folds to choose them by",
            recipe.method.name(),
            recipe.grid.len()
        ))
        .remedy("fix its settings, or nest"));
    }
    Ok(())
}

/// Predictions of one pair's held-out patches.
struct Trial {
    /// One matrix a setting; rows of the first fold, then of the second.
    predicted: Vec<Array2<f64>>,
    /// Class shares that they are at.
    shares: Vec<f64>,
}

struct Job<'a> {
    data: &'a Dataset,
    recipe: &'a Recipe,
    folds: &'a Folds,
    tests: &'a [Vec<usize>],
    inside: Inside,
    unchecked: Option<&'a Unchecked>,
}

impl Job<'_> {
    /// From where all fits start: it spares them steps and tells them nothing, since each goes on to
    /// its own optimum.
    fn start(&self, all: &Part) -> Result<Option<WarmStart>> {
        let Recipe { method, grid } = self.recipe;
        match all.only_class() {
            Some(_) => Ok(None),
            None => method.warm_start(&all.data, &all.weights, grid).map(Some),
        }
    }

    fn trials(
        &self,
        pairs: &[(usize, usize)],
        start: Option<&WarmStart>,
        tick: &(dyn Fn() + Sync),
    ) -> Result<Vec<Trial>> {
        let grid = &self.recipe.grid;
        pairs
            .par_iter()
            .map(|&(i, j)| {
                let part = self.part(&[i, j]);
                let rows = [self.tests[i].as_slice(), self.tests[j].as_slice()].concat();
                let held_out = self.data.features.select(Axis(0), &rows);
                let predicted = match part.only_class() {
                    Some(class) => vec![certain(rows.len(), part.shares.len(), class); grid.len()],
                    None => {
                        let mut trial = self.recipe.method.trial(
                            &part.data,
                            &part.weights,
                            grid,
                            held_out.view(),
                            self.inside.seed,
                            start,
                        )?;
                        for probabilities in &mut trial {
                            adjust_prior(probabilities, &part.fitted_shares, &part.shares);
                        }
                        trial
                    }
                };
                tick();
                Ok(Trial {
                    predicted,
                    shares: part.shares,
                })
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
        start: Option<&WarmStart>,
        distances: &[f64],
        tick: &(dyn Fn() + Sync),
    ) -> Result<Predictions> {
        let folds: Vec<_> = (0..self.folds.count())
            .into_par_iter()
            .map(|fold| {
                let part = self.part(&[fold]);
                let learnt = self.learn(fold, &part, pairs, &trials)?;
                let settings = &self.recipe.grid[learnt.setting];
                let test = self.data.features.select(Axis(0), &self.tests[fold]);
                let classes = part.shares.len();
                let (mut tested, mut unchecked) = match part.only_class() {
                    Some(class) => (
                        certain(test.nrows(), classes, class),
                        self.unchecked
                            .map(|unchecked| certain(unchecked.features.nrows(), classes, class)),
                    ),
                    None => {
                        let fitted = self.recipe.method.fit_from(
                            &part.data,
                            &part.weights,
                            settings,
                            self.inside.seed,
                            start,
                        )?;
                        (
                            fitted.probabilities(test.view()),
                            self.unchecked
                                .map(|unchecked| fitted.probabilities(unchecked.features.view())),
                        )
                    }
                };
                for probabilities in [Some(&mut tested), unchecked.as_mut()]
                    .into_iter()
                    .flatten()
                {
                    adjust_prior(probabilities, &part.fitted_shares, &part.shares);
                    learnt.calibration.apply(probabilities, &self.data.positive);
                }
                tick();
                Ok((part.shares, learnt, tested, unchecked))
            })
            .collect::<Result<_>>()?;
        Ok(self.assemble(folds, distances))
    }

    #[allow(clippy::type_complexity)]
    fn assemble(
        &self,
        folds: Vec<(Vec<f64>, Learnt, Array2<f64>, Option<Array2<f64>>)>,
        distances: &[f64],
    ) -> Predictions {
        let data = self.data;
        let mut predictions = Predictions {
            distances: distances.to_vec(),
            never: Vec::new(),
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
        let count = folds.len();
        let fold_of_group = self.folds_of_groups();
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
                calibration: learnt.calibration.kind().to_string(),
            });
            predictions.inner.push(learnt.inner);
            if let Some(unchecked) = unchecked {
                let share = predictions.positive_share(fold);
                predictions.unchecked.resize(unchecked.nrows(), 0.0);
                let groups = self.unchecked.map_or(&[][..], |u| &u.groups);
                let sums = predictions.unchecked.iter_mut().zip(groups);
                for ((sum, &group), row) in sums.zip(unchecked.rows()) {
                    let models = match fold_of_group.get(group) {
                        Some(Some(own)) if *own == fold => 1,
                        Some(Some(_)) => continue,
                        _ => count,
                    };
                    let p = positive_sum(row.iter().copied(), &data.positive);
                    *sum += shift_probability(p, share, ledger) / models as f64;
                }
            }
        }
        predictions
    }

    /// The fold that leaves each group out; absent for a group without checks.
    fn folds_of_groups(&self) -> Vec<Option<usize>> {
        let mut folds = vec![None; self.data.group_names.len()];
        for (patch, &group) in self.data.groups.iter().enumerate() {
            folds[group] = Some(self.folds.of(patch));
        }
        folds
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
            return Ok(Learnt::default());
        }
        let blocks: Vec<Block> = (0..self.folds.count())
            .filter(|&other| other != fold)
            .map(|other| {
                let pair = (fold.min(other), fold.max(other));
                let trial = &trials[pairs.partition_point(|p| *p < pair)];
                let start = match other > fold {
                    true => self.tests[fold].len(),
                    false => 0,
                };
                let rows = &self.tests[other];
                Block {
                    rows,
                    predicted: trial
                        .predicted
                        .iter()
                        .map(|p| p.slice(s![start..start + rows.len(), ..]))
                        .collect(),
                    shares: trial.shares.clone(),
                }
            })
            .collect();
        learn(self.data, &blocks, &part.shares)
    }
}
