//! Figures of the ranking in resamples of groups, from one sort.

use super::Scores;

/// Average precision and standardized partial area of every resample, sorted once.
///
/// Both depend on the ranking only where positives are: between two scores that positives have, what
/// the others weigh is summed by group.
pub(super) struct Ranked {
    /// Weight of positives and of others by group.
    groups: Vec<(f64, f64)>,
    /// Group, weight of its positives and of its others between two corners of the curve.
    parts: Vec<(usize, f64, f64)>,
    /// Where the parts of each corner end, by falling score.
    corners: Vec<usize>,
}

impl Ranked {
    /// `group_of` each patch, below `groups`.
    pub fn new(scores: &Scores, group_of: &[usize], groups: usize) -> Self {
        let (order, score, positive) = (scores.falling(), scores.score(), scores.positive());
        let levels: Vec<&[usize]> = order.chunk_by(|&a, &b| score[a] == score[b]).collect();
        let mut ranked = Ranked {
            groups: vec![(0.0, 0.0); groups],
            parts: Vec::new(),
            corners: Vec::new(),
        };
        let mut open = ranked.groups.clone();
        let holds = |level: &[usize]| level.iter().any(|i| positive[*i]);
        for (place, level) in levels.iter().enumerate() {
            for &i in *level {
                let (group, w) = (group_of[i], scores.weight(i));
                for sums in [&mut open[group], &mut ranked.groups[group]] {
                    match positive[i] {
                        true => sums.0 += w,
                        false => sums.1 += w,
                    }
                }
            }
            let next = levels.get(place + 1);
            if holds(level) || next.is_none_or(|next| holds(next)) {
                for (group, (yes, no)) in open.iter_mut().enumerate() {
                    if *yes > 0.0 || *no > 0.0 {
                        ranked.parts.push((group, *yes, *no));
                        (*yes, *no) = (0.0, 0.0);
                    }
                }
                ranked.corners.push(ranked.parts.len());
            }
        }
        ranked
    }

    /// Average precision, and the area up to a false alarm rate of `width` scaled so that chance is
    /// one half (McClish 1989).
    pub fn figures(&self, times: &[f64], width: f64) -> (Option<f64>, Option<f64>) {
        let (mut yes, mut no) = (0.0, 0.0);
        for ((y, n), t) in self.groups.iter().zip(times) {
            yes += t * y;
            no += t * n;
        }
        if yes <= 0.0 {
            return (None, None);
        }
        let (mut found, mut alarms) = (0.0, 0.0);
        let (mut last_found, mut last_alarms) = (0.0, 0.0);
        let (mut average, mut area) = (0.0, 0.0);
        let (at_most, mut from) = (width * no, 0);
        for &to in &self.corners {
            for &(group, y, n) in &self.parts[from..to] {
                found += times[group] * y;
                alarms += times[group] * n;
            }
            from = to;
            if found > last_found {
                average += (found - last_found) * found / (found + alarms);
            }
            if last_alarms < at_most && alarms > last_alarms {
                let stop = alarms.min(at_most);
                let at_stop = last_found
                    + (found - last_found) * (stop - last_alarms) / (alarms - last_alarms);
                area += (stop - last_alarms) * (last_found + at_stop) / 2.0;
            }
            (last_found, last_alarms) = (found, alarms);
        }
        let chance = width * width / 2.0;
        let partial = (no > 0.0).then(|| {
            let area = area / yes / no;
            (1.0 + (area - chance) / (width - chance)) / 2.0
        });
        (Some(average / yes), partial)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluation::{precision_recall, roc};
    use crate::numeric::stream;
    use rand::RngExt;

    #[test]
    fn a_resample_has_the_figures_of_its_patches_counted_so_often() {
        let mut rng = stream(3, "ranked", 0);
        for steps in [4, 30, 1000] {
            let n = 400;
            let group_of: Vec<usize> = (0..n).map(|i| i % 7).collect();
            let positive: Vec<bool> = (0..n).map(|_| rng.random::<f64>() < 0.2).collect();
            let weight: Vec<f64> = (0..n).map(|_| 0.5 + rng.random::<f64>()).collect();
            let score: Vec<f64> = positive
                .iter()
                .map(|p| f64::from(rng.random_range(0..steps) + if *p { steps / 3 } else { 0 }))
                .collect();
            let scores = Scores::new(&score, &positive).unwrap();
            let ranked = Ranked::new(&scores.weighted(&weight).unwrap(), &group_of, 7);
            for times in [[1.0; 7], [0.0, 2.0, 3.0, 0.0, 1.0, 1.0, 0.0]] {
                let counted: Vec<f64> = (0..n).map(|i| weight[i] * times[group_of[i]]).collect();
                let resample = scores.weighted(&counted).unwrap();
                let (average, partial) = ranked.figures(&times, 0.1);
                let expected = precision_recall::average_precision(&resample).unwrap();
                assert!((average.unwrap() - expected).abs() < 1e-12);
                let expected = roc::partial_auc(&resample, 0.1).unwrap().standardized;
                assert!((partial.unwrap() - expected).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn without_positives_there_is_no_figure_and_without_others_no_area() {
        let (score, groups) = ([0.3, 0.7], [0, 1]);
        let scores = Scores::new(&score, &[true, false]).unwrap();
        let ranked = Ranked::new(&scores, &groups, 2);
        assert_eq!(ranked.figures(&[0.0, 1.0], 0.1), (None, None));
        assert_eq!(ranked.figures(&[1.0, 0.0], 0.1), (Some(1.0), None));
    }
}
