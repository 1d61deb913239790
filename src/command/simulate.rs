//! `boneglow simulate`.

use super::{Context, check_own_name, read_table};
use boneglow::{Result, files, steps};
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
    /// Where to write what each option records of each class: code values, chromaticities
    #[arg(long, value_name = "FILE.csv")]
    predictions: Option<PathBuf>,
    /// Electrons that full scale stands for, in place of the calibration's
    #[arg(long, value_name = "NUMBER")]
    full_scale_electrons: Option<f64>,
    /// Standard deviation of reading a pixel in electrons, in place of the calibration's
    #[arg(long, value_name = "NUMBER")]
    read_electrons: Option<f64>,
    /// Pixels of a patch [default: 100]
    #[arg(long, value_name = "NUMBER")]
    pixels: Option<u64>,
    /// Share of full scale that the brightest class reaches under the first rig [default: 0.5]
    #[arg(long, value_name = "SHARE")]
    brightest_signal: Option<f64>,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let season = context.season()?;
        let spectra = read_table(&self.spectra)?;
        let rigs = read_table(&self.rigs)?;
        let supposed = steps::Supposed {
            full_scale_electrons: self.full_scale_electrons,
            read_electrons: self.read_electrons,
            pixels: self.pixels,
            brightest_signal: self.brightest_signal,
        };
        let (found, outcome) = steps::simulate(&season, &spectra, &rigs, &supposed)?;
        if let Some(path) = &self.predictions {
            for other in [&self.spectra, &self.rigs, &self.output] {
                check_own_name(other, path)?;
            }
            files::write_whole(path, &found.predictions_csv())?;
        }
        let csv = found.separations_csv();
        context.deliver(&self.spectra, &self.output, &csv, outcome)
    }
}
