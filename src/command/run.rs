//! `boneglow run`.

use super::{Context, exit_code};
use boneglow::{Result, steps};
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    /// Go on with a calibration that failed its limit; the report says so
    #[arg(long)]
    despite_calibration: bool,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let season = context.season()?;
        let last = steps::run(
            &season,
            self.despite_calibration,
            &context.talk,
            &mut |outcome| {
                context.talk.outcome(outcome);
            },
        )?;
        Ok(exit_code(&last))
    }
}
