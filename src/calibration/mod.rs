//! From captures of reference targets to what color the rig measures, how well and how faint.
//!
//! In: readings of targets and their reference emission. Out: a [`Rig`] (`rig.json`), which turns
//! any [`Reading`](crate::signal::Reading) into a [`Measurement`].

mod assumed;
mod detection;
mod mapping;
mod measure;
mod measurement;
mod rig;

pub use detection::{critical_level, detection_limit};
pub use mapping::{Coefficients, Mapping, MappingKind};
pub use measure::{PixelTransform, Role};
pub use measurement::{GlowColor, Measurement};
pub use rig::{
    Black, Detection, Errors, Exposure, Leak, LuminanceScale, Noise, Rig, TargetResult,
    Uncertainty, WhiteRecord,
};
