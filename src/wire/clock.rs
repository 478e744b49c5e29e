//! A link's own timeline: the controller's clock joined over its wraps and restarts, and what was lost by `s`.
//!
//! Owns what must be remembered of clock and running number from line to line. In: clocks and arrival times as read.
//! Out: where a reading lies, and what happened just before it. Reads no line, asks no time.

use super::late::Late;
use super::{ClockField, Reset};
use crate::time::{MILLISECOND, Micros, Stamp};

/// Half of the wrapping clock: what goes back by less is a restart.
const HALF: u32 = 1 << 31;

/// A running number that is up to so much higher follows on: of lines that waited, some may have been lost.
const FOLLOWS: u16 = 16;

/// Where a reading lies, and what happened just before it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Step {
    /// On the link's timeline, µs since its first reading.
    pub at: Micros,
    /// The controller restarted since the reading before.
    pub restarted: bool,
    /// That restart shows here first; a hello has not told of it.
    pub new_restart: bool,
    /// Why, as far as a hello has said.
    pub reason: Reset,
    /// How long the reading waited on its way, µs.
    pub late: Micros,
    /// Readings lost just before.
    pub lost: u32,
    /// The very same reading came before.
    pub repeated: bool,
}

/// The clock `t`, the running number `s` and the hello's `up_ms` of the counts form.
#[derive(Clone, Debug, Default)]
pub(super) struct Timeline {
    /// Clock and place of the newest reading.
    last: Option<(u32, Micros)>,
    /// The newest `s`; forgotten by a restart.
    number: Option<u16>,
    /// Readings without `s` since then.
    unnumbered: u32,
    /// A hello told of a restart, and no reading came since.
    restart_told: bool,
    /// The newest `up_ms`; forgotten by a restart that the clock showed, so that it counts once.
    up_ms: Option<u64>,
    /// Where the controller's run begins on the timeline, as far as it is known.
    born: Micros,
    /// The newest restart was counted, and no hello has said why.
    unexplained: bool,
    /// What a hello gave as the reason that is of a run of which no reading came yet.
    early: Option<Reset>,
    late: Late,
}

/// What a hello tells of restarts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Told {
    /// Nothing new.
    Nothing,
    /// The controller restarted, and this was not known yet.
    Restart,
    /// Why it did, the last time.
    Reason,
}

/// A hello's clock has whole milliseconds, and counts as older than a reading only where it is so by more than that.
const MOMENT: Micros = 2 * MILLISECOND;

impl Timeline {
    /// A reading with clock `t` and number `s` that came at `now`.
    pub(super) fn reading(&mut self, t: u32, s: Option<u16>, now: Stamp) -> Step {
        let Some((clock, last_at)) = self.last else {
            // Nothing came before that could be cut off by a restart or lost.
            (self.restart_told, self.early) = (false, None);
            (self.last, self.born) = (Some((t, 0)), -Micros::from(t));
            self.begin_numbers(s);
            self.late.restarted(0, now);
            return Step::default();
        };
        let ahead = t.wrapping_sub(clock);
        let at = last_at.saturating_add(Micros::from(ahead));
        let moved = (ahead > HALF || self.is_young(t, s, last_at, now)) && self.late.expects(at, last_at, now).is_ne();
        if self.restart_told || moved {
            return self.restart(t, s, last_at, now);
        }
        self.early = None;
        self.last = Some((t, at));
        let (lost, repeated) = self.number(s, ahead);
        Step { at, lost, repeated, late: self.late.reading(at, now), ..Step::default() }
    }

    /// A hello that came at `now`, with its time since the start and the reason of that start.
    pub(super) fn hello(&mut self, up_ms: u64, reason: Reset, now: Stamp) -> Told {
        let before = self.up_ms.replace(up_ms);
        if before.is_some_and(|before| up_ms < before) {
            (self.restart_told, self.unexplained) = (true, false);
            return Told::Restart;
        }
        let up = Micros::try_from(up_ms).map_or(Micros::MAX, |up_ms| up_ms.saturating_mul(MILLISECOND));
        let (at, last) = (self.born.saturating_add(up), self.last.map_or(Micros::MIN, |(_, at)| at));
        let younger = at.saturating_add(MOMENT) < last || self.late.expects(at, last, now).is_gt();
        if !self.restart_told && younger {
            // It is younger than the run that is known: the next reading will show whether there was a restart.
            self.early = Some(reason);
            return Told::Nothing;
        }
        if std::mem::take(&mut self.unexplained) { Told::Reason } else { Told::Nothing }
    }

