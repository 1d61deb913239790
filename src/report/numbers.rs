//! Numbers as a paper states them: the uncertainty to two digits, the value to match.

use super::figures::Span;
use crate::numeric::{at_most_digits, decimal, probability};

/// From here on digits before the point are too many to be read.
const UNREADABLE: f64 = 1e9;

/// More decimals than this nobody reads.
const MOST_DECIMALS: i32 = 7;

/// Decimals at which `uncertainty` keeps two significant digits, 0 to 9.
///
/// JCGM 100:2008, 7.2.6: one or two digits of the uncertainty, the estimate rounded to match.
fn decimals_for(uncertainty: f64) -> usize {
    if !uncertainty.is_finite() || uncertainty <= 0.0 {
        return 3;
    }
    // 0.0996 rounds to 0.10: the exponent is that of the rounded number.
    let exponent = format!("{uncertainty:.1e}")
        .split_once('e')
        .and_then(|(_, e)| e.parse::<i32>().ok())
        .unwrap_or(0);
    (1 - exponent).clamp(0, 9) as usize
}

/// A number with fixed decimals and a true minus sign, never "−0".
///
/// A number so large that nobody reads its digits, such as a limit that the data do not bound, is
/// written with a power of ten.
pub(super) fn fixed(value: f64, decimals: usize) -> String {
    let text = match value.abs() < UNREADABLE {
        true => decimal(value, decimals),
        false => format!("{value:.1e}"),
    };
    with_power_of_ten(&text)
}

/// A probability with the digits that one of its size deserves, however small.
pub(super) fn chance(p: f64) -> String {
    with_power_of_ten(&probability(p))
}

/// A share as somebody stated it: without digits that say nothing.
pub(super) fn as_stated(p: f64) -> String {
    match p > 0.0 && p < 1e-6 {
        true => chance(p),
        false => with_power_of_ten(&at_most_digits(p, 4)),
    }
}

/// A probability with its interval, each with digits of its own: where odds matter, a lower limit may be a
/// thousandth of the upper one.
pub(super) fn chance_of(p: f64, limits: Option<[f64; 2]>) -> String {
    match limits {
        Some([low, high]) => format!("{} ({} to {})", chance(p), chance(low), chance(high)),
        None => chance(p),
    }
}

/// With a true minus sign.
fn with_power_of_ten(number: &str) -> String {
    number.replace('e', "·10^").replace('-', "−")
}

/// A number with so many significant digits, written out.
pub(super) fn significant(value: f64, digits: usize) -> String {
    if value == 0.0 || !value.is_finite() {
        return "0".to_string();
    }
    let exponent = format!("{value:.*e}", digits.saturating_sub(1))
        .split_once('e')
        .and_then(|(_, e)| e.parse::<i32>().ok())
        .unwrap_or(0);
    match digits as i32 - 1 - exponent {
        decimals if decimals > MOST_DECIMALS => {
            let digits = digits.saturating_sub(1);
            with_power_of_ten(&format!("{value:.digits$e}"))
        }
        decimals => fixed(value, decimals.max(0) as usize),
    }
}

/// Decimals at which half the width of its interval keeps two digits; absent without an interval.
pub(super) fn decimals(span: Span) -> Option<usize> {
    span.limits
        .map(|[low, high]| decimals_for((high - low) / 2.0))
}

/// A figure with its interval, half of whose width is kept to two digits.
pub(super) fn stated(span: Span) -> String {
    stated_to(span, None)
}

/// A figure with its interval at given decimals, such as those of its column in a table.
pub(super) fn stated_to(span: Span, wanted: Option<usize>) -> String {
    let decimals = wanted.or(decimals(span));
    match span.limits {
        Some([low, high]) => {
            let told = |value: f64| match decimals.unwrap_or(3) {
                many if many as i32 > MOST_DECIMALS => significant(value, 2),
                decimals => fixed(value, decimals),
            };
            format!("{} ({} to {})", told(span.value), told(low), told(high))
        }
        None => match decimals {
            Some(decimals) => fixed(span.value, decimals),
            None => significant(span.value, 3),
        },
    }
}

