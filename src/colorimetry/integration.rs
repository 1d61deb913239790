//! From spectra to tristimulus values (ISO/CIE 11664-3, CIE 015:2018 clause 7.1).
//!
//! A spectrum is taken as linear between its samples and dark outside them, and summed against
//! the tables at 1 nm, 360 to 830 nm. A spectrum that is sampled exactly at the multiples of 5 nm
//! is summed against the tables at 5 nm instead, as CIE 015 does for the illuminants: sharp lines
//! tabulated at 5 nm are shares of 5 nm bins, and interpolating between them would be wrong.
//! Behind a filter the sum is always at 1 nm, since edges of filters are steep.
//!
//! No normalization: X, Y, Z are in the spectrum's unit times nm.

use super::{Observer, Xyz, observer::FIRST_NM};
use crate::spectra::{Filter, Spectrum, linear_weights};
use crate::{Error, Result};
use ndarray::{Array2, ArrayView2, Axis};
use rayon::prelude::*;

/// The linear map from spectra at given wavelengths to X, Y, Z, made once for many spectra.
#[derive(Debug, Clone)]
pub struct Weights {
    /// Weights of X, of Y and of Z, one a wavelength.
    channels: [Vec<f64>; 3],
}

/// Samples that are summed side by side, so that additions need not wait for each other.
const LANES: usize = 4;

impl Weights {
    /// For spectra sampled at ascending `wavelengths` in nm.
    ///
    /// ```
    /// use boneglow::colorimetry::{Observer, Weights};
    /// let grid: Vec<f64> = (0..81).map(|i| 380.0 + 5.0 * i as f64).collect();
    /// let equal_energy = Weights::new(Observer::Cie1931, &grid).xyz(&[1.0; 81])?;
    /// let xy = equal_energy.xy().unwrap();
    /// assert!((xy.x - 0.33333).abs() < 5e-6 && (xy.y - 0.33333).abs() < 5e-6);
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn new(observer: Observer, wavelengths: &[f64]) -> Self {
        let every_fifth = wavelengths.iter().all(|nm| nm % 5.0 == 0.0)
            && wavelengths.windows(2).all(|w| w[1] - w[0] == 5.0);
        if !every_fifth {
            return Self::by_nanometer(observer, wavelengths, |_| 1.0);
        }
        let at = |nm: &f64| observer.five_nanometer_value(*nm as usize).map(|v| v * 5.0);
        Self::from_rows(&wavelengths.iter().map(at).collect::<Vec<_>>())
    }

    /// For spectra sampled at ascending `wavelengths` in nm and seen through a filter.
    pub fn through(observer: Observer, filter: &Filter, wavelengths: &[f64]) -> Self {
        Self::by_nanometer(observer, wavelengths, |nm| filter.transmission(nm))
    }

    fn by_nanometer(
        observer: Observer,
        wavelengths: &[f64],
        transmission: impl Fn(f64) -> f64,
    ) -> Self {
        let last = FIRST_NM + observer.table().len() - 1;
        let rows = linear_weights(wavelengths, FIRST_NM, last, |nm| {
            let passed = transmission(nm);
            observer.at(nm).map(|v| v * passed)
        });
        Self::from_rows(&rows)
    }

    fn from_rows(rows: &[[f64; 3]]) -> Self {
        Weights {
            channels: std::array::from_fn(|c| rows.iter().map(|row| row[c]).collect()),
        }
    }

    /// X, Y, Z of one spectrum; an error unless it has one value a wavelength.
    pub fn xyz(&self, values: &[f64]) -> Result<Xyz> {
        self.check(values.len())?;
        Ok(self.sum(values))
    }

    /// X, Y, Z (columns) of many spectra (rows), in parallel, in fixed order within a spectrum.
    ///
    /// An error unless there are as many columns as wavelengths.
    pub fn xyz_all(&self, spectra: ArrayView2<f64>) -> Result<Array2<f64>> {
        self.check(spectra.ncols())?;
        let mut found = Array2::zeros((spectra.nrows(), 3));
        let blocks: Vec<_> = found
            .axis_chunks_iter_mut(Axis(0), 1024)
            .zip(spectra.axis_chunks_iter(Axis(0), 1024))
            .collect();
        blocks.into_par_iter().for_each(|(mut found, spectra)| {
            for (mut xyz, spectrum) in found.rows_mut().into_iter().zip(spectra.rows()) {
                let sums = match spectrum.as_slice() {
                    Some(values) => self.sum(values),
                    None => self.sum(&spectrum.to_vec()),
                };
                xyz[0] = sums.x;
                xyz[1] = sums.y;
                xyz[2] = sums.z;
            }
        });
        Ok(found)
    }

