//! `demo`: a whole vehicle in software, on the real screens, by the way of a real serial port.

use std::fs::File;
use std::io::{self, BufWriter, Write as _};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow, bail};

use super::setup::Config;
use super::{Answer, WrongUsage, look, setup};
use crate::controller::{Simulated, Story, write_recording};
use crate::drive::Plan;
use crate::record;
use crate::time::micros_from_secs;

/// The config that the demo brings.
const LORRY: &str = include_str!("../../config/hill-lorry.toml");

/// What `demo` takes.
#[derive(Debug, clap::Args)]
#[command(after_help = stories())]
pub struct Arguments {
    /// The story that happens
    #[arg(value_name = "STORY")]
    story: Option<String>,

    /// The same
    #[arg(long = "story", value_name = "STORY", conflicts_with = "story")]
    named: Option<String>,

    /// The same seed gives the same drive, to the byte
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = seed, allow_hyphen_values = true)]
    seed: u64,

    /// Draw nothing; write a recording at once, many times faster than real time (`.zst` packs it, `-` is standard output)
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,

    /// How long that recording is
    #[arg(long, value_name = "MINUTES", default_value_t = 10.0, value_parser = length, requires = "write", allow_hyphen_values = true)]
    minutes: f64,

    /// No screen: only record
    #[arg(long, conflicts_with = "write")]
    no_screen: bool,

    /// Record nothing
    #[arg(long, conflicts_with = "write")]
    no_record: bool,

    #[command(flatten)]
    look: look::Flags,
}

fn seed(text: &str) -> Result<u64, String> {
    text.parse().map_err(|_| format!("{text} is no seed; write a whole number, 0 or more, for example --seed 7"))
}

/// A length in minutes.
fn length(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|minutes| *minutes > 0.0 && *minutes <= 1440.0).ok_or_else(|| {
        format!("{text} is no length; write minutes, more than 0 and at most 1440 (a day), for example --minutes 10")
    })
}

fn stories() -> String {
    use std::fmt::Write as _;
    let mut text = "Stories, each with another hidden cause:\n".to_owned();
    for story in Story::ALL {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "  {:9} {}", story.name(), story.about());
    }
    text + "\nEverything about this vehicle is invented."
}

/// Drives in software until it is ended, or writes a recording.
pub fn run(config: Option<PathBuf>, arguments: &Arguments) -> anyhow::Result<Answer> {
    let name = arguments.story.as_deref().or(arguments.named.as_deref());
    let story = name.map_or(Ok(Story::Filter), |name| {
        Story::parse(name).ok_or_else(|| {
            let known: Vec<&str> = Story::ALL.iter().map(|story| story.name()).collect();
            WrongUsage(format!("there is no story {name}; there are {}", known.join(", ")))
        })
    })?;
    let config = match config {
        Some(path) => setup::load(Some(path))?,
        None => setup::understand(PathBuf::from("[demo]"), LORRY.to_owned()),
    };
    let Some(config) = config else { return Ok(Answer::No) };
    match &arguments.write {
        Some(path) => write(story, arguments, &config, path),
        None => live(story, arguments, config),
    }
}

fn live(story: Story, arguments: &Arguments, config: Config) -> anyhow::Result<Answer> {
    let folder = record::default_folder().filter(|_| !arguments.no_record);
    // Beside the recordings of real drives, not among them.
    let folder = folder.map(|folder| folder.with_file_name("demo"));
    let plan = Plan {
        locks: None,
        record: folder,
        model: config.model,
        text: config.text,
        path: config.path.exists().then_some(config.path),
        screen: (!arguments.no_screen).then(|| arguments.look.picture(look::Instead::NoScreen)).transpose()?,
        simulated: Some(Simulated::new(story, arguments.seed)),
    };
    setup::drive(plan, true)?;
    Ok(Answer::Done)
}

fn write(story: Story, arguments: &Arguments, config: &Config, path: &Path) -> anyhow::Result<Answer> {
    let length = micros_from_secs(arguments.minutes * 60.0);
    let failed = |error: io::Error| anyhow!("cannot write {}: {}", path.display(), setup::why_not_written(&error));
    if path == Path::new("-") {
        write_recording(story, arguments.seed, length, &config.text, &mut io::stdout().lock())
            .context("cannot write to standard output")?;
        return Ok(Answer::Done);
    }
    if path.is_file() {
        // It may be a real drive.
        bail!("{} is there already and is not written over; give another name, or remove it first", path.display());
    }
    let mut file = BufWriter::new(File::create(path).map_err(failed)?);
    if path.extension().is_some_and(|end| end == "zst") {
        let mut packed = zstd::Encoder::new(&mut file, 19).map_err(failed)?;
        write_recording(story, arguments.seed, length, &config.text, &mut packed).map_err(failed)?;
        packed.finish().map_err(failed)?;
    } else {
        write_recording(story, arguments.seed, length, &config.text, &mut file).map_err(failed)?;
    }
    file.flush().map_err(failed)?;
    Ok(Answer::Done)
}
