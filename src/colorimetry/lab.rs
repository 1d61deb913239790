//! CIE 1976 L*a*b* (ISO/CIE 11664-4).

use super::Xyz;

/// CIE 1976 L*a*b*.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lab {
    /// Lightness L*.
    pub l: f64,
    /// a*, red to green.
    pub a: f64,
    /// b*, yellow to blue.
    pub b: f64,
}

impl Xyz {
    /// L*a*b* against a white, whose values must be above zero (ISO/CIE 11664-4 equations 1 to 5).
    ///
    /// ```
    /// use boneglow::colorimetry::Xyz;
    /// let white = Xyz::new(0.95047, 1.0, 1.08883);
    /// let lab = white.scaled(0.184187).lab(white);
    /// assert!((lab.l - 50.0).abs() < 1e-4 && lab.a.abs() < 1e-12);
    /// ```
    pub fn lab(self, white: Xyz) -> Lab {
        let [x, y, z] = [self.x / white.x, self.y / white.y, self.z / white.z].map(compressed);
        Lab {
            l: 116.0 * y - 16.0,
            a: 500.0 * (x - y),
            b: 200.0 * (y - z),
        }
    }
}

impl Lab {
    /// Tristimulus values against a white: the reverse of [`Xyz::lab`].
    pub fn xyz(self, white: Xyz) -> Xyz {
        let y = (self.l + 16.0) / 116.0;
        let [x, y, z] = [y + self.a / 500.0, y, y - self.b / 200.0].map(expanded);
        Xyz::new(x * white.x, y * white.y, z * white.z)
    }
}

/// The side of the bend below which the cube root is replaced by a line.
const BEND: f64 = 6.0 / 29.0;

fn compressed(ratio: f64) -> f64 {
    if ratio > BEND.powi(3) {
        ratio.cbrt()
    } else {
        ratio / (3.0 * BEND * BEND) + 4.0 / 29.0
    }
}

fn expanded(value: f64) -> f64 {
    if value > BEND {
        value.powi(3)
    } else {
        3.0 * BEND * BEND * (value - 4.0 / 29.0)
    }
}

/// CIE 1976 color difference: distance in L*a*b* (ISO/CIE 11664-4 equation 12).
///
/// ```
/// use boneglow::colorimetry::{Lab, delta_e_76};
/// let (one, other) = (Lab { l: 50.0, a: 0.0, b: 0.0 }, Lab { l: 50.0, a: 3.0, b: 4.0 });
/// assert_eq!(delta_e_76(one, other), 5.0);
/// ```
pub fn delta_e_76(one: Lab, other: Lab) -> f64 {
    (one.l - other.l)
        .hypot(one.a - other.a)
        .hypot(one.b - other.b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dark_and_bright_colors_come_back() {
        let white = Xyz::new(0.9, 1.0, 0.7);
        for color in [Xyz::new(0.001, 0.002, 0.003), Xyz::new(0.5, 0.4, 0.1)] {
            let back = color.lab(white).xyz(white);
            assert!((back.x - color.x).abs() < 1e-15 && (back.z - color.z).abs() < 1e-15);
        }
    }
}
