//! `boneglow measure`.

use super::Context;
use super::patches::Patches;
use boneglow::{Result, steps};
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    patches: Patches,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        self.patches.through(context, steps::measure)
    }
}
