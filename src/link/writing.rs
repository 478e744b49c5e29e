//! The one command that is being written to a port.
//!
//! Owns its bytes, how far it has gone, and when to give up. In: commands, counts of bytes that went. Out: what is still to
//! be written. Writes nothing itself.

use std::time::Duration;

use tokio::time::Instant;

/// The longest that a write may take.
pub const WRITE_TIMEOUT: Duration = Duration::from_millis(200);

/// The one command that is being written.
pub struct Writing {
    bytes: Vec<u8>,
    /// Where the command begins in `bytes`: after the LF that ends a torn one.
    from: usize,
    /// How much of `bytes` has gone.
    at: usize,
    /// When to give up.
    pub deadline: Instant,
    /// A command was cut off: the next one ends it with an LF first, so that the two are not read as one line.
    pub torn: bool,
}

impl Default for Writing {
    fn default() -> Self {
        Self { bytes: Vec::new(), from: 0, at: 0, deadline: Instant::now(), torn: false }
    }
}

impl Writing {
    /// Something is still to be written.
    pub fn is_busy(&self) -> bool {
        self.at < self.bytes.len()
    }

    /// What is still to be written.
    pub fn rest(&self) -> &[u8] {
        &self.bytes[self.at..]
    }

    /// The command itself, without the LF that may stand before it.
    pub fn command(&self) -> &[u8] {
        &self.bytes[self.from..]
    }

    /// How long ago the last write began; zero before the first.
    pub fn stood_since(&self, now: Instant) -> Duration {
        (now + WRITE_TIMEOUT).saturating_duration_since(self.deadline)
    }

    /// `command` is written next; its time runs from `now`.
    pub fn begin(&mut self, command: &[u8], now: Instant) {
        self.bytes.clear();
        if self.torn {
            self.bytes.push(b'\n');
        }
        self.from = self.bytes.len();
        self.bytes.extend_from_slice(command);
        self.at = 0;
        self.deadline = now + WRITE_TIMEOUT;
    }

    /// `count` more bytes have gone. True where that was the last of them.
    pub fn advance(&mut self, count: usize) -> bool {
        self.at = (self.at + count).min(self.bytes.len());
        if self.at >= self.from {
            self.torn = false;
        }
        !self.is_busy()
    }

    /// Throws the rest away.
    pub fn give_up(&mut self) {
        // Whether the LF of an earlier torn command has gone is told by `torn` itself.
        self.torn |= self.at > self.from;
        self.bytes.clear();
        self.from = 0;
        self.at = 0;
    }
}
