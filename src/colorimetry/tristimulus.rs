//! Tristimulus values and chromaticity (ISO/CIE 11664-3 and 11664-5).

/// CIE tristimulus values, in the unit of the light times nm.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Xyz {
    /// X.
    pub x: f64,
    /// Y, proportional to luminance.
    pub y: f64,
    /// Z.
    pub z: f64,
}

/// CIE 1931 (or 1964) chromaticity x, y.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Xy {
    /// x.
    pub x: f64,
    /// y.
    pub y: f64,
}

/// CIE 1976 chromaticity u', v', in which equal steps look about equal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chromaticity {
    /// u'.
    pub u: f64,
    /// v'.
    pub v: f64,
}

impl Xyz {
    /// From X, Y, Z.
    pub const fn new(x: f64, y: f64, z: f64) -> Self {
        Xyz { x, y, z }
    }

    /// X, Y, Z.
    pub const fn to_array(self) -> [f64; 3] {
        [self.x, self.y, self.z]
    }

    /// Every value times `factor`.
    pub fn scaled(self, factor: f64) -> Self {
        Xyz::new(self.x * factor, self.y * factor, self.z * factor)
    }

    /// x = X / (X + Y + Z) and y alike (ISO/CIE 11664-3); `None` where the sum is not above zero.
    pub fn xy(self) -> Option<Xy> {
        let sum = self.x + self.y + self.z;
        (sum > 0.0).then(|| Xy {
            x: self.x / sum,
            y: self.y / sum,
        })
    }

    /// u' = 4X / (X + 15Y + 3Z), v' = 9Y / (X + 15Y + 3Z) (ISO/CIE 11664-5, equations 1 and 2);
    /// `None` where the sum is not above zero.
    ///
    /// ```
    /// use boneglow::colorimetry::Xyz;
    /// let equal_energy = Xyz::new(1.0, 1.0, 1.0).uv().unwrap();
    /// assert_eq!((equal_energy.u, equal_energy.v), (4.0 / 19.0, 9.0 / 19.0));
    /// assert_eq!(Xyz::default().uv(), None);
    /// ```
    pub fn uv(self) -> Option<Chromaticity> {
        let sum = self.x + 15.0 * self.y + 3.0 * self.z;
        (sum > 0.0).then(|| Chromaticity {
            u: 4.0 * self.x / sum,
            v: 9.0 * self.y / sum,
        })
    }
}

impl From<[f64; 3]> for Xyz {
    fn from([x, y, z]: [f64; 3]) -> Self {
        Xyz { x, y, z }
    }
}

impl Xy {
    /// Equal power at every wavelength: the usual white for light that glows by itself.
    pub const EQUAL_ENERGY: Xy = Xy {
        x: 1.0 / 3.0,
        y: 1.0 / 3.0,
    };

    /// u', v' of the same color; `None` where -2x + 12y + 3 is not above zero.
    ///
    /// ```
    /// let green = boneglow::colorimetry::Xy { x: 0.3, y: 0.6 }.uv().unwrap();
    /// assert!((green.u - 0.125).abs() < 1e-12 && (green.v - 0.5625).abs() < 1e-12);
    /// ```
    pub fn uv(self) -> Option<Chromaticity> {
        let sum = -2.0 * self.x + 12.0 * self.y + 3.0;
        (sum > 0.0).then(|| Chromaticity {
            u: 4.0 * self.x / sum,
            v: 9.0 * self.y / sum,
        })
    }

    /// Tristimulus values with the given Y; `None` where y is not above zero.
    pub fn xyz(self, y: f64) -> Option<Xyz> {
        let sum = y / self.y;
        (self.y > 0.0).then(|| Xyz::new(self.x * sum, y, (1.0 - self.x - self.y) * sum))
    }
}

impl Chromaticity {
    /// From u', v'.
    pub const fn new(u: f64, v: f64) -> Self {
        Chromaticity { u, v }
    }

    /// x, y of the same color; `None` where 6u' - 16v' + 12 is not above zero.
    ///
    /// ```
    /// let green = boneglow::colorimetry::Chromaticity::new(0.125, 0.5625).xy().unwrap();
    /// assert!((green.x - 0.3).abs() < 1e-12 && (green.y - 0.6).abs() < 1e-12);
    /// ```
    pub fn xy(self) -> Option<Xy> {
        let sum = 6.0 * self.u - 16.0 * self.v + 12.0;
        (sum > 0.0).then(|| Xy {
            x: 9.0 * self.u / sum,
            y: 4.0 * self.v / sum,
        })
    }

    /// Tristimulus values with the given Y; `None` where v' is not above zero.
    pub fn xyz(self, y: f64) -> Option<Xyz> {
        self.xy()?.xyz(y)
    }

    /// Distance in the u', v' plane.
    pub fn distance(self, other: Chromaticity) -> f64 {
        (self.u - other.u).hypot(self.v - other.v)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_way_from_a_color_and_back_is_the_same_color() {
        let color = Xyz::new(0.3, 0.2, 0.7);
        let back = color.uv().unwrap().xyz(0.2).unwrap();
        for (a, b) in color.to_array().iter().zip(back.to_array()) {
            assert!((a - b).abs() < 1e-14);
        }
        assert!(
            color
                .xy()
                .unwrap()
                .uv()
                .unwrap()
                .distance(color.uv().unwrap())
                < 1e-15
        );
    }

    #[test]
    fn no_light_has_no_hue() {
        assert_eq!(Xyz::default().xy(), None);
        assert_eq!(Xyz::new(-1.0, 0.0, 0.0).uv(), None);
        assert_eq!(Xyz::new(f64::NAN, 1.0, 1.0).uv(), None);
        assert_eq!(Xy { x: 0.5, y: 0.0 }.xyz(1.0), None);
    }
}
