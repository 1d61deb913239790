//! Checks against figures from outside the project; the source is named beside each.

mod calibration;
mod classifiers;
mod colorimetry;
mod evaluation;
mod places;
mod statistics;
