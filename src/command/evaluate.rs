//! `boneglow evaluate`.

use super::Context;
use boneglow::{Result, steps};
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    /// Open the locked groups for the one final test of the saved model and thresholds
    #[arg(long)]
    locked: bool,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let season = context.season()?;
        context.conclude(match self.locked {
            true => steps::open_locked(&season)?,
            false => steps::evaluate(&season, &context.talk)?,
        })
    }
}
