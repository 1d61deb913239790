//! `candidates.csv`.

use crate::files;
use crate::numeric::{at_most_digits, decimal};
use crate::strip::Candidate;

/// The columns of `candidates.csv`, in order.
pub const COLUMNS: [&str; 17] = [
    "candidate",
    "x",
    "y",
    "width",
    "height",
    "pixels",
    "peak",
    "mean",
    "u",
    "v",
    "luminance",
    "class",
    "novel",
    "latitude",
    "longitude",
    "position_sd_m",
    "nearest_photo",
];

/// Candidates as CSV; what is not known is an empty cell.
///
/// Probabilities have up to six significant digits, u' and v' five, luminance five significant digits, degrees
/// seven decimals, the position's standard deviation two.
///
/// ```
/// let csv = boneglow::strip::to_csv(&[]);
/// assert!(csv.starts_with(b"candidate,x,y,width,height,pixels,peak,mean,u,v,luminance,class,"));
/// ```
pub fn to_csv(candidates: &[Candidate]) -> Vec<u8> {
    let rows = candidates.iter().map(|c| {
        let of_place = |value: fn(&crate::strip::Place) -> String| c.place.as_ref().map(value);
        let place = [
            of_place(|p| format!("{:.7}", p.latitude)),
            of_place(|p| format!("{:.7}", p.longitude)),
            of_place(|p| format!("{:.2}", p.position_sd_m)),
        ];
        let mut record = vec![
            c.number.to_string(),
            c.x.to_string(),
            c.y.to_string(),
            c.width.to_string(),
            c.height.to_string(),
            c.pixels.to_string(),
            at_most_digits(c.peak, 6),
            at_most_digits(c.mean, 6),
            decimal(c.u, 5),
            decimal(c.v, 5),
            five_digits(c.luminance),
            c.class.clone(),
            c.novel.to_string(),
        ];
        record.extend(place.map(Option::unwrap_or_default));
        record.push(c.nearest_photo.clone().unwrap_or_default());
        record
    });
    files::to_csv(COLUMNS, rows)
}

/// Five significant digits without an exponent.
fn five_digits(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return "0".to_string();
    }
    let decimals = (4.0 - value.abs().log10().floor()).clamp(0.0, 12.0) as usize;
    decimal(value, decimals)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn luminance_keeps_five_digits_at_any_size() {
        assert_eq!(five_digits(0.001_234_567), "0.0012346");
        assert_eq!(five_digits(12.345_678), "12.346");
        assert_eq!(five_digits(0.0), "0");
    }
}
