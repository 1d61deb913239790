//! Spectra as tables give them, checked: emission, filter transmission, camera sensitivities.
//!
//! In: tables with a column `wavelength_nm`. Out: [`Spectrum`], [`Filter`], [`Sensitivities`].
//! Between samples a curve is linear. Outside its samples an emission or a sensitivity is zero;
//! a filter keeps its end values.

mod filter;
mod read;
mod sensitivities;
mod spectrum;
pub mod units;

pub use filter::Filter;
pub use read::{
    NamedSpectrum, VISIBLE_NM, read_spectra, spectra_from_table, spectra_from_table_within,
};
pub use sensitivities::Sensitivities;
pub use spectrum::Spectrum;
pub(crate) use spectrum::linear_weights;
