//! `boneglow score`.

use super::Context;
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    /// Strips to score instead of those that the season names
    #[arg(value_name = "STRIP")]
    strips: Vec<PathBuf>,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        context.conclude(steps::score(
            &context.season()?,
            &self.strips,
            &context.talk,
        )?)
    }
}
