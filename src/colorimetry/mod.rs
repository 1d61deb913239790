//! What a standard observer sees: tristimulus values, chromaticity, color differences.
//!
//! In: [`Spectrum`](crate::spectra::Spectrum). Out: [`Xyz`], [`Chromaticity`] (CIE 1976 u', v'),
//! [`Xy`], [`Lab`], dominant wavelengths. The arithmetic is that of CIE 015:2018 and the ISO/CIE
//! 11664 series; each file names its part.

mod adaptation;
mod ciede2000;
mod dominant;
mod integration;
mod lab;
mod locus;
mod observer;
mod primaries;
mod summary;
mod tristimulus;

pub use adaptation::bradford;
pub use ciede2000::ciede2000;
pub use dominant::{Dominant, dominant};
pub use integration::{Weights, tristimulus};
pub use lab::{Lab, delta_e_76};
pub use locus::{LocusOutline, beyond_locus_uv, spectral_locus, spectral_locus_uv};
pub use observer::Observer;
pub use primaries::Primaries;
pub use summary::{SpectrumColor, chromaticity_csv, describe};
pub use tristimulus::{Chromaticity, Xy, Xyz};