    /// Whether a reading that seems to lie ahead by less than half a turn can be of a new run: its number does not follow on,
    /// and that run is no longer than the time since the reading before.
    fn is_young(&self, t: u32, s: Option<u16>, last_at: Micros, now: Stamp) -> bool {
        let (Some(s), Some(before)) = (s, self.number) else { return false };
        // Where nobody wrote down when lines came, the reading before is said to have come when it was sampled, and so does
        // this one: then no clock tells the two apart.
        let has_arrival = now.0 != last_at;
        has_arrival
            && s.wrapping_sub(before).wrapping_sub(1) > FOLLOWS
            && self.late.may_have_begun(Micros::from(t), last_at, now)
    }

    fn restart(&mut self, t: u32, s: Option<u16>, last_at: Micros, now: Stamp) -> Step {
        let new_restart = !self.restart_told;
        let reason = self.early.take();
        if new_restart {
            // The hello that this restart is yet to bring falls too; it must not count a second time.
            self.up_ms = None;
            self.unexplained = reason.is_none();
        }
        self.restart_told = false;
        let at = last_at.saturating_add(Micros::from(t));
        (self.last, self.born) = (Some((t, at)), last_at);
        self.begin_numbers(s);
        self.late.restarted(at, now);
        Step { at, restarted: true, new_restart, reason: reason.unwrap_or_default(), ..Step::default() }
    }

    fn begin_numbers(&mut self, s: Option<u16>) {
        self.number = s;
        self.unnumbered = 0;
    }

    /// How many readings are missing before number `s`, and whether it is the one before again.
    fn number(&mut self, s: Option<u16>, ahead: u32) -> (u32, bool) {
        let Some(s) = s else {
            self.unnumbered = self.unnumbered.saturating_add(1);
            return (0, false);
        };
        let before = self.number.replace(s);
        // Readings without a number may have been counted by the controller, or not: they never count as lost.
        let unnumbered = std::mem::take(&mut self.unnumbered);
        let Some(before) = before else { return (0, false) };
        if s == before && ahead == 0 && unnumbered == 0 {
            return (0, true);
        }
        (u32::from(s.wrapping_sub(before).wrapping_sub(1)).saturating_sub(unnumbered), false)
    }
}

/// The timeline of the other forms: by a clock that a sketch sends, or by when lines arrive.
#[derive(Clone, Debug)]
pub(super) struct SketchClock {
    /// Microseconds of one step; `None`: by arrival.
    step_us: Option<f64>,
    /// A clock and the place that belongs to it; distances count from here, so that roundings do not add up.
    base: (f64, Micros),
    /// The newest clock and its place.
    last: Option<(f64, Micros)>,
    late: Late,
}

/// The highest clock that a sketch may send: beyond it `f64` no longer counts single steps.
const HIGHEST: f64 = 9_007_199_254_740_992.0;
/// Where a clock of 32 bits begins anew.
const WRAP: f64 = 4_294_967_296.0;

impl SketchClock {
    pub(super) fn new(field: Option<&ClockField>) -> Self {
        Self { step_us: field.map(|field| field.step_us), base: (0.0, 0), last: None, late: Late::default() }
    }

    /// Goes on where `before` stands, if that is a clock of the same step.
    pub(super) fn go_on_from(&mut self, before: &Self) -> bool {
        let same = self.step_us.map(f64::to_bits) == before.step_us.map(f64::to_bits);
        if same {
            self.clone_from(before);
        }
        same
    }

    /// Whether `value` may be a clock at all.
    pub(super) fn may_be(value: f64) -> bool {
        (0.0..HIGHEST).contains(&value)
    }

    /// A reading that arrived at `now` and whose clock, where it has one, is `value`.
    pub(super) fn reading(&mut self, now: Stamp, value: Option<f64>) -> Step {
        let (step_us, value) = match (self.step_us, value) {
            (Some(step_us), Some(value)) => (step_us, value),
            _ => (1.0, now.0 as f64),
        };
        let Some((last, last_at)) = self.last else {
            self.base = (value, 0);
            self.last = Some((value, 0));
            self.late.restarted(0, now);
            return Step::default();
        };
        let restarted = self.step_us.is_some() && value < last && !wrapped(last, value);
        if restarted {
            self.base = (0.0, last_at);
        } else if value < last && self.step_us.is_some() {
            self.base.0 -= WRAP;
        }
        let (base, base_at) = self.base;
        #[expect(clippy::cast_possible_truncation, reason = "rounded to the microsecond; the ends saturate")]
        let distance = ((value - base) * step_us).round() as Micros;
        // Roundings, and an arrival that is handed in too early, never lead back.
        let at = base_at.saturating_add(distance).max(last_at);
        self.last = Some((value, at));
        if restarted {
            self.late.restarted(at, now);
        }
        // Where arrival is the clock, nothing can be late by it.
        Step { at, restarted, new_restart: restarted, late: self.late.reading(at, now), ..Step::default() }
    }
}

