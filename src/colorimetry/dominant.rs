//! Dominant and complementary wavelength, excitation purity (CIE 015:2018 clause 9; terms
//! 17-23-063 to 17-23-066 of the International Lighting Vocabulary, CIE S 017).

use super::{Observer, Xy, spectral_locus};

/// The hue of a color against a white, and how far it is from that white.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dominant {
    /// Dominant wavelength in nm, or the complementary wavelength where `complementary`.
    pub wavelength_nm: f64,
    /// Whether the color is a purple: no single wavelength mixed with the white gives it, and
    /// `wavelength_nm` is that which mixed with the color gives the white.
    pub complementary: bool,
    /// Excitation purity: distance from the white in x, y over that of the boundary in the same
    /// direction; the boundary is the purple line where `complementary`.
    pub purity: f64,
}

/// Nearer to the white than this in x, y there is no hue to speak of.
const NO_HUE: f64 = 1e-6;

/// Dominant wavelength and excitation purity of a chromaticity against a white.
///
/// The boundary is the polygon of the spectral locus at 1 nm from 380 to 700 nm and the purple
/// line. `None` where the color is the white itself or the white lies outside the boundary.
///
/// ```
/// use boneglow::colorimetry::{Observer, Xy, dominant};
/// let white = Xy { x: 0.3127, y: 0.3290 };
/// let green = dominant(Xy { x: 0.3, y: 0.6 }, white, Observer::Cie1931).unwrap();
/// assert!((green.wavelength_nm - 549.1).abs() < 0.1 && !green.complementary);
/// let purple = dominant(Xy { x: 0.35, y: 0.2 }, white, Observer::Cie1931).unwrap();
/// assert!(purple.complementary);
/// ```
pub fn dominant(color: Xy, white: Xy, observer: Observer) -> Option<Dominant> {
    let direction = (color.x - white.x, color.y - white.y);
    let distance = direction.0.hypot(direction.1);
    if distance.is_nan() || distance <= NO_HUE {
        return None;
    }
    let locus = spectral_locus(observer);
    let first = locus.first()?.1;
    let last = locus.last()?.1;
    let along = |sign: f64| {
        locus.windows(2).find_map(|pair| {
            let ray = (sign * direction.0, sign * direction.1);
            let (reach, share) = crossing(white, ray, pair[0].1, pair[1].1)?;
            Some((reach, pair[0].0 + share * (pair[1].0 - pair[0].0)))
        })
    };
    if let Some((reach, wavelength_nm)) = along(1.0) {
        return Some(Dominant {
            wavelength_nm,
            complementary: false,
            purity: 1.0 / reach,
        });
    }
    let (_, wavelength_nm) = along(-1.0)?;
    let (reach, _) = crossing(white, direction, last, first)?;
    Some(Dominant {
        wavelength_nm,
        complementary: true,
        purity: 1.0 / reach,
    })
}

/// Where a ray from `start` meets the segment: how many times `ray` away, and the share of the
/// way from `a` to `b`.
fn crossing(start: Xy, ray: (f64, f64), a: Xy, b: Xy) -> Option<(f64, f64)> {
    let side = (b.x - a.x, b.y - a.y);
    let to = (a.x - start.x, a.y - start.y);
    let determinant = ray.0 * side.1 - ray.1 * side.0;
    if determinant == 0.0 {
        return None;
    }
    let reach = (to.0 * side.1 - to.1 * side.0) / determinant;
    let share = (to.0 * ray.1 - to.1 * ray.0) / determinant;
    // A hair of slack at the segment's ends, so that a ray through a vertex meets one of them.
    (reach > 0.0 && (-1e-12..=1.0 + 1e-12).contains(&share)).then(|| (reach, share.clamp(0.0, 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHITE: Xy = Xy {
        x: 0.3127,
        y: 0.3290,
    };

    #[test]
    fn a_point_of_the_locus_is_pure_and_gives_its_own_wavelength() {
        for observer in [Observer::Cie1931, Observer::Cie1964] {
            for (nm, xy) in spectral_locus(observer) {
                // At its ends the locus is crowded; in the middle it must be exact.
                let tolerance = if (410.0..=690.0).contains(&nm) {
                    1e-6
                } else {
                    10.0
                };
                let found = dominant(xy, WHITE, observer).unwrap();
                assert!(
                    (found.wavelength_nm - nm).abs() < tolerance,
                    "{nm} {found:?}"
                );
                assert!((found.purity - 1.0).abs() < 1e-4, "{nm} {found:?}");
            }
        }
    }

    #[test]
    fn half_way_to_the_locus_is_half_pure() {
        let (nm, edge) = spectral_locus(Observer::Cie1931)[580 - 380];
        let half = Xy {
            x: 0.5 * (edge.x + WHITE.x),
            y: 0.5 * (edge.y + WHITE.y),
        };
        let found = dominant(half, WHITE, Observer::Cie1931).unwrap();
        assert!((found.wavelength_nm - nm).abs() < 1e-6);
        assert!((found.purity - 0.5).abs() < 1e-9);
    }

    #[test]
    fn a_purple_and_its_complement_lie_opposite() {
        let purple = Xy { x: 0.35, y: 0.15 };
        let found = dominant(purple, WHITE, Observer::Cie1931).unwrap();
        assert!(found.complementary && found.purity > 0.0 && found.purity < 1.0);
        let opposite = Xy {
            x: 2.0 * WHITE.x - purple.x,
            y: 2.0 * WHITE.y - purple.y,
        };
        let other = dominant(opposite, WHITE, Observer::Cie1931).unwrap();
        assert!(!other.complementary);
        assert!((other.wavelength_nm - found.wavelength_nm).abs() < 1e-9);
    }

    #[test]
    fn white_has_no_hue() {
        assert_eq!(dominant(WHITE, WHITE, Observer::Cie1931), None);
        let nowhere = Xy {
            x: f64::NAN,
            y: 0.3,
        };
        assert_eq!(dominant(nowhere, WHITE, Observer::Cie1931), None);
    }
}