/// A share in per cent, with the digits that a share of that size deserves.
pub(super) fn percent(share: f64) -> String {
    let value = 100.0 * share;
    if value == 0.0 || (value > 0.5 && (value - value.round()).abs() < 1e-9) {
        return format!("{} %", fixed(value, 0));
    }
    let near_end = value.abs().min((100.0 - value).abs());
    match near_end {
        n if n >= 9.95 => format!("{} %", fixed(value, 0)),
        n if n >= 0.95 => format!("{} %", fixed(value, 1)),
        n if n >= 0.01 || value > 50.0 => format!("{} %", fixed(value, 2)),
        _ => format!("{} %", significant(value, 2)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_interval_decides_how_many_digits_the_value_gets() {
        assert_eq!(
            stated(Span::new(0.86213, 0.78, 0.92)),
            "0.862 (0.780 to 0.920)"
        );
        assert_eq!(stated(Span::new(412.3, 310.0, 560.0)), "412 (310 to 560)");
        assert_eq!(
            stated(Span::new(-0.00412, -0.006, -0.0022)),
            "−0.0041 (−0.0060 to −0.0022)"
        );
        assert_eq!(stated(Span::bare(0.34567)), "0.346");
        assert_eq!(stated(Span::new(0.074, 0.0, 3.3e37)), "0 (0 to 3.3·10^37)");
    }

    #[test]
    fn a_column_may_ask_for_its_own_decimals() {
        let span = Span::new(0.2145, 0.1359, 0.3386);
        assert_eq!(stated(span), "0.21 (0.14 to 0.34)");
        assert_eq!(stated_to(span, Some(3)), "0.214 (0.136 to 0.339)");
        assert_eq!(stated_to(Span::bare(0.5), Some(2)), "0.50");
    }

    #[test]
    fn an_uncertainty_just_below_a_power_of_ten_is_rounded_first() {
        assert_eq!(decimals_for(0.0996), 2);
        assert_eq!(decimals_for(0.0994), 3);
        assert_eq!(decimals_for(120.0), 0);
    }

    #[test]
    fn shares_near_the_ends_keep_more_digits() {
        assert_eq!(percent(0.5), "50 %");
        assert_eq!(percent(0.05), "5 %");
        assert_eq!(percent(0.0512), "5.1 %");
        assert_eq!(percent(0.0042), "0.42 %");
        assert_eq!(percent(0.9987), "99.87 %");
        assert_eq!(percent(1.0), "100 %");
    }

    #[test]
    fn no_probability_is_told_as_zeros() {
        assert_eq!(chance(0.0196), "0.020");
        assert_eq!(chance(2.04e-8), "2.0·10^−8");
        assert_eq!(chance(0.0), "0");
        assert_eq!(as_stated(0.05), "0.05");
        assert_eq!(as_stated(0.00002), "0.00002");
        assert_eq!(
            chance_of(3e-7, Some([1.2e-11, 0.31])),
            "3.0·10^−7 (1.2·10^−11 to 0.31)"
        );
        assert_eq!(
            stated(Span::new(2e-11, 1e-11, 4e-11)),
            "2.0·10^−11 (1.0·10^−11 to 4.0·10^−11)"
        );
        assert_eq!(significant(4.56e-9, 2), "4.6·10^−9");
        assert_eq!(percent(3.21e-7), "0.000032 %");
        assert_eq!(percent(3.21e-13), "3.2·10^−11 %");
    }

    #[test]
    fn significant_digits_survive_rounding_up() {
        assert_eq!(significant(0.09996, 3), "0.100");
        assert_eq!(significant(1234.0, 3), "1234");
        assert_eq!(significant(0.0, 3), "0");
    }
}
