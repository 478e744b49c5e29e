//! The only file that asks the system for the time.
//!
//! Owns the monotonic clock that live driving stamps arrivals with, and the reading of the wall clock for labels.
//! Nothing in the core calls it; tasks hand its answers in.

use std::time::{Duration, Instant};

use super::{Micros, Stamp};

/// The computer's monotonic clock, counted from when it was made.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    began: Instant,
}

impl Clock {
    /// A clock that reads 0 now.
    pub fn start() -> Self {
        Self { began: Instant::now() }
    }

    /// Now, on the timeline that began with [`Clock::start`].
    pub fn now(&self) -> Stamp {
        Stamp(i64::try_from(self.began.elapsed().as_micros()).unwrap_or(Micros::MAX))
    }

    /// The `Instant` of `stamp`, for timers; the beginning where `stamp` lies before it or beyond what the system knows.
    pub fn instant(&self, stamp: Stamp) -> Instant {
        let passed = Duration::from_micros(u64::try_from(stamp.0).unwrap_or(0));
        self.began.checked_add(passed).unwrap_or(self.began)
    }
}

/// The wall clock, for labels only; it may jump by years and nothing but labels depends on it.
pub fn wall() -> jiff::Timestamp {
    jiff::Timestamp::now()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_instant_is_as_far_from_the_beginning_as_its_stamp() {
        let clock = Clock::start();
        assert_eq!(clock.instant(Stamp::from_millis(250)).duration_since(clock.began), Duration::from_millis(250));
        assert_eq!(clock.instant(Stamp::from_millis(-250)), clock.began);
    }

    #[test]
    fn the_clock_never_goes_back() {
        let clock = Clock::start();
        let first = clock.now();
        assert!(first >= Stamp(0) && clock.now() >= first);
    }
}
