//! A curve over wavelength.

use crate::{Error, Result};

/// Values at ascending wavelengths in nm, linear between them and zero outside.
///
/// ```
/// use boneglow::spectra::Spectrum;
/// let glow = Spectrum::new(vec![500.0, 510.0], vec![1.0, 3.0])?;
/// assert_eq!(glow.value_at(505.0), 2.0);
/// assert_eq!(glow.value_at(520.0), 0.0);
/// # Ok::<(), boneglow::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    wavelengths: Vec<f64>,
    values: Vec<f64>,
}

impl Spectrum {
    /// A spectrum of at least two finite values at strictly ascending, finite wavelengths in nm.
    pub fn new(wavelengths: Vec<f64>, values: Vec<f64>) -> Result<Self> {
        if wavelengths.len() != values.len() || wavelengths.len() < 2 {
            return Err(Error::input(format!(
                "found {} wavelengths and {} values, expected as many of the one as of the other and at least 2",
                wavelengths.len(),
                values.len()
            )));
        }
        if let Some(bad) = wavelengths.iter().chain(&values).find(|v| !v.is_finite()) {
            return Err(Error::input(format!(
                "found {bad} in a spectrum, expected finite numbers"
            )));
        }
        if let Some(pair) = wavelengths.windows(2).find(|w| w[1] <= w[0]) {
            return Err(Error::input(format!(
                "found the wavelength {} nm after {} nm, expected ascending wavelengths",
                pair[1], pair[0]
            )));
        }
        Ok(Spectrum {
            wavelengths,
            values,
        })
    }

    /// The function `value(nm)` sampled from `first_nm` in `count` steps of `step_nm`.
    ///
    /// ```
    /// use boneglow::spectra::Spectrum;
    /// let ramp = Spectrum::sampled(400.0, 5.0, 3, |nm| nm / 100.0);
    /// assert_eq!(ramp.wavelengths(), [400.0, 405.0, 410.0]);
    /// assert_eq!(ramp.values(), [4.0, 4.05, 4.1]);
    /// ```
    pub fn sampled(
        first_nm: f64,
        step_nm: f64,
        count: usize,
        value: impl Fn(f64) -> f64,
    ) -> Spectrum {
        let wavelengths: Vec<f64> = (0..count).map(|i| first_nm + step_nm * i as f64).collect();
        let values = wavelengths.iter().map(|&nm| value(nm)).collect();
        Spectrum {
            wavelengths,
            values,
        }
    }

    /// The wavelengths in nm, ascending.
    pub fn wavelengths(&self) -> &[f64] {
        &self.wavelengths
    }

    /// The values at the wavelengths.
    pub fn values(&self) -> &[f64] {
        &self.values
    }

    /// The shortest and the longest wavelength in nm.
    pub fn range_nm(&self) -> (f64, f64) {
        let last = self.wavelengths.len().saturating_sub(1);
        (self.wavelengths[0], self.wavelengths[last])
    }

    /// The largest value and its wavelength in nm (the first of equals).
    pub fn peak(&self) -> (f64, f64) {
        let mut at = 0;
        for (i, value) in self.values.iter().enumerate() {
            if *value > self.values[at] {
                at = i;
            }
        }
        (self.wavelengths[at], self.values[at])
    }

    /// The value at a wavelength: linear between samples, zero outside them.
    pub fn value_at(&self, nm: f64) -> f64 {
        match bracket(&self.wavelengths, nm) {
            Some((left, share)) => {
                let right = (left + 1).min(self.values.len() - 1);
                self.values[left] * (1.0 - share) + self.values[right] * share
            }
            None => 0.0,
        }
    }

    /// The values at other wavelengths, by [`Spectrum::value_at`]; errors as [`Spectrum::new`].
    pub fn resample(&self, wavelengths: &[f64]) -> Result<Spectrum> {
        let values = wavelengths.iter().map(|&nm| self.value_at(nm)).collect();
        Spectrum::new(wavelengths.to_vec(), values)
    }

    /// The same curve at wavelengths `nm` longer.
    pub(super) fn shifted(&self, nm: f64) -> Spectrum {
        Spectrum {
            wavelengths: self.wavelengths.iter().map(|w| w + nm).collect(),
            values: self.values.clone(),
        }
    }

    /// The same curve with every value times `factor`.
    pub fn scaled(&self, factor: f64) -> Spectrum {
        Spectrum {
            wavelengths: self.wavelengths.clone(),
            values: self.values.iter().map(|v| v * factor).collect(),
        }
    }
}

/// Where `nm` lies in ascending `wavelengths`: the sample to its left and the share of the way to
/// the next; `None` outside.
fn bracket(wavelengths: &[f64], nm: f64) -> Option<(usize, f64)> {
    let right = wavelengths.partition_point(|&w| w <= nm);
    if right == 0 {
        return None;
    }
    let left = right - 1;
    match wavelengths.get(right) {
        Some(&next) => Some((left, (nm - wavelengths[left]) / (next - wavelengths[left]))),
        None => (wavelengths[left] == nm).then_some((left, 0.0)),
    }
}

/// Weights of samples at `wavelengths` in the sum, over every nanometer from `first` to `last`, of
/// the curve through the samples times each of three `functions`.
pub(crate) fn linear_weights(
    wavelengths: &[f64],
    first: usize,
    last: usize,
    functions: impl Fn(f64) -> [f64; 3],
) -> Vec<[f64; 3]> {
    let mut weights = vec![[0.0; 3]; wavelengths.len()];
    for nm in (first..=last).map(|nm| nm as f64) {
        let Some((left, share)) = bracket(wavelengths, nm) else {
            continue;
        };
        let values = functions(nm);
        for c in 0..3 {
            weights[left][c] += values[c] * (1.0 - share);
            if share > 0.0 {
                weights[left + 1][c] += values[c] * share;
            }
        }
    }
    weights
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_belong_to_the_curve() {
        let curve = Spectrum::new(vec![400.0, 500.0, 600.0], vec![1.0, 2.0, 4.0]).unwrap();
        assert_eq!(curve.value_at(400.0), 1.0);
        assert_eq!(curve.value_at(600.0), 4.0);
        assert_eq!(curve.value_at(550.0), 3.0);
        assert_eq!(curve.value_at(399.999), 0.0);
        assert_eq!(curve.value_at(600.001), 0.0);
        assert_eq!(curve.peak(), (600.0, 4.0));
    }

    #[test]
    fn wavelengths_out_of_order_are_refused() {
        let error = Spectrum::new(vec![500.0, 490.0], vec![1.0, 1.0]).unwrap_err();
        assert!(error.to_string().contains("490 nm after 500 nm"), "{error}");
        assert!(Spectrum::new(vec![500.0, 500.0], vec![1.0, 1.0]).is_err());
        assert!(Spectrum::new(vec![500.0], vec![1.0]).is_err());
        assert!(Spectrum::new(vec![500.0, 510.0], vec![1.0, f64::NAN]).is_err());
    }
}
