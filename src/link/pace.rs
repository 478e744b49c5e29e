//! How long a port may be left alone in the middle of a line.
//!
//! A line comes in many small pieces, and to wake for each of them costs more than all else that is done with the line.
//! Owns what was learned of a link: how soon after its first piece a line ends at the earliest. In: bytes, and when they
//! came. Out: a pause that is over before the line is. Waits for nothing itself, and believes no setting: a USB device
//! may be far faster than the speed that it was set to.

use std::time::Duration;

use tokio::time::Instant;

/// A pause is over so long before the line can end; what comes then is waited for piece by piece.
const SPARE: Duration = Duration::from_micros(300);
/// A shorter pause saves nothing.
const LEAST: Duration = Duration::from_micros(700);
/// A longer one is not made: when lines become shorter all at once, the first is late by no more than this.
const MOST: Duration = Duration::from_millis(4);
/// With each line the span grows by so much, unless the line itself was shorter.
const GROWTH: Duration = Duration::from_micros(20);
/// A line that ended during a pause takes so much off the span: at most one in fifty lines is late, by a millisecond.
const STEP_BACK: Duration = Duration::from_millis(1);

/// What was learned since the port was opened.
#[derive(Clone, Debug)]
pub struct Pace {
    /// From the first piece of a line to its end at the earliest. Begins at nothing.
    span: Duration,
    /// When the first piece of the line at hand came.
    began: Instant,
    /// Bytes of the line at hand, so far.
    begun: usize,
    /// Bytes of the line before.
    length: usize,
    /// The line at hand began with much of it: it comes in few pieces, or is read late. No pause.
    quick: bool,
    /// The last read was to be followed by a pause.
    paused: bool,
}

impl Pace {
    /// A port at the beginning of a line, of which nothing is known.
    pub const fn starting(now: Instant) -> Self {
        Self { span: Duration::ZERO, began: now, begun: 0, length: 0, quick: false, paused: false }
    }

    /// `bytes` came, and were read at `now`. Gives for how long nothing needs to be read.
    pub fn took(&mut self, now: Instant, bytes: &[u8]) -> Option<Duration> {
        let paused = std::mem::take(&mut self.paused);
        for part in bytes.split_inclusive(|byte| *byte == b'\n') {
            let is_first = self.begun == 0;
            self.begun = self.begun.saturating_add(part.len());
            if part.ends_with(b"\n") {
                if !is_first {
                    self.learn(now, paused);
                }
                self.length = std::mem::take(&mut self.begun);
            } else if is_first {
                self.began = now;
                self.quick = part.len() > self.length / 4;
            }
        }
        let pause = self.pause(now);
        self.paused = pause.is_some();
        pause
    }

    /// A line of several pieces ended.
    fn learn(&mut self, now: Instant, paused: bool) {
        self.span =
            if paused { self.span.saturating_sub(STEP_BACK) } else { (now - self.began).min(self.span + GROWTH) };
    }

    fn pause(&self, now: Instant) -> Option<Duration> {
        if self.begun == 0 || self.quick {
            return None;
        }
        let left = (self.began + self.span).saturating_duration_since(now).saturating_sub(SPARE);
        (left >= LEAST).then_some(left.min(MOST))
    }
}
