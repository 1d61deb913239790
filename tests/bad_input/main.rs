//! Bad input: each a clear error with place and remedy, exit code 2, nothing in results/ changed.

#[path = "../support/mod.rs"]
mod support;

mod calibration;
mod learning;
mod ledger;
mod season;
