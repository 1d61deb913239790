//! The colors of a table of spectra, as a table.

use super::{Chromaticity, Dominant, Observer, Weights, Xy, Xyz, dominant};
use crate::numeric::decimal;
use crate::spectra::{Filter, NamedSpectrum};
use crate::{Result, files};

/// What a spectrum looks like.
#[derive(Debug, Clone, PartialEq)]
pub struct SpectrumColor {
    /// The spectrum's name.
    pub name: String,
    /// X, Y, Z in the spectrum's unit times nm.
    pub xyz: Xyz,
    /// x, y; absent for a black spectrum.
    pub xy: Option<Xy>,
    /// u', v'; absent for a black spectrum.
    pub uv: Option<Chromaticity>,
    /// Hue and purity; absent where there is none.
    pub dominant: Option<Dominant>,
}

/// The colors of spectra, optionally seen through a filter, hues against a white.
///
/// For light that glows by itself the usual white is [`Xy::EQUAL_ENERGY`].
pub fn describe(
    spectra: &[NamedSpectrum],
    observer: Observer,
    white: Xy,
    filter: Option<&Filter>,
) -> Result<Vec<SpectrumColor>> {
    spectra
        .iter()
        .map(|named| {
            let grid = named.spectrum.wavelengths();
            let weights = match filter {
                Some(filter) => Weights::through(observer, filter, grid),
                None => Weights::new(observer, grid),
            };
            let xyz = weights.xyz(named.spectrum.values())?;
            let xy = xyz.xy();
            Ok(SpectrumColor {
                name: named.name.clone(),
                xyz,
                xy,
                uv: xyz.uv(),
                dominant: xy.and_then(|xy| dominant(xy, white, observer)),
            })
        })
        .collect()
}

/// A table of colors as CSV: `spectrum,X,Y,Z,x,y,u,v,dominant_nm,complementary_nm,purity`.
///
/// One of `dominant_nm` and `complementary_nm` is filled, or neither for a white; u and v are CIE
/// 1976 u', v'. Undefined cells are empty.
///
/// ```
/// use boneglow::colorimetry::{Observer, Xy, chromaticity_csv, describe};
/// use boneglow::{files::Table, spectra::spectra_from_table};
/// let table = Table::from_bytes("t.csv", b"wavelength_nm,line\n599,0\n600,1\n601,0\n")?;
/// let spectra = spectra_from_table(&table)?;
/// let colors = describe(&spectra, Observer::Cie1931, Xy::EQUAL_ENERGY, None)?;
/// let text = String::from_utf8(chromaticity_csv(&colors)).unwrap();
/// let line = text.lines().nth(1).unwrap();
/// assert!(line.starts_with("line,1.062200,0.631000,8.000000e-4,0.62704,0.37249,"), "{line}");
/// assert!(line.ends_with(",600.00,,1.0000"), "{line}");
/// # Ok::<(), boneglow::Error>(())
/// ```
pub fn chromaticity_csv(colors: &[SpectrumColor]) -> Vec<u8> {
    let cell = |value: Option<f64>, decimals: usize| match value {
        Some(value) => decimal(value, decimals),
        None => String::new(),
    };
    let head = "spectrum,X,Y,Z,x,y,u,v,dominant_nm,complementary_nm,purity";
    let rows = colors.iter().map(|color| {
        let hue = color.dominant.as_ref();
        let wavelength = |complementary| {
            hue.filter(|h| h.complementary == complementary)
                .map(|h| h.wavelength_nm)
        };
        vec![
            color.name.clone(),
            significant(color.xyz.x),
            significant(color.xyz.y),
            significant(color.xyz.z),
            cell(color.xy.map(|c| c.x), 5),
            cell(color.xy.map(|c| c.y), 5),
            cell(color.uv.map(|c| c.u), 5),
            cell(color.uv.map(|c| c.v), 5),
            cell(wavelength(false), 2),
            cell(wavelength(true), 2),
            cell(hue.map(|h| h.purity), 4),
        ]
    });
    files::to_csv(head.split(','), rows)
}

/// Seven significant digits, six decimals near 1: the unit of a spectrum may be anything.
fn significant(value: f64) -> String {
    let magnitude = value.abs();
    if magnitude == 0.0 || (1e-3..1e7).contains(&magnitude) {
        let decimals = 6 - magnitude.max(1.0).log10().floor() as usize;
        decimal(value, decimals)
    } else {
        format!("{value:.6e}")
    }
}
