//! Whether neighboring places have like values: a check that residuals of sites are independent.
//!
//! Moran (1950, Biometrika 37:17) and Geary (1954), with the moments of Cliff & Ord (1981), on
//! weights that sum to 1 over the neighbors of each place.

use super::scores::same_length;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Autocorrelation of the values of places with neighbors.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpatialAutocorrelation {
    /// Moran's I: above its expectation where neighbors are alike.
    pub moran: f64,
    /// Expectation of I without autocorrelation, -1 / (n - 1).
    pub expectation: f64,
    /// Variance of I if the values are normal.
    pub variance_normal: f64,
    /// Variance of I over all permutations of the values.
    pub variance_random: f64,
    /// Geary's c: below 1 where neighbors are alike.
    pub geary: f64,
}

impl SpatialAutocorrelation {
    /// The indices of `values`, `neighbors` listing those of each place by number from 0.
    ///
    /// `None` with fewer than 4 places, constant values or no neighbors at all.
    ///
    /// Errors: as many lists as values are expected; a place that is not there or neighbors itself.
    pub fn of(values: &[f64], neighbors: &[Vec<usize>]) -> Result<Option<Self>> {
        same_length("lists", neighbors.len(), "places", values.len())?;
        for (place, list) in neighbors.iter().enumerate() {
            if let Some(found) = list.iter().find(|&&n| n >= values.len() || n == place) {
                return Err(Error::input(format!(
                    "found neighbor {found} of place {place}, expected another below {}",
                    values.len()
                )));
            }
        }
        Ok(Self::of_checked(values, neighbors))
    }

    fn of_checked(values: &[f64], neighbors: &[Vec<usize>]) -> Option<Self> {
        let n = values.len() as f64;
        if n < 4.0 {
            return None;
        }
        let mean = values.iter().sum::<f64>() / n;
        let deviation: Vec<f64> = values.iter().map(|v| v - mean).collect();
        let squares: f64 = deviation.iter().map(|d| d * d).sum();
        if squares <= 0.0 || neighbors.iter().all(Vec::is_empty) {
            return None;
        }
        let weight = |from: usize, to: usize| -> f64 {
            let list = &neighbors[from];
            let times = list.iter().filter(|&&n| n == to).count();
            times as f64 / list.len().max(1) as f64
        };
        let (mut cross, mut contrast, mut s0, mut s1) = (0.0, 0.0, 0.0, 0.0);
        let mut margins = vec![0.0; values.len()];
        for i in 0..values.len() {
            for j in 0..values.len() {
                let w = weight(i, j);
                cross += w * deviation[i] * deviation[j];
                contrast += w * (values[i] - values[j]).powi(2);
                s0 += w;
                s1 += (w + weight(j, i)).powi(2) / 2.0;
                margins[i] += w;
                margins[j] += w;
            }
        }
        let s2: f64 = margins.iter().map(|m| m * m).sum();
        let expectation = -1.0 / (n - 1.0);
        let kurtosis = n * deviation.iter().map(|d| d.powi(4)).sum::<f64>() / squares.powi(2);
        let second_normal = (n * n * s1 - n * s2 + 3.0 * s0 * s0) / (s0 * s0 * (n * n - 1.0));
        let second_random = (n * ((n * n - 3.0 * n + 3.0) * s1 - n * s2 + 3.0 * s0 * s0)
            - kurtosis * ((n * n - n) * s1 - 2.0 * n * s2 + 6.0 * s0 * s0))
            / ((n - 1.0) * (n - 2.0) * (n - 3.0) * s0 * s0);
        Some(Self {
            moran: n / s0 * cross / squares,
            expectation,
            variance_normal: second_normal - expectation * expectation,
            variance_random: second_random - expectation * expectation,
            geary: (n - 1.0) * contrast / (2.0 * s0 * squares),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ring of places, each with its two neighbors.
    fn ring(n: usize) -> Vec<Vec<usize>> {
        (0..n).map(|i| vec![(i + 1) % n, (i + n - 1) % n]).collect()
    }

    #[test]
    fn values_that_alternate_around_a_ring_are_as_unlike_as_can_be() {
        let values = [1.0, -1.0, 1.0, -1.0, 1.0, -1.0];
        let found = SpatialAutocorrelation::of(&values, &ring(6))
            .unwrap()
            .unwrap();
        assert!((found.moran + 1.0).abs() < 1e-12 && found.geary > 1.0);
    }

    #[test]
    fn constant_values_and_lonely_places_tell_nothing() {
        assert_eq!(
            SpatialAutocorrelation::of(&[2.0; 6], &ring(6)).unwrap(),
            None
        );
        let lonely = vec![Vec::new(); 4];
        let values = [1.0, 2.0, 3.0, 4.0];
        assert_eq!(SpatialAutocorrelation::of(&values, &lonely).unwrap(), None);
        assert!(SpatialAutocorrelation::of(&values, &ring(3)).is_err());
        let beyond = vec![vec![9], vec![], vec![], vec![]];
        assert!(SpatialAutocorrelation::of(&values, &beyond).is_err());
    }
}
