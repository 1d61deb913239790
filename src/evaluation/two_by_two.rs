//! Positive against the rest: four sums and the figures made of them.

use super::scores::{Scores, ratio};
use serde::{Deserialize, Serialize};

/// Weighted sums of positives and others, found and not found.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct TwoByTwo {
    /// Positives decided positive.
    pub true_positive: f64,
    /// Positives decided otherwise: missed.
    pub false_negative: f64,
    /// Others decided positive: false alarms.
    pub false_positive: f64,
    /// Others decided otherwise.
    pub true_negative: f64,
}

impl TwoByTwo {
    /// Sums of the patches, decided positive where the score is at or above `cut`.
    pub fn at_cut(scores: &Scores, cut: f64) -> Self {
        let mut table = Self::default();
        for patch in 0..scores.len() {
            table.add(
                scores.positive()[patch],
                scores.score()[patch] >= cut,
                scores.weight(patch),
            );
        }
        table
    }

    /// Adds one patch.
    pub fn add(&mut self, positive: bool, decided_positive: bool, weight: f64) {
        *match (positive, decided_positive) {
            (true, true) => &mut self.true_positive,
            (true, false) => &mut self.false_negative,
            (false, true) => &mut self.false_positive,
            (false, false) => &mut self.true_negative,
        } += weight;
    }

    /// Summed weight of the positives.
    pub fn positives(&self) -> f64 {
        self.true_positive + self.false_negative
    }

    /// Summed weight of the others.
    pub fn negatives(&self) -> f64 {
        self.false_positive + self.true_negative
    }

    /// Summed weight of what was decided positive.
    pub fn decided_positive(&self) -> f64 {
        self.true_positive + self.false_positive
    }

    /// Summed weight of all patches.
    pub fn total(&self) -> f64 {
        self.positives() + self.negatives()
    }

    /// Share of positives.
    pub fn prevalence(&self) -> Option<f64> {
        ratio(self.positives(), self.total())
    }

    /// Share of the positives that were found.
    pub fn recall(&self) -> Option<f64> {
        ratio(self.true_positive, self.positives())
    }

    /// Share of the others that were left alone.
    pub fn specificity(&self) -> Option<f64> {
        ratio(self.true_negative, self.negatives())
    }

    /// Share of the others that were taken for positives.
    pub fn false_alarm_rate(&self) -> Option<f64> {
        ratio(self.false_positive, self.negatives())
    }

    /// Share of positives among what was decided positive; `None` if nothing was.
    pub fn precision(&self) -> Option<f64> {
        ratio(self.true_positive, self.decided_positive())
    }

    /// Share of others among what was decided otherwise; `None` if nothing was.
    pub fn negative_predictive_value(&self) -> Option<f64> {
        ratio(self.true_negative, self.true_negative + self.false_negative)
    }

    /// Share of right decisions.
    pub fn accuracy(&self) -> Option<f64> {
        ratio(self.true_positive + self.true_negative, self.total())
    }

    /// Mean of recall and specificity.
    pub fn balanced_accuracy(&self) -> Option<f64> {
        Some((self.recall()? + self.specificity()?) / 2.0)
    }

    /// Weighted harmonic mean of precision and recall, recall counting `beta` times as much.
    ///
    /// Taken from the sums, so that it is 0 (and not undefined) where no positive was found.
    /// `None` if there is neither a positive nor a decision for one. (van Rijsbergen 1979.)
    pub fn f_beta(&self, beta: f64) -> Option<f64> {
        let square = beta * beta;
        ratio(
            (1.0 + square) * self.true_positive,
            (1.0 + square) * self.true_positive
                + square * self.false_negative
                + self.false_positive,
        )
    }

    /// Correlation of truth and decision (Matthews 1975), -1 to 1.
    ///
    /// `None` if truth or decision has one class only; others report 0 there.
    ///
    /// ```
    /// use boneglow::evaluation::TwoByTwo;
    /// let table = TwoByTwo { true_positive: 2.0, false_negative: 1.0, false_positive: 1.0, true_negative: 0.0 };
    /// assert!((table.matthews().unwrap() + 1.0 / 3.0).abs() < 1e-12);
    /// ```
    pub fn matthews(&self) -> Option<f64> {
        let spread = self.positives().sqrt()
            * self.negatives().sqrt()
            * self.decided_positive().sqrt()
            * (self.total() - self.decided_positive()).max(0.0).sqrt();
        ratio(
            self.true_positive * self.true_negative - self.false_positive * self.false_negative,
            spread,
        )
    }

    /// Agreement of truth and decision beyond chance (Cohen 1960), -1 to 1.
    pub fn kappa(&self) -> Option<f64> {
        let all = self.total();
        let decided = self.decided_positive();
        let by_chance = ratio(
            self.positives() * decided + self.negatives() * (all - decided),
            all * all,
        )?;
        ratio(self.accuracy()? - by_chance, 1.0 - by_chance)
    }

