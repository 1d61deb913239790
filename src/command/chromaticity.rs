//! `boneglow chromaticity`.

use super::{Context, read_table};
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    /// Emission spectra, wide: wavelength_nm and a column for each; - for standard input
    #[arg(value_name = "SPECTRA.csv")]
    spectra: PathBuf,
    /// Where to write the table; - for standard output
    #[arg(short, long, value_name = "OUT.csv", default_value = "-")]
    output: PathBuf,
    /// Use the CIE 1964 10-degree observer instead of the CIE 1931 2-degree one
    #[arg(long)]
    ten_degree: bool,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let (csv, outcome) = steps::chromaticity(&read_table(&self.spectra)?, self.ten_degree)?;
        context.deliver(&self.spectra, &self.output, &csv, outcome)
    }
}
