//! Counts of truth against decision that cannot be read sideways.

use super::TwoByTwo;
use super::scores::{check_weights, ratio, same_length};
use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// What a patch really is: an index into the class names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Truth(pub usize);

/// What a patch was decided to be: an index into the class names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Decision(pub usize);

/// Patches by truth (rows) and decision (columns), counted and weighted, in fixed class order.
///
/// Truth and decision are types of their own, so that they cannot be swapped:
///
/// ```compile_fail
/// use boneglow::evaluation::{Confusion, Decision, Truth};
/// let mut confusion = Confusion::new(vec!["bone".into(), "matrix".into()]).unwrap();
/// confusion.add(Decision(0), Truth(1), 1.0);
/// ```
///
/// ```
/// use boneglow::evaluation::{Confusion, Decision, Truth};
/// let mut confusion = Confusion::new(vec!["bone".into(), "matrix".into()])?;
/// confusion.add(Truth(0), Decision(0), 1.0)?;
/// confusion.add(Truth(0), Decision(1), 3.0)?;
/// assert_eq!(confusion.count(Truth(0), Decision(1)), 1);
/// assert_eq!(confusion.one_against_rest(0).recall(), Some(0.25));
/// # Ok::<(), boneglow::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Confusion {
    labels: Vec<String>,
    counts: Vec<Vec<u64>>,
    weighted: Vec<Vec<f64>>,
}

impl Confusion {
    /// An empty table of these classes.
    ///
    /// Errors: no class.
    pub fn new(labels: Vec<String>) -> Result<Self> {
        let classes = labels.len();
        if classes == 0 {
            return Err(Error::input("found no class, expected one or more"));
        }
        Ok(Self {
            labels,
            counts: vec![vec![0; classes]; classes],
            weighted: vec![vec![0.0; classes]; classes],
        })
    }

    /// The table of patches with their truth, decision and weight (1 / inclusion probability).
    ///
    /// Errors: slices of different lengths, a class that is not named, a bad weight.
    pub fn of(
        labels: Vec<String>,
        truth: &[Truth],
        decision: &[Decision],
        weights: Option<&[f64]>,
    ) -> Result<Self> {
        same_length("truths", truth.len(), "decisions", decision.len())?;
        if let Some(weights) = weights {
            check_weights(weights, truth.len())?;
        }
        let mut table = Self::new(labels)?;
        for (patch, (&truth, &decision)) in truth.iter().zip(decision).enumerate() {
            table.add(truth, decision, weights.map_or(1.0, |w| w[patch]))?;
        }
        Ok(table)
    }

    /// The table of these counts, rows truth and columns decision, every patch of weight 1.
    ///
    /// Errors: a table that is not square in the classes.
    pub fn from_counts(labels: Vec<String>, counts: Vec<Vec<u64>>) -> Result<Self> {
        let mut table = Self::new(labels)?;
        same_length("rows", counts.len(), "classes", table.classes())?;
        for row in &counts {
            same_length("columns", row.len(), "classes", table.classes())?;
        }
        table.weighted = counts
            .iter()
            .map(|row| row.iter().map(|&n| n as f64).collect())
            .collect();
        table.counts = counts;
        Ok(table)
    }

    /// Adds one patch.
    ///
    /// Errors: a class that is not named.
    pub fn add(&mut self, truth: Truth, decision: Decision, weight: f64) -> Result<()> {
        let classes = self.classes();
        if truth.0 >= classes || decision.0 >= classes {
            return Err(Error::input(format!(
                "found truth {} and decision {}, expected class numbers below {classes}",
                truth.0, decision.0
            )));
        }
        self.counts[truth.0][decision.0] += 1;
        self.weighted[truth.0][decision.0] += weight;
        Ok(())
    }

    /// Number of classes.
    pub fn classes(&self) -> usize {
        self.labels.len()
    }

    /// Class names in the order of rows and columns.
    pub fn labels(&self) -> &[String] {
        &self.labels
    }

    /// Number of patches of one truth and decision.
    pub fn count(&self, truth: Truth, decision: Decision) -> u64 {
        self.counts[truth.0][decision.0]
    }

    /// Summed weight of the patches of one truth and decision.
    pub fn weight(&self, truth: Truth, decision: Decision) -> f64 {
        self.weighted[truth.0][decision.0]
    }

    /// Counts, rows truth and columns decision.
    pub fn counts(&self) -> &[Vec<u64>] {
        &self.counts
    }

    /// Weighted counts, rows truth and columns decision.
    pub fn weighted(&self) -> &[Vec<f64>] {
        &self.weighted
    }

    /// One class against all others.
    pub fn one_against_rest(&self, class: usize) -> TwoByTwo {
        self.collapse(|c| c == class)
    }

    /// The classes worth a walk against the others; `positive` has one entry a class.
    pub fn positive_against_rest(&self, positive: &[bool]) -> TwoByTwo {
        self.collapse(|c| positive.get(c).copied().unwrap_or(false))
    }

