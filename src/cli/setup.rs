//! What several verbs need before they begin: the config file, found, read and checked.

use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context as _, bail};

use super::WrongUsage;
use crate::config::{self, Loaded, Mistake, Model, SharedModel};
use crate::drive::{self, Ended, Ending, Plan};
use crate::record::Recording;
use crate::replay::Configs;
use crate::text::safe;

/// The most bytes of a config file.
const CONFIG_MAX: u64 = config::LONGEST as u64;

/// A config that is in force.
#[derive(Clone, Debug)]
pub struct Config {
    /// The file it came from; a name in brackets where it came from no file.
    pub path: PathBuf,
    /// Its text.
    pub text: String,
    /// What it means.
    pub model: SharedModel,
}

/// Where the config is: as given, or the first that exists of the usual places.
pub fn find(given: Option<PathBuf>) -> anyhow::Result<PathBuf> {
    if let Some(path) = given {
        return Ok(path);
    }
    let places = usual_places();
    if let Some(path) = places.iter().find(|path| path.exists()) {
        return Ok(path.clone());
    }
    let list: Vec<String> = places.iter().map(|path| path.display().to_string()).collect();
    bail!(
        "no config file found; looked for {}. Name one with -c FILE, or try `kickpanel demo`, which brings its own",
        list.join(", ")
    )
}

fn usual_places() -> Vec<PathBuf> {
    let own = std::env::var_os("XDG_CONFIG_HOME")
        .filter(|value| !value.is_empty())
        .map(PathBuf::from)
        .or_else(|| std::env::var_os("HOME").map(|home| Path::new(&home).join(".config")));
    let mut places = vec![PathBuf::from("kickpanel.toml")];
    places.extend(own.map(|folder| folder.join("kickpanel/kickpanel.toml")));
    places.push(PathBuf::from("/etc/kickpanel/kickpanel.toml"));
    places
}

/// The text of the config file at `path`.
pub fn read(path: &Path) -> anyhow::Result<String> {
    let name = path.display();
    let file = File::open(path)
        .with_context(|| format!("cannot open the config {name}; check the path and who may read it"))?;
    let about = file.metadata().with_context(|| format!("cannot look at the config {name}"))?;
    if about.is_dir() {
        bail!("the config {name} is a folder; name the file in it");
    }
    let mut bytes = Vec::new();
    file.take(CONFIG_MAX + 1).read_to_end(&mut bytes).with_context(|| format!("cannot read the config {name}"))?;
    if bytes.len() as u64 > CONFIG_MAX {
        bail!("the config {name} is over 1 MB; a config is a few pages of text, so this is probably another file");
    }
    String::from_utf8(bytes).map_err(|error| {
        let good = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        let line = good.split(|&byte| byte == b'\n').count();
        anyhow::anyhow!("the config {name} is not UTF-8 text (first at line {line}); save it as UTF-8")
    })
}

/// Reads and checks the config; `None` where it has mistakes, which are then on standard error.
pub fn load(given: Option<PathBuf>) -> anyhow::Result<Option<Config>> {
    let path = find(given)?;
    let text = read(&path)?;
    Ok(understand(path, text))
}

/// The config that a recording is decoded by: as given, and then all of it; else the one that it holds, else from the usual
/// places, and then what it holds further on is followed. `None` where the first one has mistakes, which are then on
/// standard error.
pub fn for_recording(given: Option<PathBuf>, recording: &Recording) -> anyhow::Result<Option<Configs>> {
    let named = given.is_some();
    let (config, own) = match (given, recording.config()) {
        (None, Some(text)) => (understand(PathBuf::from("[recording]"), text.to_owned()), Some(text)),
        (None, None) => {
            let why = "what was named does not begin like a recording of kickpanel, so it would be read as a capture of the \
                       controller's lines, and for that a config is needed";
            (load(None).context(why)?, None)
        }
        (given, _) => (load(given)?, None),
    };
    Ok(config.map(|config| if named { Configs::from(config.model) } else { Configs::followed(config.model, own) }))
}

/// What is said of a file without a single reading among its lines: named as `file`, with so many lines.
pub fn no_reading(file: &str, lines: u64) -> String {
    let none = if lines == 1 { "its line is not one".to_owned() } else { format!("none of its {lines} lines is one") };
    format!(
        "{file} holds no reading: {none} that the link of the config reads. What can be read: a recording of kickpanel \
         (.kpr, .kpr.zst), or a capture of the controller's lines, as they came, in the `form` of the config"
    )
}

/// Checks a config text; `None` where it has mistakes, which are then on standard error. Warnings are left to `check`.
pub fn understand(path: PathBuf, text: String) -> Option<Config> {
    let Loaded { model, mistakes } = config::load(&text);
    if model.is_none() {
        report(&path, &text, &mistakes);
    }
    model.map(|model| Config { path, text, model: Arc::new(model) })
}

/// The place of the channel `name` in `model`; wrong usage, with the nearest name, where there is none.
pub fn channel(model: &Model, name: &str) -> Result<usize, WrongUsage> {
    let names = || model.channels.iter().map(|channel| channel.name.as_str());
    names().position(|known| known == name).ok_or_else(|| {
        let hint = match config::nearest(name, names()) {
            Some(near) => format!("did you mean {near}?"),
            None if model.channels.is_empty() => "the config describes none".to_owned(),
            None => format!("there are {}", names().collect::<Vec<_>>().join(", ")),
        };
        WrongUsage(format!("there is no channel {name}; {hint}"))
    })
}

/// Why a file could not be written, in words that say what to do.
pub fn why_not_written(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::IsADirectory => "it is a folder; name a file in it".to_owned(),
        io::ErrorKind::NotFound => "the folder that it is to stand in is not there; make it first".to_owned(),
        io::ErrorKind::NotADirectory => "what it is to stand in is no folder; check the path".to_owned(),
        io::ErrorKind::PermissionDenied => "this user may not write there; name another place".to_owned(),
        io::ErrorKind::ReadOnlyFilesystem => "nothing can be written to that disk; name another place".to_owned(),
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "the disk is full; make room first".to_owned(),
        _ => error.to_string(),
    }
}

/// Puts the report of `mistakes` on standard error.
pub fn report(path: &Path, text: &str, mistakes: &[Mistake]) {
    let report = config::report(&path.display().to_string(), text, mistakes, super::colour_on_stderr());
    // If standard error is gone there is nobody left to tell.
    let _ = io::stderr().lock().write_all(report.as_bytes());
}

/// Drives as `plan` says; then, where `tells`, says how to see the drive again, if there is a recording of it and somebody
/// to tell.
pub fn drive(plan: Plan, tells: bool) -> anyhow::Result<()> {
    let folder = plan.record.clone().filter(|_| tells);
    let Ended { why, recorded } = drive::run(plan)?;
    let (Some(folder), Some(number), Ending::Asked) = (folder, recorded, why) else { return Ok(()) };
    let Some(path) = newest(&folder, number) else { return Ok(()) };
    let shown = path.display().to_string();
    writeln!(io::stdout().lock(), "This drive was recorded. To see it again:\n  kickpanel replay {}", safe(&shown))?;
    Ok(())
}

/// The newest part of the drive with that number in `folder`; others may be recorded there at the same time.
fn newest(folder: &Path, number: u32) -> Option<PathBuf> {
    let begins = format!("{number:06}-");
    let names = folder.read_dir().ok()?.filter_map(|entry| Some(entry.ok()?.path()));
    let is_its = |path: &PathBuf| path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(&begins));
    names.filter(|path| path.extension().is_some_and(|end| end == "kpr") && is_its(path)).max()
}
