//! The outputs that are locked until a person acts, kept over a restart of the program.
//!
//! Owns one small file beside the recordings and the thread that writes it, so that no port waits for the disk. In: which
//! outputs are locked. Out: at the start, which were. A lock that is lost with the program would let a supply that breaks
//! down when something is switched on do so again with each start. A file that is there and says nothing that can be read
//! may have held any lock, so everything armed is locked until a person acts. Where the file cannot be written, the lock holds for as
//! long as the program runs; the recorder, which writes to the same folder, tells of the disk.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::config::{Model, Output};
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
    /// The file is there and cannot be read: everything armed counts as locked, and it stays as it is until a person acts.
    unreadable: bool,
    /// Whole texts of the file; an empty one stands for none.
    texts: Sender<Vec<u8>>,
    /// Hears nothing until the thread has ended.
    ended: Receiver<()>,
}

impl Locks {
    /// The locks that `path` keeps.
    pub fn open(path: PathBuf) -> io::Result<Self> {
        let read = read(&path);
        let (unreadable, kept) = (read.is_err(), read.unwrap_or_default());
        let (texts, received) = channel();
        let (alive, ended) = channel();
        let write = move || {
            keep(&path, &received);
            drop(alive);
        };
        thread::Builder::new().name("locks".into()).spawn(write)?;
        Ok(Self { kept, unreadable, texts, ended })
    }

    /// The outputs of `model` that were locked, by their place.
    pub fn of(&self, model: &Model) -> Vec<(usize, Problem)> {
        if self.unreadable {
            let armed = model.outputs.iter().enumerate().filter(|(_, output)| output.armed);
            return armed.map(|(place, _)| (place, Problem::LocksUnreadable)).collect();
        }
        let place = |locked: &Locked| {
            let is = |output: &Output| is_at(locked, model, output);
            Some((model.outputs.iter().position(is)?, locked.why.into()))
        };
        self.kept.iter().filter_map(place).collect()
    }

    /// What is locked now. Of a pin that `model` does not have, nobody says that it is mended.
    pub fn update(&mut self, model: &Model, outputs: &[OutputShown]) {
        if self.unreadable {
            // What else is locked is so anyhow.
            return;
        }
        let locked = model.outputs.iter().zip(outputs).filter_map(|(output, shown)| {
            let Why::Locked(problem) = shown.why else { return None };
            let link = model.links.get(output.link.index())?.name.clone();
            Some(Locked { link, pin: output.pin.to_string(), why: problem.into() })
        });
        let now = self.elsewhere(model).chain(locked).collect();
        self.keep(now);
    }

    /// A person freed the outputs of `model`. Of any other pin, nobody says that it is mended.
    pub fn free(&mut self, model: &Model) {
        let now: Vec<Locked> = self.elsewhere(model).collect();
        if std::mem::take(&mut self.unreadable) {
            // The damaged file goes: what it held is not known of any pin.
            self.send(&now);
        }
        self.keep(now);
    }

    /// The locks of pins that `model` does not have.
    fn elsewhere(&self, model: &Model) -> impl Iterator<Item = Locked> {
        let is_here = |locked: &&Locked| model.outputs.iter().any(|output| is_at(locked, model, output));
        self.kept.iter().filter(move |locked| !is_here(locked)).cloned()
    }

    fn keep(&mut self, now: Vec<Locked>) {
        if now != self.kept {
            self.send(&now);
            self.kept = now;
        }
    }

    fn send(&self, now: &[Locked]) {
        let text = if now.is_empty() { Vec::new() } else { serde_json::to_vec_pretty(&now).unwrap_or_default() };
        // The thread goes on as long as this lives.
        let _ = self.texts.send(text);
    }

    /// Waits a moment for the disk.
    pub fn close(self) {
        drop(self.texts);
        let _ = self.ended.recv_timeout(END);
    }
}

fn is_at(locked: &Locked, model: &Model, output: &Output) -> bool {
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

/// What the file at `path` says; nothing where there is none. An error: it is there and what it says is not known.
fn read(path: &Path) -> io::Result<Vec<Locked>> {
    let about = match fs::metadata(path) {
        Err(error) if matches!(error.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => {
            return Ok(Vec::new());
        }
        about => about?,
    };
    // A pipe would hold up the start for ever.
    if !about.is_file() || about.len() > BYTES_MAX {
        return Err(io::ErrorKind::InvalidData.into());
    }
    Ok(serde_json::from_slice(&fs::read(path)?)?)
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
            locks.free(&model("d7"));
            locks.close();
            assert!(!path.exists());
        }
    }

    fn places(locks: &Locks, pin: &str) -> Vec<Problem> {
        locks.of(&model(pin)).into_iter().map(|(_, problem)| problem).collect()
    }

    #[test]
    fn a_file_that_is_no_list_of_locks_locks_whatever_is_armed_until_a_person_acts() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(FILE);
        for text in ["", "{", "[{\"link\":\"link\",\"pin\":\"d7\",\"why\":\"bored\"}]", &"[".repeat(100_000)] {
            fs::write(&path, text).unwrap();
            let mut locks = Locks::open(path.clone()).unwrap();
            assert_eq!(places(&locks, "d7"), [Problem::LocksUnreadable], "{text:.50}");
            assert_eq!(places(&locks, "d8"), [Problem::LocksUnreadable], "a pin that a changed config brings, too");
            let mut unarmed = model("d7");
            unarmed.outputs[0].armed = false;
            assert_eq!(locks.of(&unarmed), [], "nothing can be sent for it");
            locks.update(&model("d7"), &locked(Problem::LocksUnreadable));
            locks.close();
            assert_eq!(fs::read_to_string(&path).unwrap(), text, "the next start locks again");
            let mut locks = Locks::open(path.clone()).unwrap();
            locks.free(&model("d7"));
            assert_eq!(locks.of(&model("d7")), []);
            locks.close();
            assert!(!path.exists());
        }
    }

    #[test]
    fn a_folder_in_its_place_locks_and_no_file_or_no_folder_does_not() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(FILE);
        assert_eq!(places(&Locks::open(path.clone()).unwrap(), "d7"), []);
        assert_eq!(places(&Locks::open(folder.path().join("none").join(FILE)).unwrap(), "d7"), []);
        fs::create_dir(&path).unwrap();
        assert_eq!(places(&Locks::open(path.clone()).unwrap(), "d7"), [Problem::LocksUnreadable]);
    }

    #[test]
    fn freeing_what_the_config_has_keeps_the_lock_of_a_pin_that_it_does_not_have() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(FILE);
        let mut locks = Locks::open(path.clone()).unwrap();
        locks.update(&model("d7"), &locked(Problem::Resets));
        locks.update(&model("d8"), &locked(Problem::Resets));
        locks.free(&model("d8"));
        locks.close();
        let locks = Locks::open(path).unwrap();
        assert_eq!((places(&locks, "d7"), places(&locks, "d8")), (vec![Problem::Resets], vec![]));
    }
}
