//! How old a reading may be, from how often it usually comes.
//!
//! Owns the last sixteen intervals of one channel. Times are the link's own; no clock is asked.

use crate::time::{Micros, SECOND};

/// How many intervals make the usual one known.
const KEPT: usize = 16;
/// Least age that counts as too old.
const LEAST: Micros = SECOND / 2;
/// Age that counts as too old while the usual interval is not known.
const UNKNOWN: Micros = 2 * SECOND;

/// When one channel's field came, and how old it may become.
#[derive(Clone, Debug)]
pub(super) struct Freshness {
    fixed: Option<Micros>,
    /// When the field last came; `None` before the first.
    last: Option<Micros>,
    /// Whether the next interval would be one within the same run of the controller.
    joined: bool,
    known: u8,
    next: u8,
    intervals: [Micros; KEPT],
}

impl Freshness {
    /// Nothing came yet. `fixed`: the age from the config, µs.
    pub fn new(fixed: Option<Micros>) -> Self {
        Self { fixed, last: None, joined: false, known: 0, next: 0, intervals: [0; KEPT] }
    }

    /// The field came at `at`, null or not. Gives whether it had been too old just before.
    #[inline]
    pub fn hear(&mut self, at: Micros) -> bool {
        let Some(last) = self.last.replace(at) else {
            self.joined = true;
            return false;
        };
        let interval = at - last;
        let was_stale = interval > self.least() && interval > self.limit();
        if self.joined {
            self.intervals[usize::from(self.next)] = interval;
            self.next = (self.next + 1) % 16;
            self.known = (self.known + 1).min(16);
        }
        self.joined = true;
        was_stale
    }

    /// The controller restarted: what it did before says nothing about what it will do.
    pub fn restarted(&mut self) {
        (self.known, self.next, self.joined) = (0, 0, false);
    }

    /// The last instant at which the reading still counts; `None` before the first.
    pub fn good_until(&self) -> Option<Micros> {
        self.last.map(|last| last.saturating_add(self.limit()))
    }

    /// Whether the reading is too old at `at`. The median is not looked at before it can matter.
    pub fn is_stale(&self, at: Micros) -> bool {
        self.last.is_some_and(|last| at - last > self.least() && at - last > self.limit())
    }

    /// No age up to this one is ever too old.
    pub fn least(&self) -> Micros {
        self.fixed.unwrap_or(LEAST)
    }

    fn limit(&self) -> Micros {
        match self.fixed {
            Some(fixed) => fixed,
            None if usize::from(self.known) < KEPT => UNKNOWN,
            None => self.five_medians().max(LEAST),
        }
    }

    fn five_medians(&self) -> Micros {
        let mut sorted = self.intervals;
        sorted.sort_unstable();
        (sorted[KEPT / 2 - 1].saturating_add(sorted[KEPT / 2])).saturating_mul(5) / 2
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    /// Heard at 0 and then after each of `intervals`; gives it with the last instant.
    fn after(intervals: &[Micros], fixed: Option<Micros>) -> (Freshness, Micros) {
        let mut freshness = Freshness::new(fixed);
        let mut at = 0;
        freshness.hear(at);
        for interval in intervals {
            at += interval;
            freshness.hear(at);
        }
        (freshness, at)
    }

    // The rule of `stale` in the config, version 1: five times the median of the last 16, at least 500 ms, 2 s before.
    #[rstest]
    #[case::nothing_known(&[], 2_000_000)]
    #[case::fifteen_intervals(&[20_000; 15], 2_000_000)]
    #[case::sixteen_fast_ones(&[20_000; 16], 500_000)]
    #[case::sixteen_slow_ones(&[1_000_000; 16], 5_000_000)]
    #[case::one_outlier(&[1_000_000, 1_000_000, 1_000_000, 1_000_000, 1_000_000, 1_000_000, 1_000_000, 1_000_000, 900_000_000,
        1_000_000, 1_000_000, 1_000_000, 1_000_000, 1_000_000, 1_000_000, 1_000_000], 5_000_000)]
    #[case::mean_of_the_middle_two(&[100_000, 100_000, 100_000, 100_000, 100_000, 100_000, 100_000, 100_000, 300_000,
        300_000, 300_000, 300_000, 300_000, 300_000, 300_000, 300_000], 1_000_000)]
    fn a_reading_counts_for_so_long(#[case] intervals: &[Micros], #[case] limit: Micros) {
        let (freshness, at) = after(intervals, None);
        assert!(!freshness.is_stale(at + limit));
        assert!(freshness.is_stale(at + limit + 1));
        assert_eq!(freshness.good_until(), Some(at + limit));
    }

    #[test]
    fn a_fixed_age_from_the_config_is_the_age() {
        let (freshness, at) = after(&[20_000; 30], Some(70_000));
        assert!(!freshness.is_stale(at + 70_000));
        assert!(freshness.is_stale(at + 70_001));
    }

    #[test]
    fn only_the_last_sixteen_intervals_count() {
        let (mut freshness, mut at) = after(&[3_000_000; 40], None);
        for _ in 0..16 {
            at += 20_000;
            freshness.hear(at);
        }
        assert!(freshness.is_stale(at + 500_001));
    }

    #[test]
    fn a_restart_forgets_the_intervals_and_the_one_that_spans_it() {
        let (mut freshness, mut at) = after(&[20_000; 30], None);
        freshness.restarted();
        assert!(!freshness.is_stale(at + 2_000_000), "nothing is known again");
        for heard in 1..=17 {
            at += 20_000;
            freshness.hear(at);
            assert_eq!(freshness.is_stale(at + 2_000_000), heard == 17, "after {heard} readings");
        }
    }

    #[test]
    fn a_field_that_never_came_is_not_stale() {
        assert!(!Freshness::new(None).is_stale(Micros::MAX));
        assert_eq!(Freshness::new(None).good_until(), None);
    }

    #[test]
    fn hearing_again_says_whether_it_had_been_too_old() {
        let (mut freshness, at) = after(&[20_000; 16], None);
        assert!(!freshness.clone().hear(at + 500_000));
        assert!(freshness.hear(at + 500_001));
    }
}
