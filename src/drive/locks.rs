//! The outputs that are locked until a person acts, kept over a restart of the program.
//!
//! Owns one small file beside the recordings and the thread that writes it, so that no port waits for the disk. In: which
//! outputs are locked. Out: at the start, which were. A lock that is lost with the program would let a supply that breaks
//! down when something is switched on do so again with each start. Where the file cannot be written, the lock holds for as
//! long as the program runs; the recorder, which writes to the same folder, tells of the disk.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::config::Model;
use crate::state::{OutputShown, Problem, Why};

/// The file's name.
pub const FILE: &str = "locked-outputs.json";
/// No list of locked outputs is longer.
const BYTES_MAX: u64 = 64 * 1024;
/// What could not be written is tried again after this.
const AGAIN: Duration = Duration::from_secs(1);
/// The end of a drive waits so long for the disk.
const END: Duration = Duration::from_millis(500);

/// A locked output, by what it is wired to: a name may change without anything being mended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Locked {
    link: String,
    pin: String,
    #[serde(flatten)]
    why: Reason,
}

/// Why, as the file and the recording's note have it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "why", rename_all = "snake_case")]
enum Reason {
    Resets,
    DoesNotFollow { set: u32, is: Option<u32> },
}

/// The locks of a drive.
#[derive(Debug)]
pub struct Locks {
    /// What the file says, or is to say.
    kept: Vec<Locked>,
    /// Whole texts of the file; an empty one stands for none.
    texts: Sender<Vec<u8>>,
    /// Hears nothing until the thread has ended.
    ended: Receiver<()>,
}

impl Locks {
    /// The locks that `path` keeps. What it holds and cannot be read is none.
    pub fn open(path: PathBuf) -> io::Result<Self> {
        let kept = read(&path).unwrap_or_default();
        let (texts, received) = channel();
        let (alive, ended) = channel();
        let write = move || {
            keep(&path, &received);
            drop(alive);
        };
        thread::Builder::new().name("locks".into()).spawn(write)?;
        Ok(Self { kept, texts, ended })
    }

    /// The outputs of `model` that were locked, by their place.
    pub fn of(&self, model: &Model) -> Vec<(usize, Problem)> {
        let place = |locked: &Locked| {
            let is = |output: &crate::config::Output| is_at(locked, model, output);
            Some((model.outputs.iter().position(is)?, locked.why.into()))
        };
        self.kept.iter().filter_map(place).collect()
    }

    /// What is locked now. Of a pin that `model` does not have, nobody says that it is mended.
    pub fn update(&mut self, model: &Model, outputs: &[OutputShown]) {
        let is_here = |locked: &Locked| model.outputs.iter().any(|output| is_at(locked, model, output));
        let locked = model.outputs.iter().zip(outputs).filter_map(|(output, shown)| {
            let Why::Locked(problem) = shown.why else { return None };
            let link = model.links.get(output.link.index())?.name.clone();
            Some(Locked { link, pin: output.pin.to_string(), why: problem.into() })
        });
        let now: Vec<Locked> = self.kept.iter().filter(|locked| !is_here(locked)).cloned().chain(locked).collect();
        self.keep(now);
    }

    /// A person acted.
    pub fn free(&mut self) {
        self.keep(Vec::new());
    }

    fn keep(&mut self, now: Vec<Locked>) {
        if now != self.kept {
            let text = if now.is_empty() { Vec::new() } else { serde_json::to_vec_pretty(&now).unwrap_or_default() };
            self.kept = now;
            // The thread goes on as long as this lives.
            let _ = self.texts.send(text);
        }
    }

    /// Waits a moment for the disk.
    pub fn close(self) {
        drop(self.texts);
        let _ = self.ended.recv_timeout(END);
    }
}

fn is_at(locked: &Locked, model: &Model, output: &crate::config::Output) -> bool {
    let link = model.links.get(output.link.index());
    link.is_some_and(|link| link.name == locked.link) && output.pin.to_string() == locked.pin
}

