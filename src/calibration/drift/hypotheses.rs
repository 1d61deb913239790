//! What may have changed since the calibration, each fitted to the night's signals.
//!
//! Every hypothesis predicts the signals of targets and white from those of the calibration, with
//! one to a few free factors; they are fitted by least squares weighted with the signals'
//! covariance and compared by Schwarz's criterion (1978, Ann. Stat. 6:461): chi squared and, for
//! each parameter, the logarithm of the number of signals.
//!
//! Limits: one change at a time, beside one of exposure or laser power; two at once are told as none of
//! these. A filter is known by the camera's curves only, and tried on simulated rigs only.

use super::curves::Curves;
use super::night::{Common, Pair, SET_UP, p_value};
use crate::calibration::Rig;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// A hypothesis whose criterion is above the least by more than this is out: odds of 20 to 1.
const MARGIN: f64 = 6.0;
/// A fit that chance leaves so far off, or farther, only this often explains nothing.
const MISFIT: f64 = 0.001;
/// Responses and curves are right to this share of a signal; common practice, no source.
const SIGNAL: f64 = 0.005;

/// What may have changed, with what the fit says of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Change {
    /// Nothing.
    Nothing,
    /// All signals by one factor: exposure, aperture, laser power or height.
    Gain(f64),
    /// Each channel by a factor.
    Channels([f64; 3]),
    /// The filter's edge by so many nm; the leak by a factor, where there is a white.
    Filter { nm: f64, leak: Option<f64> },
    /// The leak by another factor than the glows.
    Leak(f64),
    /// The color of the leak.
    LeakColor,
    /// Each target's glow by a factor of its own: the least and the largest.
    Excitation([f64; 2]),
    /// One target alone.
    Target(usize),
    /// The white was captured at so many times the exposure of the targets.
    WhiteExposure(f64),
}

impl Change {
    /// What changed, as `drift.json` names it.
    pub fn name(&self) -> &'static str {
        match self {
            Change::Nothing => "nothing",
            Change::Gain(_) => "gain",
            Change::Channels(_) => "channels",
            Change::Filter { .. } => "filter",
            Change::Leak(_) | Change::LeakColor | Change::Excitation(_) => "laser",
            Change::Target(_) => "target",
            Change::WhiteExposure(_) => "white-exposure",
        }
    }

    /// Whether this is `other` with some factors held at 1, so that only `other` can fit better.
    fn is_case_of(&self, other: &Change) -> bool {
        use Change::*;
        match self {
            Nothing => *other != Nothing,
            Gain(_) => !matches!(other, Nothing | Gain(_)),
            Leak(_) => matches!(other, Filter { .. } | LeakColor | Excitation(_)),
            _ => false,
        }
    }
}

/// One hypothesis, fitted.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fitted {
    pub change: Change,
    pub chi_squared: f64,
    pub parameters: usize,
    /// Signals less parameters.
    pub degrees: usize,
}

impl Fitted {
    fn criterion(&self) -> f64 {
        let signals = (self.parameters + self.degrees) as f64;
        self.chi_squared + self.parameters as f64 * signals.ln()
    }
}

/// What the signals say of the hypotheses.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Verdict {
    /// This one, of which others are at most richer cases.
    One(Change),
    /// Two that cannot be told apart.
    Either(Change, Change),
    /// None of them.
    Unknown,
}

/// The verdict on hypotheses that were fitted.
pub(super) fn judge(fitted: &[Fitted]) -> Verdict {
    let least = fitted.iter().map(Fitted::criterion);
    let least = least.fold(f64::INFINITY, f64::min);
    let near: Vec<&Fitted> = fitted
        .iter()
        .filter(|f| f.criterion() <= least + MARGIN)
        .collect();
    let mut left: Vec<&Fitted> = near
        .iter()
        .filter(|f| !near.iter().any(|n| n.change.is_case_of(&f.change)))
        .copied()
        .collect();
    left.sort_by(|a, b| a.criterion().total_cmp(&b.criterion()));
    let Some(best) = left.first() else {
        return Verdict::Unknown;
    };
    if p_value(best.chi_squared, best.degrees) < MISFIT {
        return Verdict::Unknown;
    }
    match left.iter().find(|f| f.change.name() != best.change.name()) {
        Some(rival) => Verdict::Either(best.change.clone(), rival.change.clone()),
        None => Verdict::One(best.change.clone()),
    }
}

