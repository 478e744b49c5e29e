//! How old a reading may be, from how often it usually comes.
//!
//! Owns the last sixteen intervals of a link or of one field. Times are the link's own; no clock is asked.

use crate::time::{Micros, SECOND};

/// How many intervals make the usual one known.
const KEPT: usize = 16;
/// Least age that counts as too old.
const LEAST: Micros = SECOND / 2;
/// Age that counts as too old while the usual interval is not known.
const UNKNOWN: Micros = 2 * SECOND;

/// The last intervals between readings: of a link, or of one field that does not come with each of them.
#[derive(Clone, Debug, Default)]
pub(super) struct Intervals {
    /// When the newest reading was; `None` before the first.
    last: Option<Micros>,
    /// Whether the next interval would be one within the same run of the controller.
    joined: bool,
    known: u8,
    next: u8,
    kept: [Micros; KEPT],
}

impl Intervals {
    /// A reading at `at`, null or not.
    pub fn hear(&mut self, at: Micros) {
        if let Some(last) = self.last.replace(at)
            && self.joined
        {
            self.kept[usize::from(self.next)] = at - last;
            self.next = (self.next + 1) % 16;
            self.known = (self.known + 1).min(16);
        }
        self.joined = true;
    }

    /// The controller restarted: what it did before says nothing about what it will do.
    pub fn restarted(&mut self) {
        (self.known, self.next, self.joined) = (0, 0, false);
    }

    /// Whether the next reading begins a run of the controller.
    pub fn at_beginning(&self) -> bool {
        !self.joined
    }

    /// How long ago the newest reading was, µs; 0 before the first.
    pub fn age(&self, at: Micros) -> Micros {
        self.last.map_or(0, |last| at - last)
    }

    /// Whether the newest reading is too old at `at` by the rule for what names no age itself.
    pub fn is_too_old(&self, at: Micros) -> bool {
        let age = self.age(at);
        age > LEAST && age > self.limit()
    }

    fn limit(&self) -> Micros {
        if usize::from(self.known) < KEPT { UNKNOWN } else { self.five_medians().max(LEAST) }
    }

    fn five_medians(&self) -> Micros {
        let mut sorted = self.kept;
        sorted.sort_unstable();
        (sorted[KEPT / 2 - 1].saturating_add(sorted[KEPT / 2])).saturating_mul(5) / 2
    }
}

/// When one channel's field came, and how old it may become.
///
/// A field that comes with each reading of its link needs no memory of its own: `pace`, the link's intervals, are its.
#[derive(Clone, Debug)]
pub(super) struct Freshness {
    fixed: Option<Micros>,
    /// It came with each reading since the controller's run, or hearing it, began.
    with_each: bool,
    own: Intervals,
}

impl Freshness {
    /// Nothing came yet. `fixed`: the age from the config, µs.
    pub fn new(fixed: Option<Micros>) -> Self {
        Self { fixed, with_each: false, own: Intervals::default() }
    }

    /// The field came with the reading at `at`, null or not. `pace` has not heard of that reading yet.
    /// Gives whether the field had been too old just before.
    #[inline]
    pub fn hear(&mut self, at: Micros, pace: &Intervals) -> bool {
        if self.with_each && !pace.at_beginning() {
            // No age that is too old is shorter, so the median is seldom looked at.
            return pace.age(at) > self.least() && self.is_stale(at, pace);
        }
        let was_stale = self.is_stale(at, pace);
        if pace.at_beginning() {
            self.with_each = true;
        } else {
            self.own.hear(at);
        }
        was_stale
    }

    /// Whether it came with each reading since the controller's run, or hearing it, began. Then [`Freshness::hear`] has
    /// nothing to note, and gives `false` for every reading that comes within [`Freshness::least`].
    #[inline]
    pub fn is_with_each(&self) -> bool {
        self.with_each
    }

    /// A reading came without the field. `pace` has not heard of that reading yet.
    #[inline]
    pub fn miss(&mut self, pace: &Intervals) {
        if self.with_each {
            (self.with_each, self.own) = (false, pace.clone());
        }
    }

    /// The controller restarted; `pace` has been told already.
    pub fn restarted(&mut self) {
        self.own.restarted();
    }

    /// An instant up to which the reading surely counts, where it counts at `at`; the last such one where `at` is near
    /// enough to it that the median must be looked at. `None` before the first reading.
    pub fn good_until(&self, at: Micros, pace: &Intervals) -> Option<Micros> {
        let intervals = self.intervals(pace);
        let last = intervals.last?;
        let age = if at - last <= self.least() { self.least() } else { self.limit(intervals) };
        Some(last.saturating_add(age))
    }

