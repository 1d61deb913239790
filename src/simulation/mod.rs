//! What a rig would record: the forward model, for planning a rig and for invented seasons.
//!
//! In: emission spectra, a filter, sensitivities, noise. Out: code values of patches and of whole
//! pictures ([`VirtualRig`]), a comparison of lasers and filters ([`compare_rigs`]), and the
//! invented demo season ([`demo`]).
//!
//! The model is that of EMVA 1288: signal proportional to light, shot noise of electrons, read
//! noise, then the response curve and rounding to whole code values.

mod camera;
mod comparison;
pub mod demo;

pub use crate::numeric::Draw;
pub use camera::{Noise, PatchCodes, VirtualRig};
pub use comparison::{
    ClassPrediction, ComparisonPlan, OptionPrediction, RigComparison, RigOption, RunnerUp,
    Separation, compare_rigs, read_options,
};
