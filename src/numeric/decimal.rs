//! Numbers as text.

/// A number with so many decimals; what rounds to zero has no sign.
///
/// ```
/// use boneglow::numeric::decimal;
/// assert_eq!(decimal(-0.00049, 3), "0.000");
/// assert_eq!(decimal(-0.00051, 3), "-0.001");
/// ```
pub fn decimal(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_string(),
        _ => text,
    }
}

/// Below this, and so near to 1, decimals are too many to be read.
const LEAST_WRITTEN_OUT: f64 = 1e-6;

/// A probability with two significant digits, of what it lacks to 1 where that is less; what is below a
/// millionth with a power of ten.
///
/// ```
/// use boneglow::numeric::probability;
/// assert_eq!(probability(0.0196078), "0.020");
/// assert_eq!(probability(0.9968), "0.9968");
/// assert_eq!(probability(0.00002), "0.000020");
/// assert_eq!(probability(3.14e-9), "3.1e-9");
/// assert_eq!(probability(0.0), "0");
/// ```
pub fn probability(p: f64) -> String {
    if p <= 0.0 || p >= 1.0 {
        return decimal(p, 0);
    }
    if p < LEAST_WRITTEN_OUT {
        return format!("{p:.1e}");
    }
    // 0.0996 rounds to 0.10: the exponent is that of the rounded number.
    let least = format!("{:.1e}", p.min(1.0 - p).max(LEAST_WRITTEN_OUT));
    let exponent = least.split_once('e').and_then(|(_, e)| e.parse().ok());
    let decimals: i32 = 1 - exponent.unwrap_or(0);
    decimal(p, decimals.max(1) as usize)
}

/// A number for a table that programs read: at most so many significant digits, and none that say nothing.
///
/// ```
/// use boneglow::numeric::at_most_digits;
/// assert_eq!(at_most_digits(0.0733754321, 6), "0.0733754");
/// assert_eq!(at_most_digits(0.5, 6), "0.5");
/// ```
pub fn at_most_digits(value: f64, digits: usize) -> String {
    let rounded = format!("{value:.*e}", digits.saturating_sub(1)).parse();
    rounded.unwrap_or(value).to_string()
}

/// How many decimals a number was written with; below 0 if its last digit stands for tens or more.
///
/// ```
/// use boneglow::numeric::decimals;
/// assert_eq!(["118", "118.30", "1.183e2", "2e3"].map(decimals), [0, 2, 1, -3]);
/// ```
pub fn decimals(text: &str) -> i32 {
    let (digits, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
    let after_point = digits
        .split_once('.')
        .map_or(0, |(_, after)| after.len() as i32);
    after_point - exponent.parse::<i32>().unwrap_or(0)
}
