//! The matrix from signal to tristimulus values that a good calibration of a rig would find.

use crate::colorimetry::{Chromaticity, Observer, Weights, Xyz};
use crate::simulation::VirtualRig;
use crate::spectra::Spectrum;
use nalgebra::{DMatrix, Matrix2x3, Matrix3, Vector3};

/// Singular values below this share of the largest carry nothing but rounding.
const NEGLIGIBLE: f64 = 1e-9;
/// Of a glow at least this share must pass the filter to serve as a target.
const PASSED: f64 = 0.01;

/// Least squares over the classes' own glows and a set of Gaussian glows of many hues, each of
/// brightness 1.
#[derive(Debug, Clone)]
pub(super) struct Mapping {
    matrix: Matrix3<f64>,
    /// Condition number of the signals of the glows it was fitted to; absent where singular.
    pub condition: Option<f64>,
}

impl Mapping {
    pub fn fit<'a>(rig: &VirtualRig, own: impl Iterator<Item = &'a Spectrum>) -> Self {
        let mut glows: Vec<Spectrum> = own.cloned().collect();
        for peak in (400..=700).step_by(20).map(f64::from) {
            for sd in [15.0, 30.0, 60.0] {
                glows.push(Spectrum::sampled(360.0, 5.0, 95, |nm| {
                    (-0.5 * ((nm - peak) / sd).powi(2)).exp()
                }));
            }
        }
        let mut rows: Vec<([f64; 3], [f64; 3])> = Vec::new();
        for glow in &glows {
            let grid = glow.wavelengths();
            let sum = |weights: Weights| {
                let xyz = weights.xyz(glow.values()).unwrap_or_default();
                (xyz.x + xyz.y + xyz.z, xyz)
            };
            let (whole, _) = sum(Weights::new(Observer::Cie1931, grid));
            let (seen, xyz) = sum(Weights::through(Observer::Cie1931, &rig.filter, grid));
            if seen > PASSED * whole && seen > 0.0 {
                let scale = 1.0 / seen;
                rows.push((
                    rig.glow(glow).map(|v| v * scale),
                    xyz.scaled(scale).to_array(),
                ));
            }
        }
        let signals = DMatrix::from_fn(rows.len(), 3, |i, c| rows[i].0[c]);
        let colors = DMatrix::from_fn(rows.len(), 3, |i, c| rows[i].1[c]);
        let svd = signals.svd(true, true);
        let largest = svd.singular_values.max();
        let smallest = if rows.len() < 3 {
            0.0
        } else {
            svd.singular_values.min()
        };
        let matrix = svd
            .solve(&colors, NEGLIGIBLE * largest)
            .map(|solved| Matrix3::from_fn(|row, column| solved[(column, row)]))
            .unwrap_or_else(|_| Matrix3::zeros());
        Mapping {
            matrix,
            condition: (smallest > NEGLIGIBLE * largest).then(|| largest / smallest),
        }
    }

    /// X, Y, Z of a signal.
    fn xyz(&self, signal: [f64; 3]) -> Vector3<f64> {
        self.matrix * Vector3::from(signal)
    }

    /// u', v' of a signal; `None` where there is no light.
    pub fn uv(&self, signal: [f64; 3]) -> Option<Chromaticity> {
        let xyz = self.xyz(signal);
        Xyz::new(xyz[0], xyz[1], xyz[2]).uv()
    }

    /// Derivatives of u', v' by the signal.
    pub fn jacobian(&self, signal: [f64; 3]) -> Option<Matrix2x3<f64>> {
        let uv = self.uv(signal)?;
        let xyz = self.xyz(signal);
        let sum = xyz[0] + 15.0 * xyz[1] + 3.0 * xyz[2];
        let by_xyz = Matrix2x3::new(
            4.0 - uv.u,
            -15.0 * uv.u,
            -3.0 * uv.u,
            -uv.v,
            9.0 - 15.0 * uv.v,
            -3.0 * uv.v,
        ) / sum;
        Some(by_xyz * self.matrix)
    }
}