    /// Recall minus false alarm rate (Peirce 1884, Youden 1950), -1 to 1.
    pub fn youden(&self) -> Option<f64> {
        Some(self.recall()? - self.false_alarm_rate()?)
    }

    /// Share of positives found among positives and false alarms (critical success, Jaccard).
    pub fn threat_score(&self) -> Option<f64> {
        ratio(self.true_positive, self.positives() + self.false_positive)
    }

    /// Threat score less the hits expected by chance (Gilbert 1884).
    pub fn gilbert_skill(&self) -> Option<f64> {
        let chance = ratio(self.positives() * self.decided_positive(), self.total())?;
        ratio(
            self.true_positive - chance,
            self.positives() + self.false_positive - chance,
        )
    }

    /// Precision minus the share of positives among what was passed over (Clayton 1934).
    pub fn clayton_skill(&self) -> Option<f64> {
        Some(self.precision()? - (1.0 - self.negative_predictive_value()?))
    }

    /// What was decided positive for each positive there is.
    pub fn bias(&self) -> Option<f64> {
        ratio(self.decided_positive(), self.positives())
    }

    /// Odds of a positive being decided positive over the odds of another being so.
    pub fn odds_ratio(&self) -> Option<f64> {
        ratio(
            self.true_positive * self.true_negative,
            self.false_positive * self.false_negative,
        )
    }

    /// How many times likelier a positive is to be decided positive than another.
    pub fn positive_likelihood_ratio(&self) -> Option<f64> {
        ratio(self.recall()?, self.false_alarm_rate()?)
    }

    /// How many times likelier a positive is to be passed over than another.
    pub fn negative_likelihood_ratio(&self) -> Option<f64> {
        ratio(1.0 - self.recall()?, self.specificity()?)
    }

    /// Precision where the share of positives is `prevalence`, by Bayes' rule.
    ///
    /// ```
    /// use boneglow::evaluation::TwoByTwo;
    /// let table = TwoByTwo { true_positive: 90.0, false_negative: 10.0, false_positive: 10.0, true_negative: 90.0 };
    /// // 1 in 100: 0.9 found among 0.9 + 9.9 walks
    /// assert!((table.precision_at(0.01).unwrap() - 0.9 / 10.8).abs() < 1e-12);
    /// ```
    pub fn precision_at(&self, prevalence: f64) -> Option<f64> {
        let found = self.recall()? * prevalence;
        ratio(found, found + self.false_alarm_rate()? * (1.0 - prevalence))
    }

    /// Share of others among what is passed over where the share of positives is `prevalence`.
    pub fn negative_predictive_value_at(&self, prevalence: f64) -> Option<f64> {
        let left = self.specificity()? * (1.0 - prevalence);
        ratio(left, left + (1.0 - self.recall()?) * prevalence)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_table_has_no_figures() {
        let empty = TwoByTwo::default();
        let all = [
            empty.prevalence(),
            empty.recall(),
            empty.specificity(),
            empty.false_alarm_rate(),
            empty.precision(),
            empty.negative_predictive_value(),
            empty.accuracy(),
            empty.balanced_accuracy(),
            empty.f_beta(1.0),
            empty.matthews(),
            empty.kappa(),
            empty.youden(),
            empty.threat_score(),
            empty.gilbert_skill(),
            empty.clayton_skill(),
            empty.bias(),
            empty.odds_ratio(),
            empty.positive_likelihood_ratio(),
            empty.negative_likelihood_ratio(),
            empty.precision_at(0.1),
            empty.negative_predictive_value_at(0.1),
        ];
        assert!(all.iter().all(Option::is_none), "{all:?}");
    }

    #[test]
    fn f_is_nought_and_not_undefined_where_every_bone_was_missed() {
        let missed = TwoByTwo {
            false_negative: 3.0,
            true_negative: 9.0,
            ..TwoByTwo::default()
        };
        assert_eq!(missed.f_beta(1.0), Some(0.0));
        assert_eq!(missed.precision(), None);
    }

    #[test]
    fn a_score_at_the_cut_is_a_walk() {
        let scores = Scores::new(&[0.5, 0.4], &[true, true]).unwrap();
        assert_eq!(TwoByTwo::at_cut(&scores, 0.5).recall(), Some(0.5));
    }

    #[test]
    fn precision_at_its_own_prevalence_is_precision() {
        let table = TwoByTwo {
            true_positive: 8.0,
            false_negative: 2.0,
            false_positive: 5.0,
            true_negative: 45.0,
        };
        let share = table.prevalence().unwrap();
        let found = table.precision_at(share).unwrap();
        assert!((found - table.precision().unwrap()).abs() < 1e-12);
    }
}
