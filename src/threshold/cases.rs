//! Out-of-group patches as the field would meet them: what each cut would find and cost.

use super::{CutPoint, Decision, decide};
use crate::evaluation::OutOfGroup;
use crate::season::ThresholdPlan;

/// Costs and prevalence: what a decision is worth in the field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stakes {
    pub prevalence: f64,
    pub missed: f64,
    pub wasted: f64,
}

impl Stakes {
    pub fn new(plan: &ThresholdPlan, prevalence: f64) -> Self {
        Stakes {
            prevalence,
            missed: plan.missed_bone_cost,
            wasted: plan.wasted_walk_cost,
        }
    }

    /// The probability at which a walk is just worth it (Elkan 2001, equation 2, correct decisions free).
    pub fn cost_ratio_cut(&self) -> f64 {
        self.wasted / (self.wasted + self.missed)
    }

    /// Positives found per glowing patch of the field, less wasted walks at their worth (Vickers and Elkin 2006).
    pub fn net_benefit(&self, recall: f64, false_alarm_rate: f64) -> f64 {
        let wasted = (1.0 - self.prevalence) * false_alarm_rate;
        self.prevalence * recall - wasted * self.wasted / self.missed
    }

    /// What a step of a sweep comes to in the field.
    pub fn at(&self, step: &Step) -> CutPoint {
        self.point(step.cut, step.recall, step.false_alarm_rate)
    }

    /// What `recall` and `false_alarm_rate` come to in the field.
    pub fn point(&self, probability: f64, recall: f64, false_alarm_rate: f64) -> CutPoint {
        let found = self.prevalence * recall;
        let wasted = (1.0 - self.prevalence) * false_alarm_rate;
        let walks = found + wasted;
        CutPoint {
            probability,
            recall,
            false_alarm_rate,
            precision: (walks > 0.0).then(|| found / walks),
            walks_per_1000: 1000.0 * walks,
            cost: 1000.0 * (self.missed * self.prevalence * (1.0 - recall) + self.wasted * wasted),
        }
    }
}

/// A cut with what it finds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Step {
    pub cut: f64,
    pub recall: f64,
    pub false_alarm_rate: f64,
}

/// Patches with their probability in the field, the most probable first.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cases {
    /// Index of each patch in the predictions.
    pub patch: Vec<usize>,
    /// Probability of a positive at the field's prevalence.
    pub p: Vec<f64>,
    pub positive: Vec<bool>,
    pub weight: Vec<f64>,
    pub group: Vec<usize>,
    /// Novel or too faint: never a walk.
    pub never: Vec<bool>,
}

impl Cases {
    pub fn new(predictions: &OutOfGroup, rows: &[usize], p: &[f64], never: &[bool]) -> Self {
        let mut order: Vec<usize> = (0..rows.len()).collect();
        order.sort_by(|&a, &b| p[b].total_cmp(&p[a]));
        let positive = predictions.is_positive();
        Cases {
            patch: order.iter().map(|&i| rows[i]).collect(),
            p: order.iter().map(|&i| p[i]).collect(),
            positive: order.iter().map(|&i| positive[rows[i]]).collect(),
            weight: order
                .iter()
                .map(|&i| predictions.weights()[rows[i]])
                .collect(),
            group: order
                .iter()
                .map(|&i| predictions.groups()[rows[i]])
                .collect(),
            never: order.iter().map(|&i| never[rows[i]]).collect(),
        }
    }

    pub fn len(&self) -> usize {
        self.p.len()
    }

    /// The weight of a patch of that side, 0 of one of the other.
    pub fn weight_if(&self, i: usize, positive: bool) -> f64 {
        match self.positive[i] == positive {
            true => self.weight[i],
            false => 0.0,
        }
    }

    /// Recall and false alarm rate at a cut; absent without either side.
    pub fn rates(&self, cut: f64) -> Option<(f64, f64)> {
        let (mut all, mut walked) = ([0.0; 2], [0.0; 2]);
        for i in 0..self.len() {
            let w = self.weight[i];
            let side = usize::from(self.positive[i]);
            all[side] += w;
            if decide(self.p[i], self.never[i], false, cut) == Decision::Walk {
                walked[side] += w;
            }
        }
        (all[0] > 0.0 && all[1] > 0.0).then(|| (walked[1] / all[1], walked[0] / all[0]))
    }

    /// Every cut that changes a decision, from the highest, with recall and false alarm rate; first a
    /// cut above all. Each patch counts `times`. Absent without either side.
    pub fn sweep(&self, times: impl Fn(usize) -> f64) -> Option<Vec<Step>> {
        let weight = |i: usize| -> f64 { self.weight[i] * times(i) };
        let mut all = [0.0; 2];
        for i in 0..self.len() {
            all[usize::from(self.positive[i])] += weight(i);
        }
        if all[0] <= 0.0 || all[1] <= 0.0 {
            return None;
        }
        let mut sweep = vec![Step {
            cut: self.above_all(),
            recall: 0.0,
            false_alarm_rate: 0.0,
        }];
        let mut walked = [0.0; 2];
        for i in 0..self.len() {
            if !self.never[i] {
                walked[usize::from(self.positive[i])] += weight(i);
            }
            if i + 1 == self.len() || self.p[i + 1] < self.p[i] {
                // Half way (in log odds) to the next lower one: no patch lies on the cut.
                let next = self.p.get(i + 1).copied().unwrap_or(0.0);
                let cut = between(self.p[i], next);
                sweep.push(Step {
                    cut,
                    recall: walked[1] / all[1],
                    false_alarm_rate: walked[0] / all[0],
                });
            }
        }
        Some(sweep)
    }

    /// A cut above every patch.
    fn above_all(&self) -> f64 {
        self.p.first().map_or(1.0, |&p| between(1.0, p))
    }
}

/// Half way between two probabilities in log odds, kept above the lower.
fn between(high: f64, low: f64) -> f64 {
    let middle = expit((logit(high) + logit(low)) / 2.0);
    match middle > low {
        true => middle.min(high),
        false => high,
    }
}

/// Log odds of a probability kept within 1e-9 of 0 and 1.
pub(super) fn logit(p: f64) -> f64 {
    let p = p.clamp(1e-9, 1.0 - 1e-9);
    (p / (1.0 - p)).ln()
}

pub(super) fn expit(z: f64) -> f64 {
    1.0 / (1.0 + (-z).exp())
}
