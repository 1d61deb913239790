//! `boneglow simulate`.

use super::{Context, read_table};
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    /// Emission spectra of the glow classes, wide: wavelength_nm and a column for each
    #[arg(value_name = "SPECTRA.csv")]
    spectra: PathBuf,
    /// Table of the rigs to compare: option, laser_nm, cut_on_nm or filter, and more
    #[arg(value_name = "RIGS.csv")]
    rigs: PathBuf,
    /// Where to write the table; - for standard output
    #[arg(short, long, value_name = "OUT.csv", default_value = "-")]
    output: PathBuf,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let season = context.season()?;
        let spectra = read_table(&self.spectra)?;
        let rigs = read_table(&self.rigs)?;
        let (csv, outcome) = steps::simulate(&season, &spectra, &rigs)?;
        context.deliver(&self.spectra, &self.output, &csv, outcome)
    }
}
