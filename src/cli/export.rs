//! `export`: decoded values of recordings for other programs.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use anyhow::{anyhow, bail};

use super::{Answer, WrongUsage, complain, setup};
use crate::export::{self, Format, Options, Summary};
use crate::record::{ReadError, Recording};
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
    let mut broken = false;
    let mut trouble = |error: &ReadError| {
        broken = true;
        complain(&error.to_string());
    };
    let options = Options { format, every };
    let out = &mut io::stdout().lock();
    let summary = export::run(&mut recording, &config.model, options, out, &mut trouble)?;
    if let Some(path) = &arguments.summary {
        write_summary(path, &summary)?;
    }
    complain(&summary.to_string());
    if recording.is_bare() && config.model.links.first().is_some_and(|link| !link.form.has_clock()) {
        complain(
            "these lines hold no time, so every row is at 0 s and no rate is known; let the sketch send its clock, and \
             name it with `clock` in the link",
        );
    }
    if broken {
        bail!("not everything could be read; the rows hold what could");
    }
    Ok(if summary.tally.readings > 0 { Answer::Done } else { Answer::No })
}

fn write_summary(path: &Path, summary: &Summary) -> anyhow::Result<()> {
    fs::write(path, format!("{}\n", summary.to_json()))
        .map_err(|error| anyhow!("cannot write the summary {}: {}", path.display(), setup::why_not_written(&error)))
}

fn step(seconds: f64) -> Result<Micros, WrongUsage> {
    if (0.001..=86_400.0).contains(&seconds) {
        return Ok(micros_from_secs(seconds));
    }
    Err(WrongUsage("--every takes seconds, from 0.001 to 86400".to_owned()))
}
