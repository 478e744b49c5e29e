//! How long a port may be left alone in the middle of a line.
//!
//! A line comes in many small pieces, and to wake for each of them costs more than all else that is done with the line.
//! Owns what was learned of a link's lines: how long they are, and whether they come as slowly as the speed of the port
//! says. In: bytes, and when they came. Out: a pause that ends before the line can. Waits for nothing itself.

use std::time::Duration;

use tokio::time::Instant;

/// So many bytes before the expected end of a line the pauses end: lines differ in length, and adapters hand on what
/// they have gathered. In doubt this costs a few wakes, never a late line.
const SPARE: usize = 16;
/// The longest pause, in ms. A line that is shorter than those before it is late by no more than this, once.
const MOST_MS: usize = 4;
/// After bytes that came faster than the speed of the port allows (a USB device may call any speed its own), so many
/// lines are read without a pause. A line that such a port makes late is then one among more than a hundred.
const WARY_LINES: u32 = 256;
/// Bits that a byte takes on the wire: with its start and its stop.
const BITS: usize = 10;

/// What was learned since the port was opened.
#[derive(Clone, Debug)]
pub struct Pace {
    /// Bits for each second; 0: not known, no pauses.
    baud: usize,
    /// How long the next line is at least, LF included. Falls to a shorter line at once and rises by a byte with each
    /// longer one, so that it begins at nothing and trusts a length only after many lines.
    shortest: usize,
    /// Bytes of the line that has begun.
    begun: usize,
    /// So many lines are to be read without a pause.
    wary: u32,
    /// The last read, where a pause was asked for behind it.
    paused: Option<Instant>,
}

impl Pace {
    /// A port of `baud` bits for each second, at the beginning of a line.
    pub fn starting(baud: Option<u32>) -> Self {
        let baud = baud.and_then(|baud| usize::try_from(baud).ok()).unwrap_or(0);
        Self { baud, shortest: 0, begun: 0, wary: 0, paused: None }
    }

    /// `bytes` came, and were read at `now`. Gives for how long nothing needs to be read.
    pub fn took(&mut self, now: Instant, bytes: &[u8]) -> Option<Duration> {
        if let Some(since) = self.paused.take()
            && bytes.len() > self.most_within(now - since) + SPARE
        {
            self.wary = WARY_LINES;
        }
        for part in bytes.split_inclusive(|byte| *byte == b'\n') {
            self.begun = self.begun.saturating_add(part.len());
            if part.ends_with(b"\n") {
                self.shortest = self.begun.min(self.shortest + 1);
                self.begun = 0;
                self.wary = self.wary.saturating_sub(1);
            }
        }
        let pause = self.pause();
        self.paused = pause.map(|_| now);
        pause
    }

    /// The most bytes that the wire can carry within `time`.
    fn most_within(&self, time: Duration) -> usize {
        let micros = usize::try_from(time.as_micros()).unwrap_or(usize::MAX);
        micros.saturating_mul(self.baud) / (BITS * 1_000_000)
    }

    fn pause(&self) -> Option<Duration> {
        if self.begun == 0 || self.baud == 0 || self.wary > 0 {
            return None;
        }
        let missing = self.shortest.saturating_sub(self.begun + SPARE);
        match (missing * BITS * 1000 / self.baud).min(MOST_MS) {
            0 => None,
            // tokio's timers go in whole milliseconds and round up: this is over after `ms` at the latest.
            ms => Some(Duration::from_millis(ms as u64 - 1) + Duration::from_nanos(1)),
        }
    }
}
