//! `boneglow demo`.

use super::{Context, exit_code};
use boneglow::season::Season;
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
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
        let last = steps::run(&season, false, &context.talk, &mut |outcome| {
            context.talk.outcome(outcome);
        })?;
        Ok(exit_code(&last))
    }
}