/// Signals of targets and, where it was captured on both nights, of the white: three channels of
/// each, one after the other.
pub(super) struct Signals<'a> {
    targets: Vec<&'a str>,
    then: DVector<f64>,
    now: DVector<f64>,
    /// White as recorded on the night.
    white: Option<[f64; 3]>,
    leak_share: f64,
    root: Cholesky<f64, Dyn>,
}

impl<'a> Signals<'a> {
    /// `None` where the covariance is none, which noise does not allow.
    pub fn new(rig: &Rig, pairs: &[Pair<'a>], night: &Common) -> Option<Self> {
        let recorded = night.white.zip(rig.white.as_ref());
        let count = pairs.len();
        let size = 3 * (count + usize::from(recorded.is_some()));
        let share = rig.leak.target_share;
        let mut then = DVector::zeros(size);
        let mut now = DVector::zeros(size);
        let mut covariance = DMatrix::zeros(size, size);
        for (i, pair) in pairs.iter().enumerate() {
            for c in 0..3 {
                then[3 * i + c] = pair.target.net_signal[c];
                now[3 * i + c] = pair.now[c];
                covariance[(3 * i + c, 3 * i + c)] =
                    pair.noise[c].powi(2) + pair.target.signal_sd[c].powi(2);
            }
            // Where the leak changed, so did what was taken off by a share that is not the tile's.
            let left = DVector::from_fn(size, |k, _| match (k / 3 == i, night.white) {
                (true, Some(white)) => {
                    rig.leak.target_share_sd * (white[k % 3].0 - rig.leak.signal[k % 3])
                }
                _ => 0.0,
            });
            covariance += &left * left.transpose();
        }
        if let Some((white, recorded)) = recorded {
            for c in 0..3 {
                then[3 * count + c] = recorded.net_signal[c];
                now[3 * count + c] = white[c].0;
            }
        }
        for c in 0..3 {
            let white_now = night.white.map_or(0.0, |w| w[c].1.sqrt());
            let dark = night.dark[c];
            let dark_on_white = night.dark_factor * dark;
            // On a target: what goes with its own height and exposure, and what is taken off by the white.
            for (own, taken_off, on_white) in [
                (dark, -share * dark_on_white, dark_on_white),
                (0.0, (1.0 - share) * rig.black.sd[c], rig.black.sd[c]),
                (0.0, -share * white_now, white_now),
                (0.0, -share * rig.leak.sd[c], rig.leak.sd[c]),
            ] {
                let moved = DVector::from_fn(size, |k, _| match (k % 3 == c, pairs.get(k / 3)) {
                    (false, _) => 0.0,
                    (true, Some(pair)) => own * pair.dark_factor + taken_off,
                    (true, None) => on_white,
                });
                covariance += &moved * moved.transpose();
            }
        }
        for start in (0..size).step_by(3) {
            let set_up = DVector::from_fn(size, |k, _| match k / 3 == start / 3 {
                true => SET_UP * now[k],
                false => 0.0,
            });
            covariance += &set_up * set_up.transpose();
        }
        let largest = now.amax();
        for k in 0..size {
            covariance[(k, k)] += (SIGNAL * now[k]).powi(2) + (1e-6 * largest).powi(2);
        }
        Some(Signals {
            targets: pairs.iter().map(|p| p.target.target.as_str()).collect(),
            then,
            now,
            white: recorded.map(|(white, _)| white.map(|w| w.0)),
            leak_share: share,
            root: Cholesky::new(covariance)?,
        })
    }

    /// All hypotheses that the signals can judge; that of the filter where `curves` are known.
    pub fn fit(&self, curves: Option<&Curves>) -> Vec<Fitted> {
        let mut all = vec![
            self.fitted(0, |_| Change::Nothing, &self.now - &self.then, &[]),
            self.linear(|f| Change::Gain(f[0]), &[self.column(|_, _| true)]),
            self.linear(
                |f| Change::Channels([f[0], f[1], f[2]]),
                &[0, 1, 2].map(|c| self.column(|_, channel| channel == c)),
            ),
        ];
        let count = self.targets.len();
        let own = |i: usize| self.column(move |k, _| k == i);
        if count > 1 {
            let mut columns: Vec<DVector<f64>> = (0..count).map(own).collect();
            let of = |f: &[f64]| {
                let range = |pick: fn(f64, f64) -> f64| f[..count].iter().copied().reduce(pick);
                Change::Excitation([
                    range(f64::min).unwrap_or(1.0),
                    range(f64::max).unwrap_or(1.0),
                ])
            };
            if self.white.is_some() {
                columns.push(own(count));
            }
            all.push(self.linear(of, &columns));
        }
        if count > 2 {
            for i in 0..count {
                let mut columns = vec![self.column(|k, _| k != i)];
                columns.extend([0, 1, 2].map(|c| self.column(|k, channel| k == i && channel == c)));
                all.push(self.linear(|_| Change::Target(i), &columns));
            }
        }
        if let Some(white) = self.white {
            let glows = self.column(|k, _| k < count);
            let leak = own(count);
            all.push(self.linear(|f| Change::Leak(f[1] / f[0]), &[glows.clone(), leak]));
            let mut columns = vec![glows];
            columns.extend([0, 1, 2].map(|c| self.column(|k, channel| k == count && channel == c)));
            all.push(self.linear(|_| Change::LeakColor, &columns));
            all.push(self.white_exposure(white));
        }
        if let Some(curves) = curves {
            all.push(self.filter(curves));
        }
        all.retain(|f| f.degrees > 0);
        all
    }

    /// The calibration's signals where `which` holds of target and channel, and else 0.
    fn column(&self, which: impl Fn(usize, usize) -> bool) -> DVector<f64> {
        DVector::from_fn(self.then.len(), |k, _| match which(k / 3, k % 3) {
            true => self.then[k],
            false => 0.0,
        })
    }

    fn linear(&self, change: impl Fn(&[f64]) -> Change, columns: &[DVector<f64>]) -> Fitted {
        self.fitted(columns.len(), change, self.now.clone(), columns)
    }

    /// The factors on `columns` that leave least of `values`.
    fn fitted(
        &self,
        parameters: usize,
        change: impl Fn(&[f64]) -> Change,
        values: DVector<f64>,
        columns: &[DVector<f64>],
    ) -> Fitted {
        let lower = self.root.l();
        let white = |v: &DVector<f64>| lower.solve_lower_triangular(v).unwrap_or_else(|| v.clone());
        let mut rest = white(&values);
        let mut factors = Vec::new();
        if !columns.is_empty() {
            let columns: Vec<DVector<f64>> = columns.iter().map(white).collect();
            let design = DMatrix::from_columns(&columns);
            let found = design.clone().svd(true, true).solve(&rest, 1e-12);
            let found = found.unwrap_or_else(|_| DVector::zeros(columns.len()));
            rest -= design * &found;
            factors = found.as_slice().to_vec();
        }
        Fitted {
            change: change(&factors),
            chi_squared: rest.norm_squared(),
            parameters,
            degrees: values.len().saturating_sub(parameters),
        }
    }

    /// The filter's edge moved by so many nm, the glows by a common factor and the leak by another.
    fn filter(&self, curves: &Curves) -> Fitted {
        let count = self.targets.len();
        least_over(curves.shifts_nm(), |nm| {
            let factors = curves.factors(&self.targets, nm);
            let glows = DVector::from_fn(self.then.len(), |k, _| match factors.get(k / 3) {
                Some(factor) => factor[k % 3] * self.then[k],
                None => 0.0,
            });
            let mut columns = vec![glows];
            if self.white.is_some() {
                columns.push(self.column(|k, _| k == count));
            }
            let change = |f: &[f64]| Change::Filter {
                nm,
                leak: f.get(1).map(|leak| leak / f[0]),
            };
            self.fitted(columns.len() + 1, change, self.now.clone(), &columns)
        })
    }

    /// The white at so many times the targets' exposure, so that too much or too little was taken
    /// off them for the leak.
    fn white_exposure(&self, white: [f64; 3]) -> Fitted {
        let count = self.targets.len();
        let range = (0.2_f64.ln(), 5_f64.ln());
        least_over(range, |log_times| {
            let times = log_times.exp();
            let excess = self.leak_share * (1.0 - 1.0 / times);
            let values = DVector::from_fn(self.now.len(), |k, _| match k / 3 < count {
                true => self.now[k] + excess * white[k % 3],
                false => self.now[k],
            });
            let column = DVector::from_fn(self.then.len(), |k, _| match k / 3 < count {
                true => self.then[k],
                false => times * self.then[k],
            });
            self.fitted(2, |_| Change::WhiteExposure(times), values, &[column])
        })
    }
}

/// The fit of least chi squared over a range: an even scan, then a finer one about the least.
fn least_over(range: (f64, f64), fit: impl Fn(f64) -> Fitted) -> Fitted {
    const STEPS: usize = 40;
    let scan = |low: f64, high: f64| {
        (0..=STEPS)
            .map(|i| low + (high - low) * i as f64 / STEPS as f64)
            .map(|at| (at, fit(at)))
            .min_by(|a, b| a.1.chi_squared.total_cmp(&b.1.chi_squared))
    };
    let step = (range.1 - range.0) / STEPS as f64;
    let near = scan(range.0, range.1).map_or(range.0, |(at, _)| at);
    let low = (near - step).max(range.0);
    let high = (near + step).min(range.1);
    match scan(low, high) {
        Some((_, found)) => found,
        None => fit(near),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fitted(change: Change, chi_squared: f64, parameters: usize) -> Fitted {
        Fitted {
            change,
            chi_squared,
            parameters,
            degrees: 33 - parameters,
        }
    }

    #[test]
    fn the_simplest_that_is_near_the_best_is_told() {
        let nothing = fitted(Change::Nothing, 33.0, 0);
        let gain = fitted(Change::Gain(0.8), 28.0, 1);
        let channels = fitted(Change::Channels([1.0; 3]), 27.0, 3);
        let found = judge(&[nothing, gain.clone(), channels.clone()]);
        assert_eq!(found, Verdict::One(Change::Nothing));
        let nothing = fitted(Change::Nothing, 400.0, 0);
        let found = judge(&[nothing.clone(), gain, channels.clone()]);
        assert_eq!(found, Verdict::One(Change::Gain(0.8)));
        // Ten more parameters need not be worse to be no rival.
        let filter = fitted(
            Change::Filter {
                nm: 3.0,
                leak: None,
            },
            29.0,
            3,
        );
        let gain = fitted(Change::Gain(0.8), 300.0, 1);
        assert_eq!(
            judge(&[nothing.clone(), gain.clone(), filter, channels.clone()]),
            Verdict::Either(
                channels.change.clone(),
                Change::Filter {
                    nm: 3.0,
                    leak: None
                }
            )
        );
        let poor = fitted(channels.change, 90.0, 3);
        assert_eq!(judge(&[nothing, gain, poor]), Verdict::Unknown);
    }
}
