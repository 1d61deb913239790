//! `boneglow compare`.

use super::Context;
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
#[command(after_help = "Exit code 0 only if the new model is favored, else 1.")]
pub struct Args {
    /// The older model.json; the thresholds.json of its time may lie beside it
    #[arg(value_name = "OLD.json")]
    old: PathBuf,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        context.conclude(steps::compare(
            &context.season()?,
            &self.old,
            &context.talk,
        )?)
    }
}
