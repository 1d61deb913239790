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

/// How far in u'v' a color lies outside those of light without wavelengths below `from_nm` (CIE 1931); 0
/// inside.
///
/// ```
/// use boneglow::colorimetry::{Chromaticity, beyond_locus_uv};
/// let white = Chromaticity::new(0.1978, 0.4683);
/// assert_eq!(beyond_locus_uv(white, 380.0), 0.0);
/// // White needs blue light.
/// assert!(beyond_locus_uv(white, 520.0) > 0.01);
/// ```
pub fn beyond_locus_uv(color: Chromaticity, from_nm: f64) -> f64 {
    (-LocusOutline::from_nm(from_nm).depth_uv(color)).max(0.0)
}

/// The outline in u'v' of the colors that light can have (CIE 1931).
#[derive(Debug, Clone, PartialEq)]
pub struct LocusOutline {
    corners: Vec<Chromaticity>,
}

impl LocusOutline {
    /// Of light without wavelengths below `from_nm`; 0 for all light.
    pub fn from_nm(from_nm: f64) -> Self {
        let locus = spectral_locus_uv(Observer::Cie1931).into_iter();
        LocusOutline {
            corners: locus
                .filter_map(|(nm, uv)| (nm >= from_nm).then_some(uv))
                .collect(),
        }
    }

    /// Distance in u'v' to the outline, negative outside it.
    pub fn depth_uv(&self, color: Chromaticity) -> f64 {
        let mut inside = false;
        let mut nearest = f64::INFINITY;
        let ends = self.corners.iter().cycle().skip(1);
        for (a, b) in self.corners.iter().zip(ends) {
            let (along_u, along_v) = (b.u - a.u, b.v - a.v);
            let (to_u, to_v) = (color.u - a.u, color.v - a.v);
            if (a.v > color.v) != (b.v > color.v) && to_u < to_v * along_u / along_v {
                inside = !inside;
            }
            let length = along_u * along_u + along_v * along_v;
            let share = match length > 0.0 {
                true => ((to_u * along_u + to_v * along_v) / length).clamp(0.0, 1.0),
                false => 0.0,
            };
            nearest = nearest.min((to_u - share * along_u).hypot(to_v - share * along_v));
        }
        if inside { nearest } else { -nearest }
    }
}
