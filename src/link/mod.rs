//! Serial ports and pseudo-terminals: the only place that reads bytes live.
//!
//! Owns opening and reopening, the reading loop, and the writing of commands. In: a device's name or pattern, commands.
//! Out: [`Event`]s with the instant they happened, handed to a [`Sink`] at once. Decodes nothing, records nothing, and
//! never waits for whoever listens. Everything here runs on one thread, several links side by side.

mod explain;
mod holders;
mod line;
mod open;
mod pace;
mod pattern;
mod pauses;
pub mod pty;
mod serial;
mod writing;

use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::rc::Rc;

use tokio::sync::{mpsc, watch};

use crate::config::LinkId;
use crate::state::Trouble;
use crate::time::Stamp;
use crate::time::system::Clock;

pub use explain::{Surroundings, explain};
pub use line::{Port, run_with};
pub use open::open;
pub use pattern::first_match;
pub use serial::Serial;

/// What must be known to open a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// The path of the device, or a pattern with `*`, `?` and `[…]` whose first match in sorted order is opened.
    pub device: String,
    /// Bits for each second; any number that the kernel takes.
    pub baud: u32,
}

/// What happens on a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event<'a> {
    /// The port is open. A port that is opened again because it was silent is told with its first bytes.
    Up {
        /// The name under which it was found.
        device: &'a Path,
    },
    /// Bytes came, as many as were there.
    Bytes(&'a [u8]),
    /// This command has gone to the port whole.
    Sent(&'a [u8]),
    /// The port is not open. Told once for each change of the reason, not for each try.
    Down(Trouble),
    /// The port is open and nothing came for [`crate::state::SILENT_AFTER`]. Told once, until bytes come or the port goes.
    Silent,
}

/// Whoever wants to know what happens on a link. Must not wait: the port is read by the same thread.
pub trait Sink {
    /// `event` happened on `link` at `now`, on the computer's timeline.
    fn event(&mut self, link: LinkId, now: Stamp, event: Event<'_>);
}

/// A command on its way to the controller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outgoing {
    /// When it was decided. Once it is older than 200 ms it is not written any more.
    pub made: Stamp,
    /// The whole line, with its LF.
    pub bytes: Vec<u8>,
}

/// Keeps one link open until `stop` becomes true (or its sender goes): finds the port, opens it, hands on what comes,
/// writes `commands`, and looks for it again when it goes. Commands that come while the port is away are thrown away.
///
/// At `stop`, commands that already wait and are fresh are still written, for at most 200 ms.
pub async fn run(
    link: LinkId,
    settings: Settings,
    clock: Clock,
    sink: Rc<RefCell<impl Sink>>,
    commands: mpsc::Receiver<Outgoing>,
    stop: watch::Receiver<bool>,
) {
    let opener = move || -> Result<(PathBuf, Serial), Trouble> {
        let device = first_match(&settings.device).ok_or(Trouble::NoDevice)?;
        let port = open(&device, settings.baud)?;
        Ok((device, port))
    };
    run_with(link, opener, clock, sink, commands, stop).await;
}
