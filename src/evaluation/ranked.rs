//! Figures of the ranking in resamples, from one sort.

use super::bootstrap::{LANES, Lanes};
use super::{ClusterBootstrap, Scores, Units};

/// Figures of one resample; absent where there is nothing to rank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RankFigures {
    pub average_precision: Option<f64>,
    /// Area up to a false alarm rate, scaled so that chance is one half (McClish 1989).
    pub partial_area: Option<f64>,
}

/// Average precision and standardized partial area of every resample, sorted once.
///
/// Both depend on the ranking only where positives are: between two scores that positives have, what
/// the others weigh is summed by unit.
pub(super) struct Ranked {
    /// Weight of positives and of others by unit.
    units: Vec<(f64, f64)>,
    /// Unit, weight of its positives and of its others between two corners of the curve.
    parts: Vec<(usize, f64, f64)>,
    /// By falling score.
    corners: Vec<Corner>,
}

/// A corner of the curve.
struct Corner {
    /// Where its parts end.
    to: usize,
    /// Whether positives are among them.
    positives: bool,
}

impl Ranked {
    /// `units` of the scores' patches.
    pub fn new(scores: &Scores, units: &Units) -> Self {
        let (order, score, positive) = (scores.falling(), scores.score(), scores.positive());
        let levels: Vec<&[usize]> = order.chunk_by(|&a, &b| score[a] == score[b]).collect();
        let mut ranked = Ranked {
            units: vec![(0.0, 0.0); units.len()],
            parts: Vec::new(),
            corners: Vec::new(),
        };
        let mut open = ranked.units.clone();
        let mut touched = Vec::new();
        let holds = |level: &[usize]| level.iter().any(|i| positive[*i]);
        for (place, level) in levels.iter().enumerate() {
            for &i in *level {
                let (unit, w) = (units.of(i), scores.weight(i));
                touched.push(unit);
                for sums in [&mut open[unit], &mut ranked.units[unit]] {
                    match positive[i] {
                        true => sums.0 += w,
                        false => sums.1 += w,
                    }
                }
            }
            let next = levels.get(place + 1);
            let positives = holds(level);
            if positives || next.is_none_or(|next| holds(next)) {
                touched.sort_unstable();
                touched.dedup();
                for unit in touched.drain(..) {
                    let (yes, no) = std::mem::take(&mut open[unit]);
                    ranked.parts.push((unit, yes, no));
                }
                ranked.corners.push(Corner {
                    to: ranked.parts.len(),
                    positives,
                });
            }
        }
        ranked
    }

    /// The figures of all patches, units counted `times`; `width` as in [`Self::resample`].
    pub fn figures(&self, times: &[f64], width: f64) -> RankFigures {
        let times: Vec<[f64; 1]> = times.iter().map(|t| [*t]).collect();
        let [figures] = self.sweep(&times, width);
        figures
    }

    /// The figures of every resample; the partial area reaches up to a false alarm rate of `width`.
    pub fn resample(
        &self,
        bootstrap: &ClusterBootstrap,
        units: &Units,
        width: f64,
    ) -> Vec<RankFigures> {
        bootstrap.in_lanes(units, |times| self.sweep_fast(times, width))
    }

