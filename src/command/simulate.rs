//! `boneglow simulate`.

use super::{Context, check_own_name, read_table};
use boneglow::{Result, files, steps};
use std::path::PathBuf;
use std::process::ExitCode;

const COLUMNS: &str = "\
The table that is written, one row a pair of classes, the best rig first:
  rank         1 for the rig whose hardest pair of classes is farthest apart
  condition    how unevenly the channels carry color: 1 is ideal, hundreds mean that the color hangs on a
               small difference between channels; empty where they do not carry color at all
  positive     a class worth a walk
  other        a class that is not
  distance_uv  how far apart their colors are in CIE 1976 u'v'
  mahalanobis  the same in standard uncertainties of a patch's color, along the line between the two
  ideal_auc    how often the best rule on color would put a patch of the positive class before one of the
               other: 0.5 is chance, 1 is always

The table of --predictions, one row a rig and class:
  samples            spectra of the class; the scatter of three or more is part of u_sd and v_sd
  r_signal ...       linear signal, shares of full scale, without dark level and leak
  r, g, b, clipped   code values, with both; whether one is at the top of its range
  u_true, v_true     color of the light behind the filter
  u, v, u_sd, v_sd   color as a calibrated rig would state it, with its standard uncertainty";

#[derive(clap::Args)]
#[command(after_help = COLUMNS)]
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
