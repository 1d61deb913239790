//! The next walk: what to check, and how many more checks are needed.
//!
//! In: glows with their probabilities and decisions, out-of-group predictions. Out: a [`Walk`], written
//! as a ledger table with the probability with which each place was chosen, and a [`RecallForecast`].

mod forecast;
mod gpx;
mod next_walk;
mod route;
mod table;
mod walk;

pub use forecast::{CheckKind, KindForecast, RecallForecast, SiteForecast, forecast_recall};
pub use gpx::walk_to_gpx;
pub use next_walk::{FORMAT, NextWalk, StopCount};
pub use route::{route, route_length};
pub use table::walk_to_csv;
pub use walk::{Budget, Glow, Reason, Stop, Walk, WalkPlan, plan_walk};