    fn sweep_fast(&self, times: &[Lanes], width: f64) -> [RankFigures; LANES] {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") {
            #[target_feature(enable = "avx2")]
            fn wide(ranked: &Ranked, times: &[Lanes], width: f64) -> [RankFigures; LANES] {
                ranked.sweep(times, width)
            }
            // SAFETY: the processor has what `wide` needs; it does the same operations, four at once.
            #[allow(unsafe_code)]
            return unsafe { wide(self, times, width) };
        }
        self.sweep(times, width)
    }

    #[inline(always)]
    fn sweep<const L: usize>(&self, times: &[[f64; L]], width: f64) -> [RankFigures; L] {
        let [mut yes, mut no] = [[0.0; L]; 2];
        for ((y, n), t) in self.units.iter().zip(times) {
            for lane in 0..L {
                yes[lane] += t[lane] * y;
                no[lane] += t[lane] * n;
            }
        }
        let [mut found, mut alarms, mut last_found, mut last_alarms] = [[0.0; L]; 4];
        let [mut average, mut area] = [[0.0; L]; 2];
        let at_most = no.map(|no| width * no);
        let mut from = 0;
        for corner in &self.corners {
            for (unit, y, n) in &self.parts[from..corner.to] {
                let t = &times[*unit];
                for lane in 0..L {
                    found[lane] += t[lane] * y;
                    alarms[lane] += t[lane] * n;
                }
            }
            from = corner.to;
            if corner.positives {
                for lane in 0..L {
                    let gain = found[lane] - last_found[lane];
                    let all = found[lane] + alarms[lane];
                    average[lane] += gain * found[lane] / if all > 0.0 { all } else { 1.0 };
                }
            }
            if (0..L).any(|lane| last_alarms[lane] < at_most[lane]) {
                for lane in 0..L {
                    let step = alarms[lane] - last_alarms[lane];
                    let within = (at_most[lane] - last_alarms[lane]).clamp(0.0, step);
                    let share = within / if step > 0.0 { step } else { 1.0 };
                    let at_stop = last_found[lane] + (found[lane] - last_found[lane]) * share;
                    area[lane] += within * (last_found[lane] + at_stop) / 2.0;
                }
            }
            (last_found, last_alarms) = (found, alarms);
        }
        let chance = width * width / 2.0;
        std::array::from_fn(|lane| {
            let (yes, no) = (yes[lane], no[lane]);
            let standardized = || {
                let area = area[lane] / yes / no;
                (1.0 + (area - chance) / (width - chance)) / 2.0
            };
            RankFigures {
                average_precision: (yes > 0.0).then(|| average[lane] / yes),
                partial_area: (yes > 0.0 && no > 0.0).then(standardized),
            }
        })
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
            let units = Units::new(&group_of, 7, false);
            let ranked = Ranked::new(&scores.weighted(&weight).unwrap(), &units);
            for times in [[1.0; 7], [0.0, 2.0, 3.0, 0.0, 1.0, 1.0, 0.0]] {
                let counted: Vec<f64> = (0..n).map(|i| weight[i] * times[group_of[i]]).collect();
                let resample = scores.weighted(&counted).unwrap();
                let found = ranked.figures(&times, 0.1);
                let expected = precision_recall::average_precision(&resample).unwrap();
                assert!((found.average_precision.unwrap() - expected).abs() < 1e-12);
                let expected = roc::partial_auc(&resample, 0.1).unwrap().standardized;
                assert!((found.partial_area.unwrap() - expected).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn without_positives_there_is_no_figure_and_without_others_no_area() {
        let (score, groups) = ([0.3, 0.7], [0, 1]);
        let scores = Scores::new(&score, &[true, false]).unwrap();
        let ranked = Ranked::new(&scores, &Units::new(&groups, 2, false));
        let figures = |times: [f64; 2]| {
            let figures = ranked.figures(&times, 0.1);
            (figures.average_precision, figures.partial_area)
        };
        assert_eq!(figures([0.0, 1.0]), (None, None));
        assert_eq!(figures([1.0, 0.0]), (Some(1.0), None));
    }

    #[test]
    fn resamples_in_lanes_equal_one_by_one() {
        let n = 300;
        let group_of: Vec<usize> = (0..n).map(|i| i % 5).collect();
        let positive: Vec<bool> = (0..n).map(|i| i * 7 % 10 < 3).collect();
        let score: Vec<f64> = (0..n).map(|i| f64::from((i * 31 % 97) as u32)).collect();
        for two_stage in [false, true] {
            let bootstrap = ClusterBootstrap {
                replicates: 50,
                two_stage,
                ..ClusterBootstrap::new(2, 0.95)
            };
            let units = bootstrap.units(&group_of, 5);
            let ranked = Ranked::new(&Scores::new(&score, &positive).unwrap(), &units);
            let one_by_one: Vec<RankFigures> = (0..50)
                .map(|r| ranked.figures(&bootstrap.multiplicities(&units, r), 0.1))
                .collect();
            assert_eq!(ranked.resample(&bootstrap, &units, 0.1), one_by_one);
        }
    }
}
