//! From captures of reference targets to what color the rig measures, how well and how faint.
//!
//! In: readings of targets and their reference emission. Out: a [`Rig`] (`rig.json`), which turns
//! any [`Reading`](crate::signal::Reading) into a [`Measurement`].

mod assumed;
mod calibrate;
mod captures;
mod choice;
mod curves;
mod detection;
mod drift;
mod fit;
mod flat;
mod ground;
mod levels;
mod luminance;
mod mapping;
mod measure;
mod measurement;
mod noise;
mod outliers;
mod reference;
mod rig;
mod targets;
mod uncertainty;
mod whites;

pub use calibrate::{FORMAT, calibrate};
pub use captures::{Captures, Shot};
pub use detection::{critical_level, detection_limit};
pub use drift::{Brightness, DRIFT_FORMAT, Drift, DriftNight, DriftTarget, Explanation, drift};
pub use flat::Flat;
pub use mapping::{Coefficients, Mapping, MappingKind};
pub use measure::{PixelTransform, Role};
pub use measurement::{GlowColor, Measurement};
pub use reference::{Reference, ReferenceTarget};
pub use rig::{
    Black, CandidateResult, Detection, Errors, Exposure, Leak, LuminanceScale, Noise, NoisePoint,
    Rig, StepResult, Stray, TargetResult, TrialGlows, Uncertainty, WhiteRecord,
};

#[cfg(test)]
mod tests;
