//! `export`: decoded values of recordings for other programs.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use anyhow::{anyhow, bail};

use super::{Answer, complain, setup};
use crate::export::{self, Columns, Exported, Format, Options, Summary};
use crate::record::{ReadError, Recording};
use crate::replay::{Configs, Refused};
use crate::time::{Micros, micros_from_secs, secs_from_micros};

/// What `export` takes.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "One row for each reading; the first column is seconds since the first reading, by the controller's clock.\n\
    A cell is empty where the value cannot be trusted; --states says why. No smoothing.\n\
    With --outputs, an output is 0 or 1, hertz, or a share; one that is not armed is what it would be.\n\n\
    Without -c, each part is decoded by the config that was in force when it was driven; the columns are\n\
    those of all of them. With -c, that config decodes all of it.\n\n\
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

    /// Add columns NAME.wanted and NAME.pin for each output: what it is to be, and what its pin reports
    #[arg(long)]
    outputs: bool,

    /// A row every so many seconds in place of one for each reading
    #[arg(long, value_name = "SECONDS", value_parser = step, allow_hyphen_values = true)]
    every: Option<Micros>,

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
    let mut recording = Recording::open(&arguments.files)?;
    let Some(mut configs) = setup::for_recording(config, &recording)? else { return Ok(Answer::No) };
    let no_clock = configs.first().links.first().is_some_and(|link| !link.form.has_clock());
    let columns = columns(arguments, &mut configs)?;
    let format = match arguments.to {
        To::Csv => Format::Csv { states: arguments.states },
        To::Jsonl => Format::Jsonl,
    };
    let mut broken = false;
    let mut trouble = |error: &ReadError| {
        broken = true;
        complain(&error.to_string());
    };
    let options = Options { format, every: arguments.every, columns };
    let out = &mut io::stdout().lock();
    let exported = export::run(&mut recording, configs, options, out, &mut trouble)?;
    let summary = exported.summary;
    if let Some(path) = &arguments.summary {
        write_summary(path, &summary)?;
    }
    complain(&summary.to_string());
    tell_of_configs(&exported);
    if recording.drives() > 1 {
        complain(&format!(
            "{} drives are joined: time_s goes on from each to the next, and the time between them is left out; export each \
             alone to have it begin at 0, for example `kickpanel export 000001-*.kpr*`",
            recording.drives()
        ));
    }
    if recording.is_bare() && no_clock {
        complain(
            "these lines hold no time, so every row is at 0 s and no rate is known; let the sketch send its clock, and \
             name it with `clock` in the link",
        );
    }
    if broken {
        bail!("not everything could be read; the rows hold what could");
    }
    if summary.tally.readings > 0 {
        return Ok(Answer::Done);
    }
    if recording.is_bare() {
        let files: Vec<String> = arguments.files.iter().map(|file| file.display().to_string()).collect();
        complain(&setup::no_reading(&files.join(", "), summary.tally.lines));
    }
    Ok(Answer::No)
}

/// The columns, as far as they can be known before the rows: what comes through a pipe can be read only once.
fn columns(arguments: &Arguments, configs: &mut Configs) -> anyhow::Result<Columns> {
    let Arguments { files, outputs, .. } = arguments;
    let again = |path: &PathBuf| fs::metadata(path).is_ok_and(|about| about.is_file() || about.is_dir());
    if configs.follows() && files.iter().all(again) {
        return Ok(Columns::ahead(Recording::open(files)?, configs, *outputs));
    }
    Ok(Columns::of(configs.first(), *outputs))
}

/// Says what of the recording's configs is not in the rows.
fn tell_of_configs(exported: &Exported) {
    if !exported.left_out.is_empty() {
        complain(&format!(
            "left out, since the config was changed while driving and the first row was written by then: {}; save the \
             recording to a file and export that",
            exported.left_out.join(", ")
        ));
    }
    let Refused { count, first, mistakes } = exported.refused;
    if count > 0 {
        let (are, have) = if count == 1 { ("1 config", "has") } else { ("configs", "have") };
        let number = if count == 1 { String::new() } else { format!("{count} ") };
        let s = if mistakes == 1 { "" } else { "s" };
        complain(&format!(
            "{number}{are} in the recording {have} mistakes and stayed out of force, the first at {} s with {mistakes} \
             mistake{s}; what follows is decoded by the one before",
            secs_from_micros(first.0)
        ));
    }
}

fn write_summary(path: &Path, summary: &Summary) -> anyhow::Result<()> {
    fs::write(path, format!("{}\n", summary.to_json()))
        .map_err(|error| anyhow!("cannot write the summary {}: {}", path.display(), setup::why_not_written(&error)))
}

/// A step of time in seconds.
fn step(text: &str) -> Result<Micros, String> {
    let seconds = text.parse().ok().filter(|seconds| (0.001..=86_400.0).contains(seconds));
    seconds
        .map(micros_from_secs)
        .ok_or_else(|| format!("{text} is no step; write seconds, from 0.001 to 86400, for example --every 0.5"))
}
