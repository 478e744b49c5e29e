//! How long a reading waited on its way, by the two clocks.
//!
//! Owns the distance between the computer's clock and a link's own timeline, as the last reading that came in time shows
//! it. In: where readings lie, and when they came. Out: how late each is. Pure: asks no time.
//!
//! Lines wait where the program gets no turn: the computer sleeps, or is stopped. They are then taken all at once, and
//! what they say was true when they were sampled. Nothing else makes lines late for long, so lateness is believed only
//! shortly after a pause without lines; what stays behind after that is the controller's clock, not the line. A clock that
//! stays behind over one pause after the other stands still in them, as that of a sketch that sleeps between its lines does.

use std::cmp::Ordering;

use crate::time::{MILLISECOND, Micros, SECOND, Stamp};

/// Lines that come with less than that between them wait for nobody, and so much is no lateness.
const IN_TIME: Micros = 500 * MILLISECOND;
/// What waited is read long before that is over: the kernel keeps a few kilobytes.
const CATCHING_UP: Micros = 2 * SECOND;
/// After so many pauses in turn over which the clock stayed behind, such a pause says nothing about lines.
const STOOD: u8 = 2;
/// By this share of a pause (6 %) the controller's clock may be off; resonators are off by 0.5 %, and 5 % are survived.
const OFF: Micros = 16;

/// What is remembered from reading to reading.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Late {
    /// When the newest reading came.
    came: Option<Stamp>,
    /// The computer's clock less the link's, at the last reading that came in time.
    distance: Micros,
    /// When the pause ended whose lines are being caught up with, and what its length makes of the clocks.
    pause: Option<(Stamp, Micros)>,
    /// After how many pauses in turn lines stayed behind without one in time, up to [`STOOD`].
    stood: u8,
}

impl Late {
    /// A reading that lies at `at` came at `now`: how long it waited, 0 where it is not late.
    #[inline]
    pub(super) fn reading(&mut self, at: Micros, now: Stamp) -> Micros {
        let distance = now.0.saturating_sub(at);
        let gap = self.came.replace(now).map_or(0, |came| now.since(came));
        if gap <= IN_TIME && self.pause.is_none() {
            self.distance = distance;
            return 0;
        }
        self.after_pause(distance, gap, now)
    }

    fn after_pause(&mut self, distance: Micros, gap: Micros, now: Stamp) -> Micros {
        if gap > IN_TIME {
            // Of the pause before nothing was in time yet.
            self.stood = STOOD.min(self.stood + u8::from(self.pause.is_some()));
            self.pause = Some((now, IN_TIME.saturating_add(gap / OFF)));
        }
        if let Some((since, tolerance)) = self.pause {
            let late = distance.saturating_sub(self.distance);
            let over = now.since(since) >= CATCHING_UP;
            if late <= tolerance {
                self.stood = 0;
            } else if self.stood < STOOD && !over {
                return late;
            } else {
                self.stood = STOOD.min(self.stood + u8::from(over));
            }
        }
        self.pause = None;
        self.distance = distance;
        0
    }

    /// The controller began anew and lies at `at`: what the clocks were apart says nothing any more.
    pub(super) fn restarted(&mut self, at: Micros, now: Stamp) {
        *self = Self { came: Some(now), distance: now.0.saturating_sub(at), pause: None, stood: 0 };
    }

    /// How much time passed since the reading at `last` was sampled, when something comes at `now`; and by how much of that
    /// the clocks may be apart.
    fn passed(&self, last: Micros, now: Stamp) -> (Micros, Micros) {
        let passed = now.0.saturating_sub(self.distance).saturating_sub(last).max(0);
        (passed, IN_TIME.saturating_add(passed / OFF))
    }

    /// Whether a controller that sent the reading at `last` can have begun anew since then and run for `up`.
    pub(super) fn may_have_begun(&self, up: Micros, last: Micros, now: Stamp) -> bool {
        let (passed, tolerance) = self.passed(last, now);
        up <= passed.saturating_add(tolerance)
    }

