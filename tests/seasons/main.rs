//! Whole simulated seasons with a known truth: what is stated must hold.

mod calibration;
mod evaluation;
mod field;
mod glows;
mod simulated;
mod stages;