    fn collapse(&self, positive: impl Fn(usize) -> bool) -> TwoByTwo {
        let mut table = TwoByTwo::default();
        for (truth, row) in self.weighted.iter().enumerate() {
            for (decision, &weight) in row.iter().enumerate() {
                table.add(positive(truth), positive(decision), weight);
            }
        }
        table
    }

    /// Summed weight of all patches.
    pub fn total(&self) -> f64 {
        self.weighted.iter().flatten().sum()
    }

    fn of_truth(&self, class: usize) -> f64 {
        self.weighted[class].iter().sum()
    }

    fn of_decision(&self, class: usize) -> f64 {
        self.weighted.iter().map(|row| row[class]).sum()
    }

    /// Share of right decisions.
    pub fn accuracy(&self) -> Option<f64> {
        let right = (0..self.classes()).map(|c| self.weighted[c][c]).sum();
        ratio(right, self.total())
    }

    /// Mean recall of the classes that occur (balanced accuracy, macro recall).
    pub fn balanced_accuracy(&self) -> Option<f64> {
        mean((0..self.classes()).filter_map(|c| self.one_against_rest(c).recall()))
    }

    /// Mean of the classes' F, over the classes that occur in truth or decision.
    pub fn f_beta_macro(&self, beta: f64) -> Option<f64> {
        mean((0..self.classes()).filter_map(|c| self.one_against_rest(c).f_beta(beta)))
    }

    /// Mean of the classes' F, each weighing as its share in truth.
    pub fn f_beta_weighted(&self, beta: f64) -> Option<f64> {
        let sum = (0..self.classes())
            .filter_map(|c| Some(self.of_truth(c) * self.one_against_rest(c).f_beta(beta)?))
            .sum();
        ratio(sum, self.total())
    }

    /// F of the classes' summed hits, misses and false alarms; with one decision a patch it
    /// equals [`accuracy`](Self::accuracy).
    pub fn f_beta_micro(&self, beta: f64) -> Option<f64> {
        let mut sum = TwoByTwo::default();
        for class in 0..self.classes() {
            let table = self.one_against_rest(class);
            sum.true_positive += table.true_positive;
            sum.false_negative += table.false_negative;
            sum.false_positive += table.false_positive;
        }
        sum.f_beta(beta)
    }

    /// Correlation of truth and decision over all classes, -1 to 1 (Gorodkin 2004, eq. 8).
    ///
    /// `None` if truth or decision has one class only.
    pub fn matthews(&self) -> Option<f64> {
        let all = self.total();
        let right: f64 = (0..self.classes()).map(|c| self.weighted[c][c]).sum();
        let (mut both, mut truth, mut decision) = (0.0, 0.0, 0.0);
        for class in 0..self.classes() {
            let (t, d) = (self.of_truth(class), self.of_decision(class));
            both += t * d;
            truth += t * t;
            decision += d * d;
        }
        ratio(
            right * all - both,
            (all * all - truth).max(0.0).sqrt() * (all * all - decision).max(0.0).sqrt(),
        )
    }

    /// Agreement beyond chance (Cohen 1960).
    ///
    /// `None` if truth and decision are all of one class.
    pub fn kappa(&self) -> Option<f64> {
        self.kappa_weighted(|truth, decision| if truth == decision { 0.0 } else { 1.0 })
    }

    /// Agreement beyond chance, each disagreement counting as `disagreement(truth, decision)`
    /// (Cohen 1968); 0 for full agreement.
    ///
    /// ```
    /// use boneglow::evaluation::Confusion;
    /// let names = ["a", "b", "c"].map(String::from).to_vec();
    /// let table = Confusion::from_counts(names, vec![vec![75, 1, 4], vec![5, 4, 1], vec![0, 0, 10]])?;
    /// let linear = table.kappa_weighted(|truth, decision| truth.abs_diff(decision) as f64);
    /// assert!((linear.unwrap() - 0.7222).abs() < 5e-5);
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn kappa_weighted(&self, disagreement: impl Fn(usize, usize) -> f64) -> Option<f64> {
        let all = self.total();
        let (mut seen, mut by_chance) = (0.0, 0.0);
        for truth in 0..self.classes() {
            for decision in 0..self.classes() {
                let cost = disagreement(truth, decision);
                seen += cost * self.weighted[truth][decision];
                by_chance += cost * self.of_truth(truth) * self.of_decision(decision);
            }
        }
        Some(1.0 - ratio(seen, ratio(by_chance, all)?)?)
    }

    /// Share of right decisions that chance would give at these margins.
    pub fn agreement_by_chance(&self) -> Option<f64> {
        let sum = (0..self.classes())
            .map(|c| self.of_truth(c) * self.of_decision(c))
            .sum();
        ratio(sum, self.total().powi(2))
    }

