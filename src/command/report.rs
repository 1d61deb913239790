//! `boneglow report`.

use super::Context;
use boneglow::{Result, steps};
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        context.conclude(steps::report(&context.season()?, &context.talk)?)
    }
}
