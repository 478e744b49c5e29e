//! The recorder: everything that comes is put into memory at once, and a thread of its own makes it safe each second.
//!
//! Owns the thread, the memory that lines wait in, and the state that the screen shows. Whoever hands a line over waits
//! for a copy in memory and never for the disk. Decodes nothing.

use std::path::PathBuf;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use serde::Serialize;

use super::disk::{Disk, Folder};
use super::format::Mark;
use super::note::Told;
use super::ring::Ring;
use super::writer::{Setup, Writer, rfc_3339};
use crate::state::Recording;
use crate::time::system::Clock;
use crate::time::{Micros, Stamp};

/// What waits is made safe so often.
const EVERY: Duration = Duration::from_secs(1);
/// So many waiting bytes are made safe at once.
const HURRY: usize = 256 * 1024;

/// A running recording.
///
/// Its timeline is that of the clock that is handed in, so that a replay hands the core the very instants that the
/// drive did.
#[derive(Debug)]
pub struct Recorder {
    handover: Arc<Handover>,
}

/// Where the drive leaves lines and the thread picks them up.
#[derive(Debug)]
struct Handover {
    tray: Mutex<Tray>,
    /// Something is to be done before the second is over, or was done.
    bell: Condvar,
}

#[derive(Debug)]
struct Tray {
    fresh: Ring,
    state: Recording,
    safe: Stamp,
    /// For the heads to come.
    wall: Option<(Stamp, jiff::Timestamp)>,
    /// Nothing is written yet: it all waits in memory.
    held: bool,
    closing: bool,
    closed: bool,
}

impl Recorder {
    /// Begins a drive in `folder`, which is made where it is not there. Never fails: what is wrong with the disk is
    /// told by [`Recorder::state`], and tried again each second.
    pub fn start(folder: PathBuf, setup: Setup, clock: Clock) -> Self {
        Self::start_on(Folder::new(folder), setup, clock)
    }

    /// The same, but nothing is written before [`Recorder::release`], and nothing ever where that does not come: a drive
    /// that ends before it began takes no number.
    pub fn start_held(folder: PathBuf, setup: Setup, clock: Clock) -> Self {
        Self::begin(Folder::new(folder), setup, clock, true)
    }

    /// What waits may be written now.
    pub fn release(&self) {
        self.handover.lock().held = false;
        self.handover.bell.notify_all();
    }

    /// As [`Recorder::start`] on any disk.
    pub fn start_on(disk: impl Disk + 'static, setup: Setup, clock: Clock) -> Self {
        Self::begin(disk, setup, clock, false)
    }

    fn begin(disk: impl Disk + 'static, setup: Setup, clock: Clock, held: bool) -> Self {
        let tray = Tray {
            fresh: Ring::new(),
            state: Recording::Off,
            safe: Stamp(0),
            wall: None,
            held,
            closing: false,
            closed: false,
        };
        let handover = Arc::new(Handover { tray: Mutex::new(tray), bell: Condvar::new() });
        let writer = Writer::new(disk, setup);
        let theirs = Arc::clone(&handover);
        let spawned = thread::Builder::new().name("recorder".into()).spawn(move || run(&theirs, writer, clock));
        if let Err(error) = spawned {
            let mut tray = handover.lock();
            tray.state = Recording::Stopped(crate::state::WhyStopped::Failed(error.raw_os_error().unwrap_or(0)));
            tray.closed = true;
        }
        Self { handover }
    }

    /// Keeps a line that came (`Mark::Received`) or went (`Mark::Sent`) over `link` at `now`, without its CR and LF.
    /// Of a line that is too long its first 1,024 bytes. Never waits for the disk, allocates nothing.
    pub fn line(&self, now: Stamp, link: &str, mark: Mark, bytes: &[u8]) {
        let mut tray = self.handover.lock();
        tray.fresh.push(now, link, mark, bytes);
        if tray.fresh.len() > HURRY {
            self.handover.bell.notify_all();
        }
    }

    /// Writes a note down: a [`Told`], or anything that becomes a JSON object with `note`. `link` is `-` where it
    /// concerns none.
    pub fn note(&self, now: Stamp, link: &str, note: &impl Serialize) {
        if let Ok(json) = serde_json::to_vec(note) {
            self.handover.lock().fresh.push(now, link, Mark::Note, &json);
        }
    }

    /// The config file changed and is in force from `now` on: noted, and in the heads to come.
    pub fn config(&self, now: Stamp, text: &str) {
        let Ok(json) = serde_json::to_vec(&Told::Config { config: text }) else { return };
        self.handover.lock().fresh.push_config(now, &json, text);
    }

    /// The computer got a time of day that can be trusted: noted, and in the heads to come.
    pub fn wall(&self, now: Stamp, wall: jiff::Timestamp) {
        self.note(now, "-", &Told::Clock { wall: &rfc_3339(wall) });
        self.handover.lock().wall = Some((now, wall));
    }

    /// What the recorder does, for the snapshot. `Off` only until the first file is there.
    pub fn state(&self) -> Recording {
        self.handover.lock().state
    }

    /// How long ago the last second was made safe: over a second or two the card is slow.
    pub fn behind(&self, now: Stamp) -> Micros {
        now.since(self.handover.lock().safe).max(0)
    }

    /// Ends the recording well, waiting at most `patience` for the disk. False where that was too short: what is safe
    /// stays safe, and the recording reads as one that the power ended.
    pub fn close(self, patience: Duration) -> bool {
        let until = Instant::now() + patience;
        let mut tray = self.handover.lock();
        tray.closing = true;
        self.handover.bell.notify_all();
        while !tray.closed {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            tray = self.handover.bell.wait_timeout(tray, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        matches!(tray.state, Recording::On { .. })
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.handover.lock().closing = true;
        self.handover.bell.notify_all();
    }
}

impl Handover {
    fn lock(&self) -> MutexGuard<'_, Tray> {
        // A panic while a line was put down leaves at worst that line behind.
        self.tray.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits until `due`, unless there is a hurry; then takes what waits into `taken`. True when closing.
    fn take(&self, due: Instant, taken: &mut Ring, writer: &mut Writer<impl Disk>) -> bool {
        let mut tray = self.lock();
        loop {
            let left = due.saturating_duration_since(Instant::now());
            if tray.closing || !tray.held && (left.is_zero() || tray.fresh.len() > HURRY) {
                break;
            }
            let left = if tray.held { EVERY } else { left };
            tray = self.bell.wait_timeout(tray, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        std::mem::swap(&mut tray.fresh, taken);
        if let Some((at, wall)) = tray.wall.take() {
            writer.set_wall(at, wall);
        }
        tray.closing
    }
}

fn run(handover: &Handover, mut writer: Writer<impl Disk>, clock: Clock) {
    let mut taken = Ring::new();
    let mut due = Instant::now();
    loop {
        let closing = handover.take(due, &mut taken, &mut writer);
        if handover.lock().held {
            // It ends before it began.
            handover.lock().closed = true;
            return handover.bell.notify_all();
        }
        due = Instant::now() + EVERY;
        let now = clock.now();
        let state = if closing { writer.finish(now, &mut taken) } else { writer.step(now, &mut taken) };
        let mut tray = handover.lock();
        (tray.state, tray.safe, tray.closed) = (state, writer.safe(), closing);
        if closing {
            handover.bell.notify_all();
            return;
        }
    }
}
