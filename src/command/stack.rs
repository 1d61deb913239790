//! `boneglow stack`.

use super::{Context, read_table};
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
#[command(
    after_help = "Needs a season.toml: it says what response and how many bits the frames have ([rig]), and how row tables are \
                  called ([strips]); nothing else of the season need be there yet. Pictures of the table are found from the \
                  season folder. Columns site and night of the table tell `plan` and `score` where and when the strip was \
                  recorded."
)]
pub struct Args {
    /// Table of frames in the order of flight: image, and columns for the row table such as time_s,
    /// latitude, longitude, height_m, heading_deg; - for standard input
    #[arg(value_name = "FRAMES.csv")]
    frames: PathBuf,
    /// The strip to write; its row table goes beside it
    #[arg(short, long, value_name = "STRIP.png")]
    output: PathBuf,
    /// Rows about the laser line that are averaged, an odd number
    #[arg(long, default_value_t = 5, value_name = "ROWS")]
    band: usize,
    /// Row of the frames in which the line lies, instead of looking for it; 0 is the first
    #[arg(long, value_name = "ROW")]
    line: Option<f64>,
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let wish = steps::StackWish {
            band: self.band,
            line: self.line,
        };
        let frames = read_table(&self.frames)?;
        let season = context.season()?;
        context.conclude(steps::stack(
            &season,
            &frames,
            &wish,
            &self.output,
            &context.talk,
        )?)
    }
}