impl From<Problem> for Reason {
    fn from(problem: Problem) -> Self {
        match problem {
            Problem::DoesNotFollow { set, is } => Self::DoesNotFollow { set, is },
            // No other problem locks an output.
            _ => Self::Resets,
        }
    }
}

impl From<Reason> for Problem {
    fn from(reason: Reason) -> Self {
        match reason {
            Reason::Resets => Self::Resets,
            Reason::DoesNotFollow { set, is } => Self::DoesNotFollow { set, is },
        }
    }
}

fn read(path: &Path) -> Option<Vec<Locked>> {
    let file = File::open(path).ok().filter(|file| file.metadata().is_ok_and(|about| about.len() <= BYTES_MAX))?;
    serde_json::from_reader(file).ok()
}

/// Writes each text that comes, the newest alone where several wait, until nobody sends any more.
fn keep(path: &Path, texts: &Receiver<Vec<u8>>) {
    let mut waiting: Option<Vec<u8>> = None;
    loop {
        let next = match &waiting {
            Some(_) => texts.recv_timeout(AGAIN),
            None => texts.recv().map_err(|_| RecvTimeoutError::Disconnected),
        };
        let over = next == Err(RecvTimeoutError::Disconnected);
        waiting = texts.try_iter().last().or(next.ok()).or(waiting);
        if waiting.as_ref().is_some_and(|text| write(path, text).is_ok()) {
            waiting = None;
        }
        if over {
            return;
        }
    }
}

/// Puts `text` in the place of the file in one stroke, so that a power cut leaves the old one or the new one.
fn write(path: &Path, text: &[u8]) -> io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    if text.is_empty() {
        match fs::remove_file(path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    } else {
        fs::create_dir_all(folder)?;
        let new = path.with_extension("new");
        let mut file = File::create(&new)?;
        file.write_all(text)?;
        file.sync_all()?;
        fs::rename(&new, path)?;
    }
    File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::load;

    fn model(pin: &str) -> Model {
        let text = format!(
            "format = 1\n[channel.oil]\ninput = \"a1\"\nunit = \"V\"\n[output.heater]\npin = \"{pin}\"\n\
             on = \"oil > 1\"\narmed = true\n"
        );
        load(&text).model.unwrap()
    }

    fn locked(why: Problem) -> Vec<OutputShown> {
        vec![OutputShown { why: Why::Locked(why), ..OutputShown::resting(true) }]
    }

    #[test]
    fn a_lock_is_kept_until_a_person_frees_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("recordings").join(FILE);
        for why in [
            Problem::Resets,
            Problem::DoesNotFollow { set: 0, is: Some(1) },
            Problem::DoesNotFollow { set: 0, is: None },
        ] {
            let mut locks = Locks::open(path.clone()).unwrap();
            assert_eq!(locks.of(&model("d7")), []);
            locks.update(&model("d7"), &[OutputShown::resting(true)]);
            locks.update(&model("d7"), &locked(why));
            locks.close();
            let mut locks = Locks::open(path.clone()).unwrap();
            assert_eq!(locks.of(&model("d7")), [(0, why)]);
            // Another pin is another thing; what is known of the first one stays.
            assert_eq!(locks.of(&model("d8")), []);
            locks.update(&model("d8"), &[OutputShown::resting(true)]);
            assert_eq!(locks.of(&model("d7")), [(0, why)]);
            locks.free();
            locks.close();
            assert!(!path.exists());
        }
    }

    #[test]
    fn a_file_that_is_no_list_of_locks_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(FILE);
        for text in ["", "{", "[{\"link\":\"link\",\"pin\":\"d7\",\"why\":\"bored\"}]", &"[".repeat(100_000)] {
            fs::write(&path, text).unwrap();
            assert_eq!(Locks::open(path.clone()).unwrap().of(&model("d7")), []);
        }
    }
}
