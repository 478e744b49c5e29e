//! Notices that the config file changed, and waits until it stopped changing.
//!
//! Looks at the file's size, time and identity instead of asking the system for events: that works on every file
//! system, also after the file was replaced by another of that name.

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use tokio::sync::mpsc;

use crate::config::{self, Loaded};
use crate::time::system::Clock;
use crate::time::{MILLISECOND, Micros, Stamp};

/// How long a file must have stayed the same before it is read: an editor may write it in pieces.
pub const SETTLE: Micros = 300 * MILLISECOND;

/// The most bytes of a config file.
const CONFIG_MAX: u64 = config::LONGEST as u64;

/// How often the file is looked at.
const LOOK: Duration = Duration::from_millis(200);

/// What a change of the config file brought.
#[derive(Debug)]
pub enum Changed {
    /// It is not there any more.
    Gone,
    /// It cannot be read.
    Unreadable,
    /// It can be read again, and is what it was.
    Back,
    /// Its text, and what it means.
    Text(String, Box<Loaded>),
}

/// Watches the config file at `path`, whose text is `known`, from a thread of its own, until the receiver is dropped: a
/// disk that hangs must not hold up whoever reads the ports.
pub fn watch(path: PathBuf, known: String, clock: Clock) -> io::Result<mpsc::UnboundedReceiver<Changed>> {
    let (sender, receiver) = mpsc::unbounded_channel();
    let mut watcher = Watcher::new(path, known);
    thread::Builder::new().name("config".into()).spawn(move || {
        while !sender.is_closed() {
            thread::sleep(LOOK);
            if let Some(changed) = watcher.look(clock.now()) {
                // Where nobody listens any more the drive is over.
                let _ = sender.send(changed);
            }
        }
    })?;
    Ok(receiver)
}

/// What a file looks like from outside: its identity, its length, and when it and what is said of it last changed. The
/// latter cannot be set back as the former can, and moves also when rights are taken or given.
type Look = Option<[i128; 7]>;

/// What was told last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Last {
    Text,
    Unreadable,
    Gone,
}

/// The memory of how the config file looked.
#[derive(Debug)]
struct Watcher {
    path: PathBuf,
    /// The newest text that was read whole.
    text: String,
    last: Last,
    known: Look,
    /// A look that differs from the known one, and since when.
    pending: Option<(Look, Stamp)>,
}

impl Watcher {
    /// Of the file at `path`, of which `text` is known. It may have changed since that was read.
    fn new(path: PathBuf, text: String) -> Self {
        Self::with(path, text, read)
    }

    /// The same, with the function that reads.
    fn with(path: PathBuf, text: String, read: impl FnOnce(&Path) -> Option<String>) -> Self {
        // Looked at first: what is written after the look is seen at the next one, whether it was read or not.
        let seen = look(&path);
        let same = read(&path).is_some_and(|now| now == text);
        let known = seen.filter(|_| same);
        Self { path, text, last: Last::Text, known, pending: None }
    }

    /// Looks at the file. Gives each change once, when the file has stayed the same for [`SETTLE`].
    fn look(&mut self, now: Stamp) -> Option<Changed> {
        let seen = look(&self.path);
        if !self.step(now, seen) {
            return None;
        }
        if seen.is_none() {
            return (std::mem::replace(&mut self.last, Last::Gone) != Last::Gone).then_some(Changed::Gone);
        }
        let text = read(&self.path);
        if look(&self.path) != seen {
            // It was written to while it was read, and what was read may be of both: it is looked at anew.
            return None;
        }
        self.news(text)
    }

    fn news(&mut self, text: Option<String>) -> Option<Changed> {
        let last = if text.is_some() { Last::Text } else { Last::Unreadable };
        let before = std::mem::replace(&mut self.last, last);
        match text {
            None => (before != last).then_some(Changed::Unreadable),
            Some(text) if text == self.text => (before != last).then_some(Changed::Back),
            Some(text) => {
                self.text.clone_from(&text);
                let loaded = Box::new(config::load(&text));
                Some(Changed::Text(text, loaded))
            }
        }
    }

    /// True once for each look that differs and has lasted.
    fn step(&mut self, now: Stamp, seen: Look) -> bool {
        if seen == self.known {
            self.pending = None;
            return false;
        }
        match self.pending {
            Some((pending, since)) if pending == seen => {
                let settled = now.since(since) >= SETTLE;
                if settled {
                    self.known = seen;
                    self.pending = None;
                }
                settled
            }
            _ => {
                self.pending = Some((seen, now));
                false
            }
        }
    }
}

/// The text of the file at `path`. `None` where it is no plain file, too large for a config, or not UTF-8: a pipe would
/// hold up the links for ever, and a huge file for too long. Nor is an empty one taken, which is how a file looks whose
/// writer is slow or died: it would be a config without a channel.
fn read(path: &Path) -> Option<String> {
    let about = fs::metadata(path).ok()?;
    let plain = about.is_file() && about.len() <= CONFIG_MAX;
    let text = plain.then(|| fs::read_to_string(path).ok())?;
    text.filter(|text| !text.trim().is_empty())
}

fn look(path: &Path) -> Look {
    let about = fs::metadata(path).ok()?;
    let (identity, length) = ([about.dev(), about.ino()], about.len());
    let times = [about.mtime(), about.mtime_nsec(), about.ctime(), about.ctime_nsec()];
    let [device, number] = identity.map(i128::from);
    let [modified, modified_part, changed, changed_part] = times.map(i128::from);
    Some([device, number, i128::from(length), modified, modified_part, changed, changed_part])
}

#[cfg(test)]
mod tests;
