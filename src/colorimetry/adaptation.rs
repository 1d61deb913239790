//! Chromatic adaptation between whites known at run time.

use super::Xyz;
use nalgebra::{Matrix3, Vector3};

/// Cone response matrix of the Bradford transform (Lam 1985; CIE 159:2004 describes its use).
const CONES: Matrix3<f64> = Matrix3::new(
    0.8951, 0.2664, -0.1614, //
    -0.7502, 1.7135, 0.0367, //
    0.0389, -0.0685, 1.0296,
);

/// The Bradford matrix (row-major) that takes X, Y, Z seen under one white to another.
///
/// `None` where a white's cone responses are not all above zero.
///
/// ```
/// use boneglow::colorimetry::{Xyz, bradford};
/// let white = Xyz::new(0.95047, 1.0, 1.08883);
/// let same = bradford(white, white).unwrap();
/// assert!((same[0][0] - 1.0).abs() < 1e-12 && same[0][1].abs() < 1e-12);
/// ```
pub fn bradford(from: Xyz, to: Xyz) -> Option<[[f64; 3]; 3]> {
    let [from, to] = [from, to].map(|white| CONES * Vector3::from(white.to_array()));
    if from
        .iter()
        .chain(to.iter())
        .any(|cone| cone.is_nan() || *cone <= 0.0)
    {
        return None;
    }
    let adapted = CONES.try_inverse()? * Matrix3::from_diagonal(&to.component_div(&from)) * CONES;
    Some([0, 1, 2].map(|row| [0, 1, 2].map(|column| adapted[(row, column)])))
}
