//! Spectral sensitivities of a camera.

use super::spectrum::linear_weights;
use super::{Filter, Spectrum, read};
use crate::Result;
use crate::files::Table;
use std::path::Path;

/// Relative response of the red, green and blue channel to power at each wavelength.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensitivities {
    channels: [Spectrum; 3],
}

impl Sensitivities {
    /// Reads `wavelength_nm,r,g,b`; errors as [`Sensitivities::from_table`].
    pub fn read(path: &Path) -> Result<Self> {
        Self::from_table(&Table::read(path)?)
    }

    /// The sensitivities of a table `wavelength_nm,r,g,b`, in one linear unit for all channels.
    ///
    /// Errors as [`spectra_from_table`](super::spectra_from_table): wavelengths out of order,
    /// negative values beyond noise, a channel that stops short of the visible range.
    ///
    /// ```
    /// use boneglow::{files::Table, spectra::Sensitivities};
    /// let text = b"wavelength_nm,r,g,b\n390,0,0,0\n400,0,0,1\n410,0,1,0\n420,1,0,0\n430,0,0,0\n";
    /// let camera = Sensitivities::from_table(&Table::from_bytes("camera.csv", text)?)?;
    /// assert_eq!(camera.at(405.0), [0.0, 0.5, 0.5]);
    /// # Ok::<(), boneglow::Error>(())
    /// ```
    pub fn from_table(table: &Table) -> Result<Self> {
        let wavelengths = read::wavelengths(table)?;
        table.require(&["r", "g", "b"])?;
        let [r, g, b] =
            ["r", "g", "b"].map(|name| read::curve(table, &wavelengths, name, read::VISIBLE_NM));
        Ok(Sensitivities {
            channels: [r?, g?, b?],
        })
    }

    /// Sensitivities from three curves.
    pub fn new(channels: [Spectrum; 3]) -> Self {
        Sensitivities { channels }
    }

    /// Red, green and blue sensitivity at a wavelength in nm.
    pub fn at(&self, nm: f64) -> [f64; 3] {
        [0, 1, 2].map(|c: usize| self.channels[c].value_at(nm))
    }

    /// The linear map from spectra sampled at ascending `wavelengths` in nm, seen through a filter,
    /// to the channels' responses: one row of weights a sample.
    ///
    /// A spectrum is linear between its samples and the sum runs at 1 nm from 300 to 1100 nm.
    pub fn weights(&self, filter: &Filter, wavelengths: &[f64]) -> Vec<[f64; 3]> {
        linear_weights(wavelengths, 300, 1100, |nm| {
            let passed = filter.transmission(nm);
            self.at(nm).map(|v| v * passed)
        })
    }

    /// Response of red, green and blue to a spectrum seen through a filter, in the spectrum's unit
    /// times the sensitivities' unit times nm.
    pub fn response(&self, filter: &Filter, glow: &Spectrum) -> [f64; 3] {
        let weights = self.weights(filter, glow.wavelengths());
        let mut sums = [0.0; 3];
        for (row, value) in weights.iter().zip(glow.values()) {
            for c in 0..3 {
                sums[c] += row[c] * value;
            }
        }
        sums
    }

    /// The curves of red, green and blue.
    pub fn channels(&self) -> &[Spectrum; 3] {
        &self.channels
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn negative_sensitivities_are_refused_with_their_place() {
        let text = "wavelength_nm,r,g,b\n400,0,0,0\n410,1,-0.3,1\n420,0,1,0\n430,0,0,0\n";
        let table = Table::from_bytes("camera.csv", text.as_bytes()).unwrap();
        let error = Sensitivities::from_table(&table).unwrap_err().to_string();
        assert!(
            error.contains("line 3, column \"g\": found -0.3"),
            "{error}"
        );
    }
}
