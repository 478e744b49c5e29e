//! How late the readings of a link come, by the controller's own clock.
//!
//! Owns the smallest time that was ever between a sampling and its arrival, and when late readings came. In: when each
//! reading was sampled on its link's timeline, and when it arrived. Out: whether outputs may be switched by it. Pure.
//!
//! After the computer stood still, the lines that waited in the kernel arrive as if they were new. Only the controller's
//! clock tells them apart: the smallest offset between the two clocks is the way without a delay, and whatever is above it
//! is lateness. A link without a clock of its own has the arrival for its clock, so that nothing can be told of it.

use crate::time::{MILLISECOND, Micros, SECOND, Stamp};

/// A reading that comes later than this switches nothing and keeps nothing on.
pub(super) const LATE: Micros = 300 * MILLISECOND;
/// The smallest offset grows by one part of so many, since a clock that is slow by 5 % makes every offset grow by that.
const DRIFT: Micros = 12;
/// It grows in steps of so long at least, so that neither bunches of lines nor uneven delays make it grow too little.
const STEP: Micros = SECOND;
/// What counts as late, since one such step may lie among lines that waited.
const ALLOWED: Micros = LATE - STEP / DRIFT;
/// After its beginning the smallest offset must not have fallen by more than this for [`LATE`]: while it falls, lines that
/// waited are still being read. A clock that is fast by 5 % makes it fall by 15 ms in that time.
const FALLS: Micros = 20 * MILLISECOND;

/// The lateness of one link.
#[derive(Clone, Debug)]
pub(super) struct Lag {
    /// When the newest reading was sampled, on the link's timeline; `None`: the next one begins anew.
    newest: Option<Micros>,
    /// The reading up to which the smallest offset has grown: when it was sampled, and when it came.
    grown: (Micros, Stamp),
    /// The smallest offset: arrival minus sampling.
    least: Micros,
    /// It is not known for certain yet: since when it stands, and where it stood then.
    settling: Option<(Stamp, Micros)>,
    late: bool,
    /// The newest stretch of late readings: when its first and its last came.
    stretch: (Stamp, Stamp),
}

impl Lag {
    /// Nothing came yet.
    pub const fn new() -> Self {
        let never = Stamp(Micros::MIN);
        Self { newest: None, grown: (0, never), least: 0, settling: None, late: false, stretch: (never, never) }
    }

    /// The port was opened: what came before says nothing about what comes.
    pub fn opened(&mut self, now: Stamp) {
        self.newest = None;
        self.note(now, true);
    }

    /// A reading that was sampled at `at` came at `now`. `restarted`: the controller's clock began anew.
    pub fn reading(&mut self, now: Stamp, at: Micros, restarted: bool) {
        let offset = now.0.saturating_sub(at);
        if restarted || self.newest.is_none_or(|before| at < before) {
            (self.least, self.grown, self.settling) = (offset, (at, now), Some((now, offset)));
        }
        self.newest = Some(at);
        // Drift takes time on both clocks. Of lines that waited only the samplings lie apart, of those that were lost in a
        // stall only the arrivals: neither of these may pass for drift.
        let passed = (at - self.grown.0).min(now.since(self.grown.1));
        if passed >= STEP {
            (self.least, self.grown) = (self.least.saturating_add(passed / DRIFT), (at, now));
        }
        self.least = self.least.min(offset);
        self.settling = self.settling.filter(|(since, _)| now.since(*since) < LATE);
        if let Some((_, stood)) = self.settling
            && self.least < stood - FALLS
        {
            self.settling = Some((now, self.least));
        }
        let late = self.settling.is_some() || offset - self.least > ALLOWED;
        self.note(now, late);
    }

    fn note(&mut self, now: Stamp, late: bool) {
        if late {
            self.stretch = (if self.late { self.stretch.0 } else { now }, now);
        }
        self.late = late;
    }

    /// Whether the newest reading was late.
    pub const fn is_late(&self) -> bool {
        self.late
    }

