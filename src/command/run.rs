//! `boneglow run`.

use super::{Context, NO};
use boneglow::steps::RunEnd;
use boneglow::{Result, steps};
use std::process::ExitCode;

#[derive(clap::Args)]
#[command(
    after_help = "Exit code 1 if the calibration fails its limit, which ends the run, or if the rig \
                  drifted on a night of calibration.nights, which does not. With --json each step gives one JSON object on a \
                  line of its own: step, favorable, sentences, warnings, result."
)]
pub struct Args {
    /// Go on with a calibration that failed its limit; the report says so
    #[arg(long)]
    despite_calibration: bool,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let season = context.season()?;
        let end = steps::run(
            &season,
            self.despite_calibration,
            &context.talk,
            &mut |outcome| {
                context.talk.outcome(outcome);
            },
        )?;
        Ok(match end {
            RunEnd::Done => ExitCode::SUCCESS,
            RunEnd::CalibrationFailed | RunEnd::Drifted => NO.into(),
        })
    }
}
