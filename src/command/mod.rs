//! The command line: one file a command, all of the arithmetic in the library.

mod calibrate;
mod chromaticity;
mod classify;
mod compare;
mod demo;
mod drift;
mod evaluate;
mod init;
mod measure;
mod patches;
mod plan;
mod report;
mod run;
mod score;
mod simulate;
mod stack;
mod talk;
mod threshold;
mod train;

use boneglow::files::{self, Table};
use boneglow::season::Season;
use boneglow::steps::Outcome;
use boneglow::{Error, Result};
use clap::{Parser, Subcommand};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use talk::Talk;

const CAUTIONS: &str = "Lasers blind and drones fall: wear eye protection rated for the laser, keep \
people and animals out of the beam and from under the aircraft, and follow local law and licensed \
practice. Fossils and land have owners: ask before you fly, walk or collect.";

/// Calibrated color, honestly tested classifiers and defensible thresholds for laser-stimulated
/// bone survey at night.
#[derive(Parser)]
#[command(name = "boneglow", version, after_help = CAUTIONS)]
struct Cli {
    #[command(flatten, next_help_heading = "Every command")]
    common: Common,
    #[command(subcommand)]
    command: Command,
}

/// What every command takes.
#[derive(clap::Args)]
struct Common {
    /// The season file, or the folder that holds season.toml
    #[arg(
        long,
        global = true,
        default_value = "season.toml",
        value_name = "PATH"
    )]
    season: PathBuf,
    /// Say nothing but errors
    #[arg(long, global = true)]
    quiet: bool,
    /// Give the result as JSON on standard output, for scripts; a table that goes there stays a table
    #[arg(long, global = true)]
    json: bool,
    /// Threads to work with, 1 to 256; the results do not depend on it
    #[arg(long, global = true, value_name = "N")]
    threads: Option<usize>,
}

#[derive(Subcommand)]
enum Command {
    /// Start a season: write a season.toml to fill in
    Init(init::Args),
    /// Do all the steps that are out of date
    Run(run::Args),
    /// Lay out the invented demo season and do the whole job on it
    Demo(demo::Args),
    /// Measure what color the rig sees, from captures of reference targets
    Calibrate(calibrate::Args),
    /// Check whether the rig is still what it was, from a later night's captures
    Drift(drift::Args),
    /// Write the calibrated color of patches beside them
    Measure(measure::Args),
    /// Test the classifiers on groups they have not seen
    Evaluate(evaluate::Args),
    /// Fit the chosen classifier to all patches that are not locked away
    Train(train::Args),
    /// Set an older model against the new one, on the same patches
    Compare(compare::Args),
    /// Recommend where to set the cut, and what it will cost
    Threshold(threshold::Args),
    /// Apply the saved model and thresholds to a table of patches
    Classify(classify::Args),
    /// Cut the laser line out of frames and stack the lines into a strip
    Stack(stack::Args),
    /// Score strips and list the places worth a walk
    Score(score::Args),
    /// Choose the places of the next walk, some of them at random
    Plan(plan::Args),
    /// Predict what a rig would record, from spectra, filter and sensitivities
    Simulate(simulate::Args),
    /// Tristimulus values, chromaticity and dominant wavelength of spectra
    Chromaticity(chromaticity::Args),
    /// Write the figures, methods.md and report.html
    Report(report::Args),
}

/// What a command works with.
struct Context {
    season: PathBuf,
    talk: Talk,
}

impl Context {
    fn season(&self) -> Result<Season> {
        Season::read(&self.season)
    }

    /// Says what a step did; its answer becomes the exit code.
    fn conclude(&self, outcome: Outcome) -> Result<ExitCode> {
        self.talk.outcome(&outcome);
        Ok(exit_code(&outcome))
    }

    /// Writes a table to a file, or to standard output; then what there is to say goes to standard error.
    ///
    /// A table is never written over the one that it was made from.
    fn deliver(&self, from: &Path, to: &Path, bytes: &[u8], outcome: Outcome) -> Result<ExitCode> {
        if to == Path::new("-") {
            // A closed pipe (`boneglow ... | head`) is no error.
            let _ = std::io::stdout().write_all(bytes);
            self.talk.aside(&outcome);
            return Ok(exit_code(&outcome));
        }
        check_own_name(from, to)?;
        files::write_whole(to, bytes)?;
        self.talk.say(&format!("Wrote {}.", to.display()));
        self.conclude(outcome)
    }
}

/// Refuses to write one table over another.
fn check_own_name(other: &Path, to: &Path) -> Result<()> {
    let same = match (other.canonicalize(), to.canonicalize()) {
        (Ok(other), Ok(to)) => other == to,
        _ => other == to,
    };
    if same {
        return Err(
            Error::input("this is the table that was read, or another result")
                .at(to)
                .remedy("give the result a name of its own"),
        );
    }
    Ok(())
}

/// Reads a table from a file, or from standard input where the path is `-`.
fn read_table(path: &Path) -> Result<Table> {
    if path != Path::new("-") {
        return Table::read(path).map_err(|e| {
            e.remedy("check the name; a table on the command line is looked for from where you are")
        });
    }
    let mut bytes = Vec::new();
    std::io::stdin()
        .read_to_end(&mut bytes)
        .map_err(|e| Error::io("standard input", e))?;
    Table::from_bytes("standard input", &bytes)
}

/// Exit code of work that ran and whose answer is no.
const NO: u8 = 1;

fn exit_code(outcome: &Outcome) -> ExitCode {
    if outcome.favorable {
        ExitCode::SUCCESS
    } else {
        NO.into()
    }
}

/// Parses the arguments, runs the command, gives the exit code: 0 done, 1 the answer is no, 2 the
/// input or the call is wrong.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let talk = Talk::new(cli.common.quiet, cli.common.json);
    match dispatch(cli, &talk) {
        Ok(code) => code,
        Err(error) => {
            talk.error(&error);
            ExitCode::from(2)
        }
    }
}

fn dispatch(cli: Cli, talk: &Talk) -> Result<ExitCode> {
    if let Some(threads) = cli.common.threads {
        boneglow::numeric::set_threads(threads)?;
    }
    let context = Context {
        season: cli.common.season,
        talk: talk.clone(),
    };
    match cli.command {
        Command::Init(args) => args.run(&context),
        Command::Run(args) => args.run(&context),
        Command::Demo(args) => args.run(&context),
        Command::Calibrate(args) => args.run(&context),
        Command::Drift(args) => args.run(&context),
        Command::Measure(args) => args.run(&context),
        Command::Train(args) => args.run(&context),
        Command::Evaluate(args) => args.run(&context),
        Command::Compare(args) => args.run(&context),
        Command::Threshold(args) => args.run(&context),
        Command::Classify(args) => args.run(&context),
        Command::Stack(args) => args.run(&context),
        Command::Score(args) => args.run(&context),
        Command::Plan(args) => args.run(&context),
        Command::Simulate(args) => args.run(&context),
        Command::Chromaticity(args) => args.run(&context),
        Command::Report(args) => args.run(&context),
    }
}
