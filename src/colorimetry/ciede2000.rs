//! CIEDE2000 color difference (ISO/CIE 11664-6), with parametric factors of 1.

use super::Lab;
use palette::color_difference::Ciede2000;
use palette::white_point::Any;

/// CIEDE2000 difference of two colors (ISO/CIE 11664-6; Sharma, Wu and Dalal 2005).
///
/// The arithmetic is `palette`'s; the white is already in the L*a*b* values.
///
/// ```
/// use boneglow::colorimetry::{Lab, ciede2000};
/// let one = Lab { l: 50.0, a: 2.6772, b: -79.7751 };
/// let other = Lab { l: 50.0, a: 0.0, b: -82.7485 };
/// assert!((ciede2000(one, other) - 2.0425).abs() < 5e-5);
/// ```
pub fn ciede2000(one: Lab, other: Lab) -> f64 {
    let [one, other] = [one, other].map(|c| palette::Lab::<Any, f64>::new(c.l, c.a, c.b));
    one.difference(other)
}