    /// Whether what arrived at `heard` may not switch anything: the link is late now, or was when it came.
    pub fn holds(&self, heard: Option<Stamp>) -> bool {
        self.late || heard.is_some_and(|heard| self.stretch.0 <= heard && heard <= self.stretch.1)
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    /// A controller whose clock gains or loses, and a line with a delay of its own.
    struct Link {
        lag: Lag,
        /// What the controller's clock shows for each second, µs.
        rate: i64,
    }

    impl Link {
        fn new(rate: i64) -> Self {
            Self { lag: Lag::new(), rate }
        }

        /// A reading that is sampled at `ms` and comes `delay` ms later. True where it is late.
        fn at(&mut self, ms: i64, delay: i64) -> bool {
            let sampled = ms * self.rate / 1_000;
            self.lag.reading(Stamp::from_millis(ms + delay), sampled, false);
            self.lag.is_late()
        }

        fn settled(rate: i64) -> Self {
            let mut link = Self::new(rate);
            let last = (0..1_000).step_by(20).map(|ms| link.at(ms, 2)).last();
            assert_eq!(last, Some(false));
            link
        }
    }

    // The figure is that of the decisions that renew a lease: readings are at most 300 ms late.
    #[rstest]
    #[case::last_within_a_step(990, 216, false)]
    #[case::first_within_a_step(990, 217, true)]
    #[case::last_at_its_end(1_000, 300, false)]
    #[case::first_at_its_end(1_000, 301, true)]
    fn a_reading_over_300_ms_late_is_late(#[case] ms: i64, #[case] late: i64, #[case] is: bool) {
        assert_eq!(Link::settled(SECOND).at(ms, 2 + late), is);
    }

    #[rstest]
    #[case::exact(1_000_000)]
    #[case::slow_by_5_percent(950_000)]
    #[case::fast_by_5_percent(1_050_000)]
    fn over_hours_no_drift_and_no_jitter_makes_a_reading_late(#[case] rate: i64) {
        let mut link = Link::settled(rate);
        // Delays up to 100 ms in no order, and once a minute 10 s without any reading.
        let mut noise = 7_u64;
        let mut ms = 1_000;
        while ms < 6 * 3_600_000 {
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let delay = i64::try_from(noise >> 33).unwrap() % 100;
            assert!(!link.at(ms, delay), "at {ms} ms with {delay} ms");
            ms += if ms % 60_000 < 20 { 10_000 } else { 20 };
        }
    }

    /// The program stands still for `stall` ms; what came meanwhile is read at once.
    #[rstest]
    #[case::exact(1_000_000)]
    #[case::slow_by_5_percent(950_000)]
    #[case::fast_by_5_percent(1_050_000)]
    fn of_lines_that_waited_those_are_late_that_waited_for_long(#[case] rate: i64) {
        for stall in [400, 2_000, 10_000] {
            let mut link = Link::settled(rate);
            let end = 1_000 + stall;
            for ms in (1_000..end).step_by(20) {
                let waited = end - ms;
                // Drift within the stall cannot be told from lateness.
                let drift = stall * (SECOND - rate).abs() / SECOND + 3;
                let late = link.at(ms, waited);
                assert!(late || waited <= 300 + drift, "{waited} ms of {stall}");
                assert!(!late || waited > 216 - drift, "{waited} ms of {stall}");
            }
            let again = (end..end + 30_000).step_by(20).find(|ms| !link.at(*ms, 2)).unwrap();
            assert!(again < end + 20_000 && (rate < SECOND || again == end), "good again at {again} of {end}");
        }
    }

    #[test]
    fn what_was_heard_late_holds_until_it_is_heard_anew() {
        let mut link = Link::settled(SECOND);
        let heard = |ms: i64| Some(Stamp::from_millis(ms));
        assert!(link.at(1_000, 2_000) && link.at(1_020, 1_990));
        assert!(link.lag.holds(heard(900)), "while the link lags, all of it does");
        assert!(!link.at(3_020, 2));
        assert_eq!([900, 3_000, 3_010, 3_022].map(|ms| link.lag.holds(heard(ms))), [false, true, true, false]);
        assert!(!link.lag.holds(None));
    }

    /// A controller restarts while lines wait: its clock begins anew, so that nothing is known of its delay.
    #[test]
    fn after_a_restart_lines_that_waited_do_not_pass_for_new_ones() {
        for opened in [false, true] {
            let mut link = Link::settled(SECOND);
            if opened {
                link.lag.opened(Stamp::from_millis(5_000));
                assert!(link.lag.holds(Some(Stamp::from_millis(900))), "nothing came over it yet");
            }
            // Sampled from 1 s to 5 s, and all read within 40 ms from 5 s on.
            for ms in (0..4_000).step_by(20) {
                link.lag.reading(Stamp::from_millis(5_000 + ms / 100), (1_000 + ms) * MILLISECOND, ms == 0 && !opened);
                assert!(link.lag.is_late(), "sampled at {ms} ms");
            }
            let mut live = (5_040..7_000).step_by(20);
            let good = live.find(|ms| {
                link.lag.reading(Stamp::from_millis(*ms), ms * MILLISECOND, false);
                !link.lag.is_late()
            });
            assert_eq!(good, Some(5_340));
        }
    }
}
