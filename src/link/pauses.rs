//! When to try again, and when a port that says nothing is worth a word.
//!
//! Owns the two schedules of a link as plain state. In: instants. Out: pauses and what is due. Waits for nothing itself.

use std::time::Duration;

use tokio::time::Instant;

use crate::state::SILENT_AFTER;

/// Nothing for this long is told once.
const TOLD_AFTER: Duration = Duration::from_micros(SILENT_AFTER.unsigned_abs());
/// A silent port stays open for this long at first: opening may reset the board, which then needs seconds to speak.
const PATIENCE: Duration = Duration::from_secs(30);
/// The longest that a silent port stays open; between the two the time doubles.
const PATIENCE_MOST: Duration = Duration::from_secs(120);

/// A port that was just pulled out is back within a second when a jolt or a spark did it, so the first tries are dense.
const DENSE_FOR: Duration = Duration::from_secs(10);
const DENSE: Duration = Duration::from_millis(100);
const SPARSE: Duration = Duration::from_secs(1);

/// The pauses between tries to open a port: 100 ms for 10 s, then 1 s, for ever.
#[derive(Clone, Copy, Debug)]
pub struct Pauses {
    began: Instant,
}

impl Pauses {
    /// Tries that begin at `now`.
    pub const fn starting(now: Instant) -> Self {
        Self { began: now }
    }

    /// How long to wait after a try that failed at `now`.
    pub fn next(&self, now: Instant) -> Duration {
        if now.duration_since(self.began) < DENSE_FOR { DENSE } else { SPARSE }
    }
}

/// What is due on a port that says nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Due {
    /// Say that it is silent.
    Tell,
    /// Close it and open it again.
    Reopen,
}

/// How long an open port has said nothing.
#[derive(Clone, Copy, Debug)]
pub struct Silence {
    since: Instant,
    told: bool,
    patience: Duration,
}

impl Silence {
    /// A port that was opened at `now`.
    pub const fn starting(now: Instant) -> Self {
        Self { since: now, told: false, patience: PATIENCE }
    }

    /// Bytes came at `now`.
    pub const fn heard(&mut self, now: Instant) {
        *self = Self::starting(now);
    }

    /// The port was opened again at `now` because it was silent. It is not told again, and the next time is longer.
    pub fn reopened(&mut self, now: Instant) {
        self.since = now;
        self.patience = (self.patience * 2).min(PATIENCE_MOST);
    }

    /// When to look next.
    pub fn due(&self) -> Instant {
        self.since + if self.told { self.patience } else { TOLD_AFTER }
    }

    /// What is due at `now`.
    pub fn step(&mut self, now: Instant) -> Option<Due> {
        if now < self.due() {
            return None;
        }
        if self.told {
            return Some(Due::Reopen);
        }
        self.told = true;
        Some(Due::Tell)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tries_are_dense_for_ten_seconds_and_then_once_a_second() {
        let began = Instant::now();
        let pauses = Pauses::starting(began);
        assert_eq!(pauses.next(began), Duration::from_millis(100));
        assert_eq!(pauses.next(began + Duration::from_millis(9_999)), Duration::from_millis(100));
        assert_eq!(pauses.next(began + Duration::from_secs(10)), Duration::from_secs(1));
        assert_eq!(pauses.next(began + Duration::from_secs(86_400)), Duration::from_secs(1));
    }

    #[test]
    fn silence_is_told_at_five_seconds_and_the_port_reopened_after_30_60_120_120() {
        let mut now = Instant::now();
        let mut silence = Silence::starting(now);
        assert_eq!(silence.step(now + Duration::from_millis(4_999)), None);
        assert_eq!(silence.step(now + Duration::from_secs(5)), Some(Due::Tell));
        for seconds in [30, 60, 120, 120] {
            let end = now + Duration::from_secs(seconds);
            assert_eq!(silence.step(end - Duration::from_millis(1)), None, "{seconds}");
            assert_eq!(silence.step(end), Some(Due::Reopen), "{seconds}");
            now = end;
            silence.reopened(now);
        }
        silence.heard(now);
        assert_eq!(silence.due(), now + Duration::from_secs(5), "after bytes it begins anew");
    }
}
