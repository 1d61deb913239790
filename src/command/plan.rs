//! `boneglow plan`.

use super::Context;
use boneglow::planning::Budget;
use boneglow::{Result, steps};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(clap::Args)]
pub struct Args {
    /// How many places can be walked to
    #[arg(long, default_value_t = 20, value_name = "N")]
    walks: usize,
    /// How far the whole round may be in km, instead of a number of places
    #[arg(long, value_name = "KM", conflicts_with = "walks")]
    kilometers: Option<f64>,
    /// Share of the walk for places drawn at random among all that no rule chose
    #[arg(long, default_value_t = 0.2, value_name = "SHARE")]
    audit: f64,
    /// Share of the walk for glows nearest to the cut
    #[arg(long, default_value_t = 0.2, value_name = "SHARE")]
    near: f64,
    /// Share of the walk for novel glows
    #[arg(long, default_value_t = 0.1, value_name = "SHARE")]
    novel: f64,
    /// Where the walk starts and ends, in degrees
    #[arg(long, value_name = "LATITUDE,LONGITUDE", value_parser = position, allow_hyphen_values = true)]
    start: Option<(f64, f64)>,
    /// How narrow the interval of recall should become, for the forecast of checks needed
    #[arg(long, default_value_t = 0.2, value_name = "WIDTH")]
    width: f64,
    /// Site of strips whose row table does not name one
    #[arg(long, value_name = "NAME")]
    site: Option<String>,
    /// Night of strips whose row table does not name one
    #[arg(long, value_name = "NIGHT")]
    night: Option<String>,
    /// Where to write the ledger table to be filled in; results/walk.csv by default
    #[arg(short, long, value_name = "TABLE.csv")]
    output: Option<PathBuf>,
}

fn position(text: &str) -> std::result::Result<(f64, f64), String> {
    let number = |part: &str| part.trim().parse::<f64>().ok();
    let (latitude, longitude) = text
        .split_once(',')
        .and_then(|(latitude, longitude)| Some((number(latitude)?, number(longitude)?)))
        .ok_or_else(|| {
            format!(
                "found \"{text}\", expected latitude and longitude in degrees with a comma between"
            )
        })?;
    for (name, value, most) in [
        ("latitude", latitude, 90.0),
        ("longitude", longitude, 180.0),
    ] {
        if !(-most..=most).contains(&value) {
            return Err(format!(
                "found a {name} of {value}, expected -{most} to {most} degrees; latitude comes first"
            ));
        }
    }
    Ok((latitude, longitude))
}

impl Args {
    pub fn run(&self, context: &Context) -> Result<ExitCode> {
        let wish = steps::WalkWish {
            budget: match self.kilometers {
                Some(km) => Budget::Kilometers(km),
                None => Budget::Walks(self.walks),
            },
            audit_share: self.audit,
            near_share: self.near,
            novel_share: self.novel,
            start: self.start,
            recall_width: self.width,
            site: self.site.clone(),
            night: self.night.clone(),
        };
        let season = context.season()?;
        context.conclude(steps::plan(
            &season,
            &wish,
            self.output.as_deref(),
            &context.talk,
        )?)
    }
}