    /// Large-sample standard error of [`kappa`](Self::kappa) with independent patches of equal
    /// weight (Fleiss, Cohen & Everitt 1969); see [`kappa_null_error`](Self::kappa_null_error)
    /// for the one to test against 0 with.
    pub fn kappa_standard_error(&self) -> Option<f64> {
        let (all, kappa, chance) = (self.total(), self.kappa()?, self.agreement_by_chance()?);
        let mut sum = -(kappa - chance * (1.0 - kappa)).powi(2);
        for truth in 0..self.classes() {
            for decision in 0..self.classes() {
                let share = self.weighted[truth][decision] / all;
                // The margins enter crosswise: decision margin of the row, truth margin of the column.
                sum += if truth == decision {
                    let margins = (self.of_truth(truth) + self.of_decision(truth)) / all;
                    share * (1.0 - margins * (1.0 - kappa)).powi(2)
                } else {
                    let margins = (self.of_decision(truth) + self.of_truth(decision)) / all;
                    share * (1.0 - kappa).powi(2) * margins.powi(2)
                };
            }
        }
        Some((sum.max(0.0) / all).sqrt() / (1.0 - chance))
    }

    /// Large-sample standard error of [`kappa`](Self::kappa) if there were no agreement but by
    /// chance (Fleiss, Cohen & Everitt 1969).
    pub fn kappa_null_error(&self) -> Option<f64> {
        let (all, chance) = (self.total(), self.agreement_by_chance()?);
        let mut sum = chance + chance * chance;
        for class in 0..self.classes() {
            let (t, d) = (self.of_truth(class) / all, self.of_decision(class) / all);
            sum -= t * d * (t + d);
        }
        ratio((sum.max(0.0) / all).sqrt(), 1.0 - chance)
    }
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0.0);
    for value in values {
        sum += value;
        n += 1.0;
    }
    ratio(sum, n)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(n: usize) -> Vec<String> {
        (0..n).map(|c| format!("class {c}")).collect()
    }

    #[test]
    fn a_class_that_is_not_named_is_refused() {
        let mut table = Confusion::new(names(2)).unwrap();
        let error = table.add(Truth(2), Decision(0), 1.0).unwrap_err();
        assert!(
            error.is_input() && error.to_string().contains("below 2"),
            "{error}"
        );
        assert!(Confusion::new(Vec::new()).is_err());
        assert!(Confusion::from_counts(names(2), vec![vec![1, 2]]).is_err());
    }

    #[test]
    fn weights_outside_their_range_are_refused() {
        for wrong in [-1.0, f64::NAN, f64::INFINITY] {
            let table = Confusion::of(names(1), &[Truth(0)], &[Decision(0)], Some(&[wrong]));
            assert!(table.is_err(), "{wrong}");
        }
    }

    #[test]
    fn what_is_undefined_is_absent() {
        let empty = Confusion::new(names(3)).unwrap();
        assert_eq!(empty.accuracy(), None);
        assert_eq!(empty.balanced_accuracy(), None);
        assert_eq!(empty.kappa(), None);
        assert_eq!(empty.matthews(), None);
        assert_eq!(empty.f_beta_macro(1.0), None);
        assert_eq!(empty.kappa_standard_error(), None);
        let one_class = Confusion::from_counts(names(2), vec![vec![4, 0], vec![0, 0]]).unwrap();
        assert_eq!(one_class.accuracy(), Some(1.0));
        assert_eq!(one_class.matthews(), None);
        assert_eq!(one_class.kappa(), None);
        assert_eq!(one_class.kappa_null_error(), None);
        assert_eq!(one_class.one_against_rest(1).recall(), None);
    }

    #[test]
    fn the_matthews_correlation_of_two_classes_is_that_of_their_table() {
        let table = Confusion::from_counts(names(2), vec![vec![7, 3], vec![2, 11]]).unwrap();
        let two = table.one_against_rest(0).matthews().unwrap();
        assert!((table.matthews().unwrap() - two).abs() < 1e-12);
        let pooled = table
            .positive_against_rest(&[false, true])
            .matthews()
            .unwrap();
        assert!((pooled - two).abs() < 1e-12);
    }

    #[test]
    fn a_weight_of_two_counts_as_two_patches() {
        let labels = || names(2);
        let (truth, decision) = ([Truth(0), Truth(1)], [Decision(0), Decision(0)]);
        let weighted = Confusion::of(labels(), &truth, &decision, Some(&[2.0, 1.0])).unwrap();
        let repeated = Confusion::of(
            labels(),
            &[Truth(0), Truth(0), Truth(1)],
            &[Decision(0); 3],
            None,
        )
        .unwrap();
        assert_eq!(weighted.weighted(), repeated.weighted());
        assert_eq!(weighted.count(Truth(0), Decision(0)), 1);
    }

    #[test]
    fn a_confusion_comes_back_from_json_as_it_was() {
        let table = Confusion::from_counts(names(2), vec![vec![7, 3], vec![2, 11]]).unwrap();
        let text = serde_json::to_string(&table).unwrap();
        assert_eq!(serde_json::from_str::<Confusion>(&text).unwrap(), table);
    }
}
