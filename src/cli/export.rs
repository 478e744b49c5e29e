//! `export`: decoded values of recordings for other programs.

use std::fs;
use std::io::{self, Write as _};
use std::path::PathBuf;

use anyhow::Context as _;

use super::{Answer, WrongUsage, complain, setup};
use crate::export::{self, Format, Options};
use crate::record::Recording;
use crate::time::{Micros, micros_from_secs};

/// What `export` takes.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "One row for each reading; the first column is seconds since the first reading, by the controller's clock.\n\
    A cell is empty where the value cannot be trusted; --states says why. No smoothing.\n\n\
    Without -c, the config that the recording holds is used.\n\n\
    Example: kickpanel export recordings/000001-01.kpr.zst > drive.csv"
)]
pub struct Arguments {
    /// Recordings: .kpr, .kpr.zst, a bare capture, a folder of them, or - for standard input
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,

    /// The text that is written
    #[arg(long, value_enum, default_value_t = To::Csv)]
    to: To,

    /// Add a column NAME.state after each channel (csv)
    #[arg(long)]
    states: bool,

    /// A row every so many seconds in place of one for each reading
    #[arg(long, value_name = "SECONDS")]
    every: Option<f64>,

    /// Write what was read, counted, as JSON
    #[arg(long, value_name = "FILE")]
    summary: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum To {
    /// Comma-separated values
    Csv,
    /// One JSON object a line
    Jsonl,
}

/// Writes the rows to standard output and the summary to standard error.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    let every = arguments.every.map(step).transpose()?;
    let mut recording = Recording::open(&arguments.files)?;
    let Some(config) = setup::for_recording(config, &recording)? else { return Ok(Answer::No) };
    let format = match arguments.to {
        To::Csv => Format::Csv { states: arguments.states },
        To::Jsonl => Format::Jsonl,
    };
    let summary = export::run(&mut recording, &config.model, Options { format, every }, &mut io::stdout().lock())?;
    if let Some(path) = &arguments.summary {
        let text = format!("{}\n", summary.to_json());
        fs::write(path, text).with_context(|| format!("cannot write the summary {}", path.display()))?;
    }
    complain(&summary.to_string());
    io::stdout().flush()?;
    Ok(if summary.tally.readings > 0 { Answer::Done } else { Answer::No })
}

fn step(seconds: f64) -> Result<Micros, WrongUsage> {
    if (0.001..=86_400.0).contains(&seconds) {
        return Ok(micros_from_secs(seconds));
    }
    Err(WrongUsage("--every takes seconds, from 0.001 to 86400".to_owned()))
}
