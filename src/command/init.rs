//! `boneglow init`.

use super::Context;
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    /// The folder of the new season
    #[arg(value_name = "FOLDER", default_value = ".")]
    folder: PathBuf,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        context.conclude(steps::init(&self.folder)?)
    }
}