    /// The last instant at which the reading counts if nothing more comes; `None` before the first reading.
    pub fn counts_until(&self, pace: &Intervals) -> Option<Micros> {
        let intervals = self.intervals(pace);
        Some(intervals.last?.saturating_add(self.limit(intervals)))
    }

    /// Whether the reading is too old at `at`. The median is not looked at before it can matter.
    pub fn is_stale(&self, at: Micros, pace: &Intervals) -> bool {
        let intervals = self.intervals(pace);
        let age = intervals.age(at);
        age > self.least() && age > self.limit(intervals)
    }

    /// No age up to this one is ever too old.
    pub fn least(&self) -> Micros {
        self.fixed.unwrap_or(LEAST)
    }

    fn intervals<'a>(&'a self, pace: &'a Intervals) -> &'a Intervals {
        if self.with_each { pace } else { &self.own }
    }

    fn limit(&self, intervals: &Intervals) -> Micros {
        self.fixed.unwrap_or_else(|| intervals.limit())
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    /// A field and the pace of its link, which has `others` readings besides in each interval.
    struct Field {
        freshness: Freshness,
        pace: Intervals,
        at: Micros,
    }

    impl Field {
        fn new(fixed: Option<Micros>) -> Self {
            Self { freshness: Freshness::new(fixed), pace: Intervals::default(), at: 0 }
        }

        fn read(&mut self, at: Micros, carries: bool) -> bool {
            let was_stale = carries && self.freshness.hear(at, &self.pace);
            if !carries {
                self.freshness.miss(&self.pace);
            }
            self.pace.hear(at);
            self.at = at;
            was_stale
        }

        fn restarted(&mut self) {
            self.pace.restarted();
            self.freshness.restarted();
        }

        fn is_stale(&self, at: Micros) -> bool {
            self.freshness.is_stale(at, &self.pace)
        }
    }

    /// Heard at 0 and then after each of `intervals`: with each reading, and with one that lacks it in between.
    fn after(intervals: &[Micros], fixed: Option<Micros>) -> [Field; 2] {
        [false, true].map(|between| {
            let mut field = Field::new(fixed);
            field.read(0, true);
            for interval in intervals {
                if between {
                    field.read(field.at + interval / 2, false);
                    field.read(field.at + interval - interval / 2, true);
                } else {
                    field.read(field.at + interval, true);
                }
            }
            field
        })
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
        for field in after(intervals, None) {
            assert!(!field.is_stale(field.at + limit));
            assert!(field.is_stale(field.at + limit + 1));
            let until = |age| field.freshness.good_until(field.at + age, &field.pace);
            assert_eq!(until(500_000), Some(field.at + 500_000));
            assert_eq!(until(500_001), Some(field.at + limit));
        }
    }

    #[test]
    fn a_fixed_age_from_the_config_is_the_age() {
        for field in after(&[20_000; 30], Some(70_000)) {
            assert!(!field.is_stale(field.at + 70_000));
            assert!(field.is_stale(field.at + 70_001));
        }
    }

    #[test]
    fn only_the_last_sixteen_intervals_count() {
        for mut field in after(&[3_000_000; 40], None) {
            for _ in 0..16 {
                field.read(field.at + 20_000, true);
            }
            assert!(field.is_stale(field.at + 500_001));
        }
    }

    #[test]
    fn a_restart_forgets_the_intervals_and_the_one_that_spans_it() {
        for mut field in after(&[20_000; 30], None) {
            field.restarted();
            assert!(!field.is_stale(field.at + 2_000_000), "nothing is known again");
            for heard in 1..=17 {
                field.read(field.at + 20_000, true);
                assert_eq!(field.is_stale(field.at + 2_000_000), heard == 17, "after {heard} readings");
            }
        }
    }

    #[test]
    fn a_field_that_a_restart_leaves_out_is_held_from_before() {
        for mut field in after(&[20_000; 30], None) {
            let last = field.at;
            field.restarted();
            field.read(last + 1_000_000, false);
            assert!(!field.is_stale(last + 2_000_000));
            assert!(field.is_stale(last + 2_000_001));
        }
    }

    #[test]
    fn a_field_that_never_came_is_not_stale() {
        let mut field = Field::new(None);
        field.read(0, false);
        assert!(!field.is_stale(Micros::MAX));
        assert_eq!(field.freshness.good_until(7, &field.pace), None);
    }

    #[test]
    fn hearing_again_says_whether_it_had_been_too_old() {
        for again in [500_000, 500_001] {
            for mut field in after(&[20_000; 16], None) {
                assert_eq!(field.read(field.at + again, true), again > 500_000);
            }
        }
    }
}