    /// Where what comes at `now` is to be expected by the clocks before (less) or after (greater) `at`; equal where they
    /// cannot tell it from `at`. `last`: the place of the newest reading.
    pub(super) fn expects(&self, at: Micros, last: Micros, now: Stamp) -> Ordering {
        if self.came.is_none() {
            return Ordering::Equal;
        }
        let expected = now.0.saturating_sub(self.distance);
        let (_, tolerance) = self.passed(last, now);
        let ahead = expected.saturating_sub(at);
        if ahead.saturating_abs() <= tolerance { Ordering::Equal } else { ahead.cmp(&0) }
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    /// Ten readings in time, the last one at 200 ms; the computer's clock is 5 s ahead.
    fn steady() -> Late {
        let mut late = Late::default();
        for number in 1..=10 {
            assert_eq!(late.reading(number * 20_000, Stamp(5_000_000 + number * 20_000)), 0);
        }
        late
    }

    #[rstest]
    #[case::short(400 * MILLISECOND, [0; 3])]
    #[case::a_second(SECOND, [980_000, 960_000, 0])]
    #[case::an_hour(3_600 * SECOND, [3_599_980_000, 3_599_960_000, 0])]
    fn what_waited_over_a_pause_is_late_and_what_comes_now_is_not(
        #[case] pause: Micros,
        #[case] expected: [Micros; 3],
    ) {
        let mut late = steady();
        let now = Stamp(5_200_000 + pause);
        // Two lines of just after the pause began, and one of now.
        let waited = [220_000, 240_000, 200_000 + pause].map(|at| late.reading(at, now));
        assert_eq!(waited, expected);
        assert_eq!(late.reading(220_000 + pause, now.after(20_000)), 0);
    }

    #[rstest]
    #[case::five_percent_slow(20, true)]
    #[case::ten_percent_slow(10, false)]
    fn a_clock_that_is_off_is_no_lateness(#[case] share: Micros, #[case] in_time: bool) {
        let mut late = steady();
        let pause = 600 * SECOND;
        let waited = late.reading(200_000 + pause - pause / share, Stamp(5_200_000 + pause));
        assert_eq!(waited == 0, in_time, "{waited}");
    }

    #[test]
    fn what_stays_behind_for_two_seconds_is_the_clock() {
        // A whole turn of the clock went by unseen.
        let mut late = steady();
        let pause = 7_200 * SECOND;
        let at = |number: Micros| 200_000 + pause - 4_294_967_296 + number * 20_000;
        let waited: Vec<_> =
            (0..200).map(|number| late.reading(at(number), Stamp(5_200_000 + pause + number * 20_000))).collect();
        assert!(waited[..100].iter().all(|waited| *waited > 4_000 * SECOND), "{waited:?}");
        assert!(waited[100..].iter().all(|waited| *waited == 0), "{waited:?}");
    }

    #[test]
    fn one_line_in_ten_seconds_is_never_late() {
        let mut late = Late::default();
        for number in 0..100 {
            // The controller's clock is 5 % slow, and the line is up to 16 ms on its way.
            let (at, now) = (number * 9_500_000, number * 10_000_000 + number % 5 * 4_000);
            assert_eq!(late.reading(at, Stamp(now)), 0, "{number}");
        }
    }

    #[rstest]
    #[case::a_line_in_ten_seconds(1, 10 * SECOND)]
    #[case::three_lines_and_nine_seconds_of_sleep(3, 9 * SECOND)]
    #[case::two_hundred_lines_and_nine_seconds_of_sleep(200, 9 * SECOND)]
    fn a_clock_that_stands_still_in_every_pause_makes_no_line_late_for_long(#[case] lines: i64, #[case] sleep: Micros) {
        let mut late = Late::default();
        let (mut at, mut now) = (0, 0);
        for round in 0..100 {
            for line in 0..lines {
                let waited = late.reading(at, Stamp(now));
                assert!(round < 4 || waited == 0, "round {round}, line {line}: {waited}");
                (at, now) = (at + 20_000, now + 20_000);
            }
            (at, now) = (at + SECOND, now + sleep);
        }
        // Once its clock runs through a pause it is believed again.
        assert_eq!(late.reading(at, Stamp(now)), 0);
        (at, now) = (at + 5 * SECOND, now + 5 * SECOND);
        assert_eq!(late.reading(at, Stamp(now)), 0);
        assert_eq!(late.reading(at + 20_000, Stamp(now + 5 * SECOND)), 5 * SECOND - 20_000);
    }

    #[test]
    fn after_a_restart_nothing_is_late_by_what_the_boot_took() {
        let mut late = steady();
        late.restarted(230_000, Stamp(8_500_000));
        assert_eq!(late.reading(250_000, Stamp(8_520_000)), 0);
    }
}
