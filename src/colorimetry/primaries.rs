//! Additive primaries: the matrix from linear RGB to X, Y, Z.

use super::{Xy, Xyz};
use nalgebra::{Matrix3, Vector3};

/// Chromaticities of the red, green and blue primary and of the white that equal parts give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Primaries {
    /// Red, green, blue.
    pub rgb: [Xy; 3],
    /// White.
    pub white: Xy,
}

impl Primaries {
    /// The primaries and white of IEC 61966-2-1 (sRGB), the same as in ITU-R BT.709.
    pub const SRGB: Primaries = Primaries {
        rgb: [
            Xy { x: 0.64, y: 0.33 },
            Xy { x: 0.30, y: 0.60 },
            Xy { x: 0.15, y: 0.06 },
        ],
        white: Xy {
            x: 0.3127,
            y: 0.3290,
        },
    };

    /// The matrix (row-major) from linear RGB in 0..1 to X, Y, Z with Y = 1 for the white
    /// (SMPTE RP 177:1993); `None` where the primaries lie on a line or a y is zero.
    ///
    /// ```
    /// use boneglow::colorimetry::Primaries;
    /// let matrix = Primaries::SRGB.to_xyz().unwrap();
    /// assert!((matrix[1][1] - 0.7152).abs() < 5e-5);
    /// ```
    pub fn to_xyz(&self) -> Option<[[f64; 3]; 3]> {
        let mut columns = [Vector3::zeros(); 3];
        for (column, primary) in columns.iter_mut().zip(self.rgb) {
            *column = Vector3::from(primary.xyz(1.0)?.to_array());
        }
        let unscaled = Matrix3::from_columns(&columns);
        let white = Vector3::from(self.white.xyz(1.0)?.to_array());
        let scales = unscaled.try_inverse()? * white;
        let matrix = unscaled * Matrix3::from_diagonal(&scales);
        Some([0, 1, 2].map(|row| [0, 1, 2].map(|column| matrix[(row, column)])))
    }

    /// X, Y, Z of linear RGB; `None` as [`Primaries::to_xyz`].
    pub fn xyz(&self, rgb: [f64; 3]) -> Option<Xyz> {
        let matrix = self.to_xyz()?;
        let value = |row: [f64; 3]| row[0] * rgb[0] + row[1] * rgb[1] + row[2] * rgb[2];
        Some(matrix.map(value).into())
    }
}
