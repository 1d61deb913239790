//! The chromaticities of single wavelengths.

use super::observer::FIRST_NM;
use super::{Chromaticity, Observer, Xy, Xyz};

/// Ends of the locus in nm: beyond them chromaticity hardly moves and turns back on itself, so
/// that wavelength is not a function of hue (CIE 015:2018 draws the purple line between them).
pub(super) const LOCUS_NM: (usize, usize) = (380, 700);

/// The spectral locus from 380 to 700 nm at 1 nm: wavelength in nm and x, y.
///
/// The purple line closes it from the last point to the first.
///
/// ```
/// use boneglow::colorimetry::{Observer, spectral_locus};
/// let locus = spectral_locus(Observer::Cie1931);
/// let (nm, xy) = locus[520 - 380];
/// assert_eq!(nm, 520.0);
/// assert!((xy.x - 0.0743).abs() < 5e-5 && (xy.y - 0.8338).abs() < 5e-5);
/// ```
pub fn spectral_locus(observer: Observer) -> Vec<(f64, Xy)> {
    (LOCUS_NM.0..=LOCUS_NM.1)
        .filter_map(|nm| {
            let functions = observer.table()[nm - FIRST_NM];
            Some((nm as f64, Xyz::from(functions).xy()?))
        })
        .collect()
}

/// As [`spectral_locus`], in u', v'.
pub fn spectral_locus_uv(observer: Observer) -> Vec<(f64, Chromaticity)> {
    spectral_locus(observer)
        .into_iter()
        .filter_map(|(nm, xy)| Some((nm, xy.uv()?)))
        .collect()
}
