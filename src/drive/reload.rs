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
    /// It cannot be read.
    Unreadable,
    /// Its text, and what it means.
    Text(String, Box<Loaded>),
}

/// Watches the config file at `path`, whose text is `known`, from a thread of its own, until the receiver is dropped: a
/// disk that hangs must not hold up whoever reads the ports.
pub fn watch(path: PathBuf, known: String, clock: Clock) -> io::Result<mpsc::UnboundedReceiver<Changed>> {
    let (sender, receiver) = mpsc::unbounded_channel();
    let mut watcher = Watcher::new(&path);
    thread::Builder::new().name("config".into()).spawn(move || {
        // It may have changed since it was read, before anyone watched.
        if read(&path).is_some_and(|text| text != known) {
            watcher.forget();
        }
        drop(known);
        while !sender.is_closed() {
            thread::sleep(LOOK);
            if watcher.changed(clock.now()) {
                let changed = read(&path).map_or(Changed::Unreadable, |text| {
                    let loaded = Box::new(config::load(&text));
                    Changed::Text(text, loaded)
                });
                // Where nobody listens any more the drive is over.
                let _ = sender.send(changed);
            }
        }
    })?;
    Ok(receiver)
}

/// What a file looks like from outside.
type Look = Option<(u64, u64, i64, i64)>;

/// The memory of how the config file looked.
#[derive(Debug)]
pub struct Watcher {
    path: PathBuf,
    known: Look,
    /// A look that differs from the known one, and since when.
    pending: Option<(Look, Stamp)>,
}

impl Watcher {
    /// Knows the file as it is now.
    pub fn new(path: &Path) -> Self {
        Self { path: path.to_owned(), known: look(path), pending: None }
    }

    /// Takes the file as it is now for a change.
    fn forget(&mut self) {
        self.known = None;
    }

    /// Looks at the file. True once for each change, when the file has stayed the same for [`SETTLE`].
    pub fn changed(&mut self, now: Stamp) -> bool {
        let seen = look(&self.path);
        self.step(now, seen)
    }

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
                // A file that vanished is no config: the one in force stays, and its return is the change.
                settled && seen.is_some()
            }
            _ => {
                self.pending = Some((seen, now));
                false
            }
        }
    }
}

/// The text of the file at `path`. `None` where it is no plain file, too large for a config, or not UTF-8: a pipe would
/// hold up the links for ever, and a huge file for too long.
fn read(path: &Path) -> Option<String> {
    let about = fs::metadata(path).ok()?;
    let plain = about.is_file() && about.len() <= CONFIG_MAX;
    plain.then(|| fs::read_to_string(path).ok())?
}

fn look(path: &Path) -> Look {
    let about = fs::metadata(path).ok()?;
    Some((about.ino(), about.len(), about.mtime(), about.mtime_nsec()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watcher() -> Watcher {
        Watcher { path: PathBuf::new(), known: Some((1, 10, 0, 0)), pending: None }
    }

    #[test]
    fn a_change_counts_once_it_has_settled() {
        let mut watcher = watcher();
        let new = Some((1, 12, 5, 0));
        assert!(!watcher.step(Stamp::from_millis(0), new));
        assert!(!watcher.step(Stamp::from_millis(299), new));
        assert!(watcher.step(Stamp::from_millis(300), new));
        assert!(!watcher.step(Stamp::from_millis(301), new));
    }

    #[test]
    fn a_file_that_changed_before_anyone_watched_counts_as_changed() {
        let mut watcher = watcher();
        watcher.forget();
        assert!(!watcher.step(Stamp::from_millis(0), Some((1, 10, 0, 0))));
        assert!(watcher.step(Stamp::from_millis(300), Some((1, 10, 0, 0))));
    }

    #[test]
    fn a_file_that_goes_on_changing_is_not_read() {
        let mut watcher = watcher();
        for ms in 0..1000 {
            assert!(!watcher.step(Stamp::from_millis(ms), Some((1, 10, ms, 1))));
        }
    }

    #[test]
    fn a_file_that_vanished_is_not_read_until_it_is_back() {
        let mut watcher = watcher();
        assert!(!watcher.step(Stamp::from_millis(0), None));
        assert!(!watcher.step(Stamp::from_millis(400), None));
        let back = Some((2, 10, 9, 0));
        assert!(!watcher.step(Stamp::from_millis(500), back));
        assert!(watcher.step(Stamp::from_millis(800), back));
    }
}
