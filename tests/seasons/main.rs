//! Whole simulated seasons with a known truth: what is stated must hold.

mod calibration;
mod evaluation;
mod field;
mod glows;
mod nights;
mod noise;
mod simulated;
mod stages;

use boneglow::evaluation::{ClusterBootstrap, FieldPrevalence};
use boneglow::season::ThresholdPlan;
use boneglow::threshold::Request;

/// The field's prevalence as the simulation has it.
fn known(value: f64, ledger: f64) -> FieldPrevalence {
    FieldPrevalence::stated(value, ledger)
}

/// What a recommendation needs where no patch is novel or too faint.
fn request<'a>(plan: &'a ThresholdPlan, prior: &'a FieldPrevalence, seed: u64) -> Request<'a> {
    Request {
        plan,
        prior,
        novelty: None,
        too_faint: &[],
        min_luminance: None,
        min_pixels: 6,
        patches_per_hectare: None,
        bootstrap: ClusterBootstrap {
            replicates: 200,
            ..ClusterBootstrap::new(seed, plan.confidence)
        },
    }
}