/// Whether a clock of 32 bits that fell from `last` to `value` began anew by itself.
fn wrapped(last: f64, value: f64) -> bool {
    last < WRAP && last - value > WRAP / 2.0
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;
    use crate::time::SECOND;
    use crate::wire::Resets;

    #[test]
    fn the_first_reading_lies_at_zero() {
        assert_eq!(Timeline::default().reading(4_000_000_000, Some(9), Stamp(0)), Step::default());
    }

    #[test]
    fn twenty_wraps_of_a_day_are_joined() {
        let mut timeline = Timeline::default();
        let step = 20_000_u32;
        let (mut t, mut expected) = (4_294_900_000_u32, 0);
        timeline.reading(t, None, Stamp(0));
        for _ in 0..86_400 * 50 {
            t = t.wrapping_add(step);
            expected += Micros::from(step);
            let step = timeline.reading(t, None, Stamp(0));
            assert_eq!((step.at, step.restarted), (expected, false));
        }
        assert_eq!(expected / (1 << 32), 20);
    }

    #[rstest]
    #[case::half_ahead(0x8000_0000, false)]
    #[case::just_less_than_half_back(0x8000_0001, true)]
    #[case::one_back(u32::MAX, true)]
    #[case::still(0, false)]
    fn a_clock_that_goes_back_by_less_than_half_is_a_restart(#[case] ahead: u32, #[case] restarted: bool) {
        let mut timeline = Timeline::default();
        timeline.reading(7, Some(1), Stamp(0));
        timeline.reading(1_000_007, Some(2), Stamp(0));
        let t = 1_000_007_u32.wrapping_add(ahead);
        let step = timeline.reading(t, Some(900), Stamp(0));
        assert_eq!((step.restarted, step.new_restart), (restarted, restarted));
        let at = if restarted { 1_000_000 + Micros::from(t) } else { 1_000_000 + Micros::from(ahead) };
        assert_eq!(step.at, at);
        assert_eq!(step.lost, if restarted { 0 } else { 897 });
    }

    #[test]
    fn a_restart_that_clock_and_hello_both_show_counts_once() {
        // The hello comes first, as at every boot.
        let mut timeline = Timeline::default();
        assert_ne!(timeline.hello(5_000, Reset::Unknown, Stamp(0)), Told::Restart);
        timeline.reading(5_000_000, Some(250), Stamp(0));
        assert_eq!(timeline.hello(12, Reset::Unknown, Stamp(0)), Told::Restart);
        let step = timeline.reading(30_000, Some(0), Stamp(0));
        assert_eq!((step.restarted, step.new_restart, step.lost, step.at), (true, false, 0, 30_000));
        assert!(!timeline.reading(50_000, Some(1), Stamp(0)).restarted);
        // The boot's hello was lost, and the next one comes seconds later.
        let step = timeline.reading(10_000, Some(0), Stamp(0));
        assert_eq!((step.restarted, step.new_restart), (true, true));
        assert_ne!(timeline.hello(9, Reset::Unknown, Stamp(0)), Told::Restart);
        assert!(!timeline.reading(30_000, Some(1), Stamp(0)).restarted);
    }

    #[test]
    fn a_restart_after_more_than_half_a_wrap_shows_by_the_hello() {
        let mut timeline = Timeline::default();
        timeline.hello(2_999_000, Reset::Unknown, Stamp(0));
        timeline.reading(3_000_000_000, Some(5), Stamp(0));
        assert_eq!(timeline.hello(12, Reset::Unknown, Stamp(0)), Told::Restart);
        let step = timeline.reading(40_000, Some(0), Stamp(0));
        assert_eq!((step.at, step.restarted, step.lost), (40_000, true, 0));
    }

    #[test]
    fn a_hello_before_any_reading_cuts_nothing() {
        let mut timeline = Timeline::default();
        timeline.hello(5_000, Reset::Unknown, Stamp(0));
        assert_eq!(timeline.hello(12, Reset::Unknown, Stamp(0)), Told::Restart);
        assert!(!timeline.reading(30_000, Some(0), Stamp(0)).restarted);
    }

    #[test]
    fn every_gap_in_the_running_number_is_counted_exactly() {
        for first in [0_u16, 1, 32_767, 65_535] {
            for gap in 0..=65_535_u16 {
                let mut timeline = Timeline::default();
                timeline.reading(0, Some(first), Stamp(0));
                let step = timeline.reading(20_000, Some(first.wrapping_add(gap).wrapping_add(1)), Stamp(0));
                assert_eq!((step.lost, step.repeated), (u32::from(gap), false));
            }
        }
    }

    #[test]
    fn the_same_number_is_a_repetition_only_at_the_same_time() {
        let mut timeline = Timeline::default();
        timeline.reading(1_000, Some(7), Stamp(0));
        let again = timeline.reading(1_000, Some(7), Stamp(0));
        assert_eq!((again.lost, again.repeated), (0, true));
        let later = timeline.reading(1_001, Some(7), Stamp(0));
        assert_eq!((later.lost, later.repeated), (65_535, false));
    }

    #[test]
    fn readings_without_a_number_are_not_lost() {
        for numbered_too in [0, 2] {
            let mut timeline = Timeline::default();
            timeline.reading(0, Some(10), Stamp(0));
            timeline.reading(1, None, Stamp(0));
            timeline.reading(2, None, Stamp(0));
            assert_eq!(timeline.reading(3, Some(11 + numbered_too), Stamp(0)).lost, 0);
        }
    }

    /// Four runs of a controller, half a second long; in each a hello comes when it is so old, or never.
    #[rstest]
    #[case::as_each_run_begins([Some(12); 4], 3)]
    #[case::later_in_each_run([Some(112); 4], 3)]
    #[case::younger_than_the_one_before([Some(450), Some(12), Some(5), Some(0)], 3)]
    #[case::older_than_the_one_before([Some(0), Some(5), Some(12), Some(450)], 3)]
    #[case::not_in_all([Some(12), None, Some(12), None], 1)]
    #[case::never([None; 4], 0)]
    fn a_restart_has_the_reason_that_its_own_hello_gives(#[case] hellos: [Option<u64>; 4], #[case] explained: u64) {
        let (mut timeline, mut resets) = (Timeline::default(), Resets::default());
        for (boot, hello) in (0_i64..).zip(hellos) {
            let now = |ms: i64| Stamp::from_millis(boot * 1_000 + ms);
            for ms in (20..500_u32).step_by(20) {
                if let Some(up) = hello.filter(|up| (ms - 20..ms).contains(&u32::try_from(*up).unwrap())) {
                    match timeline.hello(up, Reset::BrownOut, now(i64::from(ms) - 1)) {
                        Told::Nothing => {}
                        Told::Restart => resets.count(Reset::BrownOut),
                        Told::Reason => resets.explain(Reset::BrownOut),
                    }
                }
                let step = timeline.reading(ms * 1_000, None, now(i64::from(ms)));
                if step.new_restart {
                    resets.count(step.reason);
                }
            }
        }
        assert_eq!((resets.of(Reset::BrownOut), resets.of(Reset::Unknown)), (explained, 3 - explained));
    }

    #[test]
    fn an_hour_without_a_turn_is_no_restart() {
        // More than half a turn of the clock: without the time of arrival it would look like one that went back.
        for (minutes, restarted) in [(30, false), (60, false), (70, false)] {
            let mut timeline = Timeline::default();
            for number in 0..10 {
                timeline.reading(1_000_000 + number * 20_000, None, Stamp(i64::from(number) * 20_000));
            }
            let pause = minutes * 60_000_000_u32;
            let step = timeline.reading(1_200_000_u32.wrapping_add(pause), None, Stamp(200_000 + i64::from(pause)));
            assert_eq!((step.restarted, step.at), (restarted, 200_000 + i64::from(pause)), "{minutes}");
        }
        // One that did restart meanwhile is none the less one, whatever the pause.
        for minutes in [1, 30, 60] {
            let mut timeline = Timeline::default();
            timeline.reading(1_000_000_000, None, Stamp(0));
            let step = timeline.reading(5_000_000, None, Stamp(minutes * 60_000_000));
            assert!(step.restarted, "{minutes}");
        }
    }

    /// 50 lines a second of a controller that ran for `ran` already; what `next` gives of the last `t`, `s`, and arrival.
    fn after_running(ran: Micros, next: impl Fn(u32, u16, Micros) -> (u32, u16, Micros)) -> (Step, Micros) {
        let (mut timeline, mut now) = (Timeline::default(), 500 * MILLISECOND);
        let (mut t, mut s) = (u32::try_from(ran).unwrap(), 1_000_u16);
        for _ in 0..200 {
            timeline.reading(t, Some(s), Stamp(now));
            (t, s, now) = (t.wrapping_add(20_000), s + 1, now + 20_000);
        }
        let last = 199 * 20_000;
        let (t, s, now) = next(t.wrapping_sub(20_000), s - 1, now - 20_000);
        (timeline.reading(t, Some(s), Stamp(now)), last)
    }

    #[rstest]
    fn a_restart_shows_however_long_the_controller_ran_before(
        #[values(1, 20, 35, 36, 43, 50, 60, 70, 71)] minutes: i64,
        #[values(1_500, 5_000, 60_000, 600_000)] off_ms: i64,
    ) {
        // It boots in a second, or as soon as it is on again; the hello of that boot is lost.
        for up in [15_000, 1_000_000] {
            let off = off_ms * MILLISECOND;
            let (step, last) = after_running(minutes * 60 * SECOND, |_, _, now| (up, 3, now + off));
            // Where the new run lies by chance just where the old one would, nothing can tell.
            assert_eq!((step.restarted, step.new_restart, step.lost), (true, true, 0), "{up}");
            assert_eq!(step.at, last + Micros::from(up));
        }
    }

    #[rstest]
    #[case::its_next_line(20_000, 1, 20_000)]
    #[case::a_clock_5_percent_slow(570 * SECOND, 30_000, 600 * SECOND)]
    #[case::a_clock_5_percent_fast(630 * SECOND, 30_000, 600 * SECOND)]
    #[case::an_hour_without_a_turn(3_600 * SECOND, 180_000, 3_600 * SECOND)]
    #[case::a_line_that_waited_for_ten_minutes(20_000, 1, 600 * SECOND)]
    #[case::one_that_waited_behind_ten_that_are_lost(220_000, 11, 600 * SECOND)]
    #[case::lost_lines(5 * SECOND, 250, 5 * SECOND)]
    fn over_the_wrap_of_clock_and_number_it_is_no_restart(
        #[case] ahead: Micros,
        #[case] numbers: i64,
        #[case] passed: Micros,
        #[values(-10_000_000, -4_000_001, -3_999_999, -3_980_000, 0, 1_000_000_000)] from: Micros,
    ) {
        let ran = from.rem_euclid(1 << 32);
        let wrap = |value: i64| u32::try_from(value.rem_euclid(1 << 32)).unwrap();
        let (step, last) = after_running(ran, |t, s, now| {
            let s = u16::try_from((i64::from(s) + numbers).rem_euclid(65_536)).unwrap();
            (wrap(i64::from(t) + ahead), s, now + passed)
        });
        assert_eq!((step.restarted, step.at), (false, last + ahead));
    }

    #[test]
    fn without_arrival_times_a_gap_up_to_the_wrap_is_no_restart() {
        let mut timeline = Timeline::default();
        timeline.reading(2_600_000_000, Some(5), Stamp(0));
        timeline.reading(2_600_020_000, Some(6), Stamp(0));
        // What was sampled at 20 ms is said to have come then, and the next line no later.
        let step = timeline.reading(100_000, Some(900), Stamp(20_000));
        assert!(!step.restarted);
    }

    fn milliseconds() -> SketchClock {
        SketchClock::new(Some(&ClockField { name: "time".into(), step_us: 1_000.0 }))
    }

    #[test]
    fn a_sketch_clock_is_joined_over_its_wrap_and_its_restart() {
        let mut clock = milliseconds();
        let mut at = |value: f64| {
            let step = clock.reading(Stamp(0), Some(value));
            (step.at, step.restarted)
        };
        assert_eq!(at(4_294_967_290.0), (0, false));
        assert_eq!(at(4_294_967_295.0), (5_000, false));
        assert_eq!(at(5.0), (11_000, false));
        assert_eq!(at(10.5), (16_500, false));
        assert_eq!(at(4.0), (20_500, true));
        assert_eq!(at(104.0), (120_500, false));
    }

    #[test]
    fn without_a_clock_arrival_counts_and_never_goes_back() {
        let mut clock = SketchClock::new(None);
        let mut at = |now: Micros| {
            let step = clock.reading(Stamp(now), None);
            assert!(!step.restarted);
            step.at
        };
        assert_eq!([at(5_000_000), at(5_020_000), at(5_010_000), at(5_040_000)], [0, 20_000, 20_000, 40_000]);
    }
}
