//! `boneglow classify`.

use super::{Context, read_table};
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    /// A table of patches with the ledger's columns, labels optional; - for standard input
    #[arg(value_name = "PATCHES.csv")]
    patches: PathBuf,
    /// Where to write the table; - for standard output
    #[arg(short, long, value_name = "OUT.csv", default_value = "-")]
    output: PathBuf,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let season = context.season()?;
        let (csv, outcome) = steps::classify(&season, &read_table(&self.patches)?)?;
        context.deliver(&self.patches, &self.output, &csv, outcome)
    }
}
