//! `firmware`: the controller's source in a folder, ready to build.

use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};

use super::Answer;
use crate::controller::firmware::SOURCES;
use crate::text::safe;

/// What `firmware` takes.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Read README.md in that folder first: it tells how to build and flash it, what may be connected to\n\
    which pin, and what must not be. LINES.md there tells what a sketch of your own must send instead.\n\n\
    Example: kickpanel firmware ~/controller && make -C ~/controller"
)]
pub struct Arguments {
    /// The folder to write into; it is made where there is none
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

/// Writes the sources, unless one of them is there and is another: somebody may have changed it.
pub fn run(arguments: &Arguments) -> anyhow::Result<Answer> {
    let folder = &arguments.folder;
    fs::create_dir_all(folder).with_context(|| format!("cannot make the folder {}", folder.display()))?;
    let changed: Vec<&str> =
        SOURCES.iter().filter(|source| is_another(&folder.join(source.name), source.text)).map(|s| s.name).collect();
    if !changed.is_empty() {
        bail!(
            "{} has other files of these names: {}; nothing was written. Give an empty folder, and carry your changes over",
            folder.display(),
            changed.join(", ")
        );
    }
    for source in SOURCES {
        let file = folder.join(source.name);
        fs::write(&file, source.text).with_context(|| format!("cannot write {}", file.display()))?;
    }
    let shown = folder.display().to_string();
    let mut out = io::stdout().lock();
    writeln!(out, "{} files for an ATmega328P at 16 MHz are in {}.", SOURCES.len(), safe(&shown))?;
    writeln!(out, "Read README.md there before you connect anything, then: make -C {}", safe(&shown))?;
    Ok(Answer::Done)
}

/// Whether something else than `text` is at `file`. What cannot be read is something else.
fn is_another(file: &Path, text: &str) -> bool {
    match fs::read(file) {
        Ok(bytes) => bytes != text.as_bytes(),
        Err(error) => error.kind() != io::ErrorKind::NotFound,
    }
}
