//! From captures of reference targets to what color the rig measures, how well and how faint.
//!
//! In: readings of targets and their reference emission. Out: a rig's calibration (`rig.json`),
//! which turns any [`Reading`](crate::signal::Reading) into a [`Measurement`].

mod measurement;

pub use measurement::{GlowColor, Measurement};
