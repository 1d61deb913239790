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
