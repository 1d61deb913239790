//! `boneglow drift`.

use super::Context;
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
#[command(
    after_help = "Exit code 1 if on one of these nights the color drifted, or the brightness changed and \
                  log_luminance is a feature."
)]
pub struct Args {
    /// A later night's captures of some of the targets; several for several nights; without any,
    /// those that the season lists under calibration.nights
    #[arg(value_name = "CAPTURES.csv")]
    captures: Vec<PathBuf>,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        context.conclude(steps::drift(&context.season()?, &self.captures)?)
    }
}
