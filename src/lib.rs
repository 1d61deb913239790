//! From what a camera records behind a filter, under a laser, to numbers a survey can stand on.
//!
//! The modules are the stages of the job, in the order of the flow; a stage uses those before it
//! and never those after it (a test reads the imports and fails on one that points forward).
//!
//! | stage | from | to |
//! | --- | --- | --- |
//! | [`season`] | `season.toml` | the checked plan of a season |
//! | [`spectra`] | tables of wavelengths | checked spectra |
//! | [`colorimetry`] | spectra | tristimulus values, chromaticity, color differences |
//! | [`signal`] | pictures and code values | linear signal of a patch |
//! | [`calibration`] | captures of reference targets | what color the rig measures, and how well |
//! | [`ledger`] | tables of ground checks | patches with their labels and how they were chosen |
//! | [`features`] | patches and a calibration | numbers a classifier can learn from |
//! | [`classify`] | features with labels | fitted classifiers |
//! | [`evaluation`] | classifiers and groups | out-of-group predictions and honest figures |
//! | [`threshold`] | out-of-group predictions | where to set the cut |
//! | [`strip`] | pictures of stacked lines | scores, candidates, places |
//! | [`planning`] | candidates | the next walk |
//! | [`simulation`] | invented spectra, filters, sensitivities | what a rig would record |
//! | [`report`] | all of it | figures, methods, one page |
//! | [`steps`] | a season folder | the files in its `results/` |
//!
//! The library writes nothing to the terminal.

pub mod error;
pub mod files;
pub mod numeric;

pub mod season;

pub mod spectra;

pub mod colorimetry;

pub mod signal;

pub mod calibration;

pub mod ledger;

pub mod features;

pub mod classify;

pub mod evaluation;

pub mod threshold;

pub mod strip;

pub mod planning;

pub mod simulation;

pub mod report;

pub mod steps;

pub use error::{Error, Result};
