//! From net signal to tristimulus values: a 3x3 matrix or a root polynomial of second degree.

use serde::{Deserialize, Serialize};

/// The form of a mapping.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MappingKind {
    /// A 3x3 matrix.
    Matrix,
    /// A root polynomial of second degree: r, g, b and the square roots of rg, gb and br (Finlayson,
    /// Mackiewicz and Hurlbert 2015, IEEE Trans. Image Process. 24:1460), which like a matrix
    /// commutes with exposure.
    RootPolynomial,
}

impl MappingKind {
    /// Terms of each row: 3 or 6.
    pub fn terms(self) -> usize {
        match self {
            MappingKind::Matrix => 3,
            MappingKind::RootPolynomial => 6,
        }
    }

    /// The name as the season file writes it.
    pub fn name(self) -> &'static str {
        match self {
            MappingKind::Matrix => "matrix",
            MappingKind::RootPolynomial => "root-polynomial",
        }
    }
}

/// One row of coefficients for each of X, Y, Z; the terms are r, g, b, then for a root polynomial
/// the square roots of rg, gb and br.
pub type Coefficients = [Vec<f64>; 3];

/// From net signal (dark level and leak removed) to CIE 1931 XYZ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mapping {
    /// Matrix or root polynomial.
    pub kind: MappingKind,
    /// Rows of X, Y, Z.
    pub coefficients: Coefficients,
    /// The channels that carry something; coefficients of the others are 0.
    pub channels: [bool; 3],
}

impl Mapping {
    /// A 3x3 matrix on all channels.
    pub fn matrix(rows: [[f64; 3]; 3]) -> Self {
        Mapping {
            kind: MappingKind::Matrix,
            coefficients: rows.map(|row| row.to_vec()),
            channels: [true; 3],
        }
    }

    /// XYZ of a net signal, in the units of the coefficients.
    ///
    /// ```
    /// use boneglow::calibration::Mapping;
    /// let double = Mapping::matrix([[2.0, 0.0, 0.0], [0.0, 2.0, 0.0], [0.0, 0.0, 2.0]]);
    /// assert_eq!(double.xyz([0.1, 0.2, 0.3]), [0.2, 0.4, 0.6]);
    /// ```
    #[inline]
    pub fn xyz(&self, net: [f64; 3]) -> [f64; 3] {
        apply(&self.coefficients, self.kind, net)
    }
}

/// The terms of a net signal; the last three count for a root polynomial only. A negative channel
/// has no root: its cross terms are 0.
#[inline]
pub(super) fn terms([r, g, b]: [f64; 3]) -> [f64; 6] {
    let root = |a: f64, b: f64| (a.max(0.0) * b.max(0.0)).sqrt();
    [r, g, b, root(r, g), root(g, b), root(b, r)]
}

#[inline]
pub(super) fn apply(coefficients: &Coefficients, kind: MappingKind, net: [f64; 3]) -> [f64; 3] {
    match kind {
        MappingKind::Matrix => std::array::from_fn(|i| {
            let row = &coefficients[i];
            row[0] * net[0] + row[1] * net[1] + row[2] * net[2]
        }),
        MappingKind::RootPolynomial => {
            let terms = terms(net);
            std::array::from_fn(|i| coefficients[i].iter().zip(terms).map(|(c, t)| c * t).sum())
        }
    }
}

/// CIE 1976 u', v' and luminance Y of tristimulus values; absent where they are of no color: no
/// luminance, or a chromaticity beyond any light (u' above 0.63 or v' above 0.60 do not exist).
#[inline]
pub(super) fn color_of([x, y, z]: [f64; 3]) -> Option<[f64; 3]> {
    let sum = x + 15.0 * y + 3.0 * z;
    if !(y > 0.0 && sum > 0.0) {
        return None;
    }
    let (u, v) = (4.0 * x / sum, 9.0 * y / sum);
    ((-0.05..0.68).contains(&u) && (0.0..0.65).contains(&v)).then_some([u, v, y])
}
