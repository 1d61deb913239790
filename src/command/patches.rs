//! What the commands take that turn a table of patches into another.

use super::{Context, read_table};
use boneglow::Result;
use boneglow::files::Table;
use boneglow::season::Season;
use boneglow::steps::Outcome;
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Patches {
    /// A table of patches with the ledger's columns, labels optional; - for standard input
    #[arg(value_name = "PATCHES.csv")]
    patches: PathBuf,
    /// Where to write the table; - for standard output
    #[arg(short, long, value_name = "OUT.csv", default_value = "-")]
    output: PathBuf,
}

impl Patches {
    pub fn through(
        &self,
        context: &Context,
        step: impl FnOnce(&Season, &Table) -> Result<(Vec<u8>, Outcome)>,
    ) -> Result<ExitCode> {
        let season = context.season()?;
        let (csv, outcome) = step(&season, &read_table(&self.patches)?)?;
        context.deliver(&self.patches, &self.output, &csv, outcome)
    }
}
