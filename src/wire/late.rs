//! How long a reading waited on its way, by the two clocks.
//!
//! Owns the distance between the computer's clock and a link's own timeline, as the last reading that came in time shows
//! it. In: where readings lie, and when they came. Out: how late each is. Pure: asks no time.
//!
//! Lines wait where the program gets no turn: the computer sleeps, or is stopped. They are then taken all at once, and
//! what they say was true when they were sampled. Nothing else makes lines late for long, so lateness is believed only
//! shortly after a pause without lines; what stays behind after that is the controller's clock, not the line.

use std::cmp::Ordering;

use crate::time::{MILLISECOND, Micros, SECOND, Stamp};

/// Lines that come with less than that between them wait for nobody, and so much is no lateness.
const IN_TIME: Micros = 500 * MILLISECOND;
/// What waited is read long before that is over: the kernel keeps a few kilobytes.
const CATCHING_UP: Micros = 2 * SECOND;
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
            self.pause = Some((now, IN_TIME.saturating_add(gap / OFF)));
        }
        if let Some((since, tolerance)) = self.pause
            && now.since(since) < CATCHING_UP
        {
            let late = distance.saturating_sub(self.distance);
            if late > tolerance {
                return late;
            }
        }
        self.pause = None;
        self.distance = distance;
        0
    }

    /// The controller began anew and lies at `at`: what the clocks were apart says nothing any more.
    pub(super) fn restarted(&mut self, at: Micros, now: Stamp) {
        *self = Self { came: Some(now), distance: now.0.saturating_sub(at), pause: None };
    }

    /// Where what comes at `now` is to be expected by the clocks before (less) or after (greater) `at`; equal where they
    /// cannot tell it from `at`. `last`: the place of the newest reading.
    pub(super) fn expects(&self, at: Micros, last: Micros, now: Stamp) -> Ordering {
        if self.came.is_none() {
            return Ordering::Equal;
        }
        let expected = now.0.saturating_sub(self.distance);
        let tolerance = IN_TIME.saturating_add(expected.saturating_sub(last).max(0) / OFF);
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

    #[test]
    fn after_a_restart_nothing_is_late_by_what_the_boot_took() {
        let mut late = steady();
        late.restarted(230_000, Stamp(8_500_000));
        assert_eq!(late.reading(250_000, Stamp(8_520_000)), 0);
    }
}
