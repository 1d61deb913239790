//! Scales with round ticks.

use crate::numeric::decimal;

/// One axis: what it measures, from where to where, and its ticks.
#[derive(Debug, Clone)]
pub(crate) struct Axis {
    pub label: String,
    pub low: f64,
    pub high: f64,
    pub ticks: Vec<(f64, String)>,
    pub grid: bool,
    logarithmic: bool,
}

impl Axis {
    /// A linear axis with about `count` round ticks.
    pub fn linear(label: &str, low: f64, high: f64, count: usize) -> Self {
        let (low, high) = widened(low, high);
        let step = round_step((high - low) / count.max(1) as f64);
        let decimals = decimals_of(step);
        let first = (low / step - 1e-9).ceil() as i64;
        let last = (high / step + 1e-9).floor() as i64;
        let ticks = (first..=last)
            .map(|i| i as f64 * step)
            .map(|value| (value, fixed(value, decimals)))
            .collect();
        Axis {
            label: label.to_string(),
            low,
            high,
            ticks,
            grid: true,
            logarithmic: false,
        }
    }

    /// A linear axis whose ends are the round ticks around the data.
    pub fn rounded(label: &str, low: f64, high: f64, count: usize) -> Self {
        let (low, high) = widened(low, high);
        let step = round_step((high - low) / count.max(1) as f64);
        let (low, high) = (
            (low / step + 1e-9).floor() * step,
            (high / step - 1e-9).ceil() * step,
        );
        Self::linear(label, low, high, count)
    }

    /// From 0 to 1.
    pub fn share(label: &str) -> Self {
        Self::linear(label, 0.0, 1.0, 5)
    }

    /// A logarithmic axis from `low` to `high`, both above 0, widened to ticks.
    pub fn logarithmic(label: &str, low: f64, high: f64) -> Self {
        let low = if low > 0.0 { low } else { 1e-6 };
        let high = if high > low * 1.0001 {
            high
        } else {
            low * 10.0
        };
        let (low, high) = (low * 0.999, high * 1.001);
        let decades = (high / low).log10();
        let steps: &[f64] = match decades {
            d if d <= 2.2 => &[1.0, 2.0, 5.0],
            d if d <= 3.5 => &[1.0, 3.0],
            _ => &[1.0],
        };
        let mut every = 1;
        while decades / f64::from(every) > 8.0 {
            every += 1;
        }
        let from = low.log10().floor() as i32 - 1;
        let to = high.log10().ceil() as i32 + 1;
        let ticks = (from..=to)
            .filter(|power| power.rem_euclid(every) == 0)
            .flat_map(|power| steps.iter().map(move |s| s * 10f64.powi(power)))
            .filter(|v| (low..=high).contains(v))
            .map(|v| (v, plain(v, low >= 0.8e-4)))
            .collect();
        Axis {
            label: label.to_string(),
            low,
            high,
            ticks,
            grid: true,
            logarithmic: true,
        }
    }

    /// Rows or columns 0..n, each with its name at its middle.
    pub fn names(label: &str, names: &[String]) -> Self {
        Axis {
            label: label.to_string(),
            low: 0.0,
            high: names.len().max(1) as f64,
            ticks: names
                .iter()
                .enumerate()
                .map(|(i, name)| (i as f64 + 0.5, name.clone()))
                .collect(),
            grid: false,
            logarithmic: false,
        }
    }

    /// Where a value stands between the ends: 0 at `low`, 1 at `high`.
    pub fn share_of(&self, value: f64) -> f64 {
        match self.logarithmic {
            true => {
                let value = value.max(f64::MIN_POSITIVE);
                (value / self.low).ln() / (self.high / self.low).ln()
            }
            false => (value - self.low) / (self.high - self.low),
        }
    }
}

fn widened(low: f64, high: f64) -> (f64, f64) {
    match high - low > 1e-12 * low.abs().max(high.abs()).max(1e-9) {
        true => (low, high),
        false => {
            let half = (low.abs() * 0.05).max(1e-6);
            (low - half, low + half)
        }
    }
}

/// The round number (1, 2 or 5 times a power of ten) next to `wish`.
fn round_step(wish: f64) -> f64 {
    let power = 10f64.powf(wish.log10().floor());
    let times = match wish / power {
        r if r < 1.5 => 1.0,
        r if r < 3.5 => 2.0,
        r if r < 7.5 => 5.0,
        _ => 10.0,
    };
    times * power
}

fn decimals_of(step: f64) -> usize {
    (-(step * 1.0001).log10().floor()).clamp(0.0, 12.0) as usize
}

/// A number with fixed decimals and a true minus sign.
fn fixed(value: f64, decimals: usize) -> String {
    decimal(value, decimals).replace('-', "−")
}

/// A number written out where `short` and it is so, else with its exponent.
fn plain(value: f64, short: bool) -> String {
    let power = (value.log10() + 1e-9).floor() as i32;
    match power {
        -4..=-1 if short => fixed(value, (-power) as usize),
        0..=4 => fixed(value, 0),
        _ => {
            let digits: String = power
                .to_string()
                .chars()
                .map(|c| match c {
                    '-' => '⁻',
                    c => ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹']
                        [c.to_digit(10).unwrap_or(0) as usize],
                })
                .collect();
            match (value / 10f64.powi(power)).round() as i64 {
                1 => format!("10{digits}"),
                times => format!("{times}·10{digits}"),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(axis: &Axis) -> Vec<&str> {
        axis.ticks.iter().map(|t| t.1.as_str()).collect()
    }

    #[test]
    fn ticks_are_round_and_within_the_ends() {
        let axis = Axis::linear("u'", 0.173, 0.224, 5);
        assert_eq!(words(&axis), ["0.18", "0.19", "0.20", "0.21", "0.22"]);
        let axis = Axis::linear("shift", -1.0, 1.0, 4);
        assert_eq!(words(&axis), ["−1.0", "−0.5", "0.0", "0.5", "1.0"]);
    }

    #[test]
    fn logarithmic_ticks_are_written_out_where_short() {
        let axis = Axis::logarithmic("signal", 1e-6, 1.0);
        assert_eq!(
            words(&axis),
            ["10⁻⁶", "10⁻⁵", "10⁻⁴", "10⁻³", "10⁻²", "10⁻¹", "1"]
        );
        let axis = Axis::logarithmic("signal", 0.1, 1.0);
        assert_eq!(words(&axis), ["0.1", "0.2", "0.5", "1"]);
    }

    #[test]
    fn one_value_still_has_an_axis_with_ticks_around_it() {
        for value in [0.0, 3.0, -2.0] {
            let axis = Axis::linear("x", value, value, 5);
            assert!(axis.low < value && value < axis.high);
            assert!(!axis.ticks.is_empty());
        }
    }

    #[test]
    fn a_logarithmic_axis_maps_the_geometric_mean_to_the_middle() {
        let axis = Axis::logarithmic("x", 0.01, 1.0);
        assert!((axis.share_of(0.1) - 0.5).abs() < 1e-3);
    }
}
