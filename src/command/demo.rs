//! `boneglow demo`.

use super::{Context, NO};
use boneglow::season::Season;
use boneglow::steps::RunEnd;
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
#[command(
    after_help = "On two of the demo's nights the rig drifts on purpose, to show what that looks like; \
                  the exit code is 0 all the same, where `run` would end with 1."
)]
pub struct Args {
    /// The folder to lay the demo season out in
    #[arg(value_name = "FOLDER", default_value = "boneglow-demo")]
    folder: PathBuf,
    /// For maintainers: write the generated season itself to FOLDER and stop
    #[arg(long, hide = true)]
    regenerate: bool,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        if self.regenerate {
            return context.conclude(steps::regenerate_demo(&self.folder)?);
        }
        context.talk.outcome(&steps::lay_out_demo(&self.folder)?);
        let season = Season::read(&self.folder)?;
        let end = steps::run(&season, false, &context.talk, &mut |outcome| {
            context.talk.outcome(outcome);
        })?;
        Ok(match end {
            RunEnd::CalibrationFailed => NO.into(),
            RunEnd::Done => ExitCode::SUCCESS,
            RunEnd::Drifted => {
                context.talk.say(
                    "This is as the demo means it; `boneglow run` would end with exit code 1.",
                );
                ExitCode::SUCCESS
            }
        })
    }
}
