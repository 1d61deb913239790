//! The scale of luminance from the targets that state one.

use super::reference::Reference;
use super::targets::Measured;

/// Fewest targets with a stated luminance that tell how well it fits.
const FEWEST: usize = 3;
/// Luminances stated to better than 2 % are not held against each other.
const LEAST: f64 = 0.01;
/// So many standard deviations off is no chance.
const FAR: f64 = 3.0;

/// Targets that state a luminance, and the common logarithm of the measured one over it.
pub(super) struct Stated {
    logs: Vec<(usize, f64)>,
}

impl Stated {
    /// Of targets whose luminances are mapped without a scale.
    pub fn of(reference: &Reference, measured: &[Measured], mapped: &[f64]) -> Self {
        let log = |(at, (m, found)): (usize, (&Measured, &f64))| {
            let stated = reference.targets[m.reference].luminance?;
            Some((at, (found / stated).log10()))
        };
        let pairs = measured.iter().zip(mapped).enumerate();
        Stated {
            logs: pairs
                .filter_map(log)
                .filter(|(_, l)| l.is_finite())
                .collect(),
        }
    }

    /// Number of targets.
    pub fn count(&self) -> usize {
        self.logs.len()
    }

    /// Luminance in the unit of the stated ones per mapped luminance; absent where none is stated.
    pub fn scale(&self) -> Option<f64> {
        (!self.logs.is_empty()).then(|| 10_f64.powf(-self.spread(None).0))
    }

    /// Standard deviation of log10 luminance that the scale leaves unexplained; absent where fewer than
    /// three are stated.
    pub fn scatter(&self) -> Option<f64> {
        (self.logs.len() >= FEWEST).then(|| self.spread(None).1)
    }

    /// Those that lie far off the others, with measured over stated luminance relative to theirs.
    pub fn outlying(&self) -> Vec<(usize, f64)> {
        let others = self.logs.len().saturating_sub(1);
        let off = |&(at, log): &(usize, f64)| {
            let (mean, sd) = self.spread(Some(at));
            let far = FAR * sd.max(LEAST) * (1.0 + 1.0 / others as f64).sqrt();
            ((log - mean).abs() > far).then(|| (at, 10_f64.powf(log - mean)))
        };
        match others >= FEWEST {
            true => self.logs.iter().filter_map(off).collect(),
            false => Vec::new(),
        }
    }

    /// Mean and standard deviation, one target left out or none.
    fn spread(&self, without: Option<usize>) -> (f64, f64) {
        let kept = self.logs.iter().filter(|(at, _)| Some(*at) != without);
        let logs: Vec<f64> = kept.map(|(_, log)| *log).collect();
        let mean = logs.iter().sum::<f64>() / logs.len() as f64;
        let squares: f64 = logs.iter().map(|l| (l - mean).powi(2)).sum();
        let degrees = logs.len().saturating_sub(1).max(1) as f64;
        (mean, (squares / degrees).sqrt())
    }
}