    fn check(&self, found: usize) -> Result<()> {
        if found == self.channels[0].len() {
            return Ok(());
        }
        Err(Error::input(format!(
            "found a spectrum of {found} values, expected {}, one a wavelength",
            self.channels[0].len()
        )))
    }

    fn sum(&self, values: &[f64]) -> Xyz {
        let mut lanes = [[0.0; LANES]; 3];
        let (blocks, rest) = values.as_chunks::<LANES>();
        let [x, y, z] = self.channels.each_ref().map(|c| c.as_chunks::<LANES>());
        for (((block, x), y), z) in blocks.iter().zip(x.0).zip(y.0).zip(z.0) {
            for i in 0..LANES {
                lanes[0][i] += block[i] * x[i];
                lanes[1][i] += block[i] * y[i];
                lanes[2][i] += block[i] * z[i];
            }
        }
        let total = |lanes: [f64; LANES], weights: &[f64]| {
            let rest = rest.iter().zip(weights).map(|(v, w)| v * w).sum::<f64>();
            lanes.iter().sum::<f64>() + rest
        };
        Xyz::new(
            total(lanes[0], x.1),
            total(lanes[1], y.1),
            total(lanes[2], z.1),
        )
    }
}

/// X, Y, Z of a spectrum, in its unit times nm.
pub fn tristimulus(spectrum: &Spectrum, observer: Observer) -> Xyz {
    Weights::new(observer, spectrum.wavelengths()).sum(spectrum.values())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_of_one_and_of_two_nanometers_agree_on_a_smooth_glow() {
        let glow = |nm: f64| (-0.5 * ((nm - 560.0) / 40.0).powi(2)).exp();
        let [one, two, five] = [1.0, 2.0, 5.0].map(|step| {
            let count = (450.0 / step) as usize + 1;
            let spectrum = Spectrum::sampled(370.0, step, count, glow);
            tristimulus(&spectrum, Observer::Cie1931).uv().unwrap()
        });
        assert!(one.distance(two) < 2e-5);
        assert!(one.distance(five) < 2e-5);
    }

    #[test]
    fn a_filter_that_passes_all_changes_nothing() {
        let grid: Vec<f64> = (0..200).map(|i| 370.0 + 2.3 * i as f64).collect();
        let values: Vec<f64> = grid.iter().map(|nm| nm / 500.0).collect();
        let plain = Weights::new(Observer::Cie1964, &grid).xyz(&values).unwrap();
        let open = Weights::through(Observer::Cie1964, &Filter::none(), &grid);
        assert_eq!(plain, open.xyz(&values).unwrap());
    }

    #[test]
    fn a_filter_removes_what_lies_below_its_edge() {
        let glow = Spectrum::sampled(380.0, 1.0, 401, |_| 1.0);
        let filter = Filter::long_pass(500.0);
        let seen = Weights::through(Observer::Cie1931, &filter, glow.wavelengths());
        let above = Spectrum::sampled(499.0, 1.0, 282, |nm| match nm as u32 {
            499 => 0.0,
            500 => 0.5,
            _ => 1.0,
        });
        let expected = tristimulus(&above, Observer::Cie1931);
        let found = seen.xyz(glow.values()).unwrap();
        assert!((found.z - expected.z).abs() < 1e-9 && (found.y - expected.y).abs() < 1e-9);
    }

    #[test]
    fn many_spectra_are_summed_as_one_is() {
        let grid: Vec<f64> = (0..81).map(|i| 380.0 + 5.0 * i as f64).collect();
        let spectra = Array2::from_shape_fn((3000, 81), |(i, j)| ((i * 31 + j * 17) % 97) as f64);
        let weights = Weights::new(Observer::Cie1931, &grid);
        let all = weights.xyz_all(spectra.view()).unwrap();
        for i in [0, 1023, 1024, 2999] {
            let one = weights.xyz(&spectra.row(i).to_vec()).unwrap();
            assert_eq!(all.row(i).to_vec(), one.to_array());
        }
        let turned = weights.xyz_all(spectra.t().as_standard_layout().t().view());
        assert_eq!(turned.unwrap(), all);
        assert!(weights.xyz(&[1.0; 80]).is_err());
    }
}
