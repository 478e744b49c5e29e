//! How a value moves: faster than is possible, or not at all while the engine does.
//!
//! Owns the memory of the rules `leaping` and `stuck` of one channel; a channel that names neither has none of it. Pure:
//! times are arguments.

use super::finish::When;
use super::formula::{Condition, Moment};
use super::{Touch, Trust, Value};
use crate::config::{Channel, Field, Source, Stuck};
use crate::time::{Micros, SECOND, secs_from_micros};

/// So many counts of a converter with 10 bits are its own tremble, and no movement of what is measured.
const TREMBLE: f64 = 4.0;
/// A leap ends so long after the last one.
const CALM: Micros = SECOND;

/// Both rules of one channel.
#[derive(Clone, Debug)]
pub(super) struct Motion {
    leap: Option<Leap>,
    still: Option<Still>,
}

impl Motion {
    /// The rules that `channel` names; `None` where it names none.
    pub fn new(channel: &Channel) -> Option<Box<Self>> {
        let analog = matches!(&channel.source, Source::Input(input) if matches!(input.field, Field::Analog(_)));
        let leap = fastest(channel).map(|fastest| Leap::new(fastest, if analog { TREMBLE } else { 0.0 }));
        let still = channel.stuck.as_ref().map(Still::new);
        (leap.is_some() || still.is_some()).then(|| Box::new(Self { leap, still }))
    }

    /// Whether it must see every moment, because its condition looks back in time.
    pub fn looks_back(&self) -> bool {
        self.still.as_ref().and_then(|still| still.when.as_ref()).is_some_and(Condition::looks_back)
    }

    /// `value`, or why it is not to be believed. `raw`: what it came from, before circuit and curve. Only a line that
    /// carried a reading leaves a trace.
    pub fn judge(&mut self, value: Value, raw: f64, touch: Touch, when: When, moment: &Moment<'_>) -> Value {
        let awake = self.still.as_mut().and_then(|still| still.awake(touch, moment));
        let Some(number) = value.good() else {
            if when.line {
                self.forget();
            }
            return value;
        };
        if when.line && touch.parts() {
            self.forget();
        }
        if when.line && touch.is_read() {
            let raw = if raw.is_nan() { number } else { raw };
            if let Some(leap) = &mut self.leap {
                leap.step(when.at, number, raw);
            }
            if let Some(still) = &mut self.still {
                still.step(when.at, raw, awake == Some(true));
            }
        }
        match self {
            Self { leap: Some(Leap { leapt: Some(_), .. }), .. } => Value::bad(Trust::Leaping),
            Self { still: Some(Still { stuck: true, .. }), .. } => Value::bad(Trust::Stuck),
            Self { .. } => value,
        }
    }

    /// What comes next is not joined to what came before.
    fn forget(&mut self) {
        if let Some(leap) = &mut self.leap {
            leap.last = None;
        }
        if let Some(still) = &mut self.still {
            still.before = None;
        }
    }
}

/// The fastest believable change of `channel` before its calibration, per second.
pub(super) fn fastest(channel: &Channel) -> Option<f64> {
    let gain = channel.calibration.as_ref().map_or(1.0, |calibration| calibration.gain.abs());
    channel.fastest.map(|fastest| fastest / gain)
}

/// Moved faster than is possible.
#[derive(Clone, Debug)]
struct Leap {
    /// In the channel's unit, per second.
    fastest: f64,
    /// A step of the raw number up to this is none.
    tremble: f64,
    /// When the newest reading was, its number, and its raw one.
    last: Option<(Micros, f64, f64)>,
    /// The usual interval, µs: lines that were held up come one right after the other where no clock tells their times.
    usual: f64,
    /// The last leap, while it is not over.
    leapt: Option<Micros>,
}

impl Leap {
    fn new(fastest: f64, tremble: f64) -> Self {
        Self { fastest, tremble, last: None, usual: 0.0, leapt: None }
    }

    fn step(&mut self, at: Micros, number: f64, raw: f64) {
        if let Some((before, last, last_raw)) = self.last.replace((at, number, raw)) {
            let passed = (at - before).max(0) as f64;
            self.usual += (passed - self.usual) / 16.0;
            let most = self.fastest * passed.max(self.usual) / 1e6;
            if (number - last).abs() > most && (raw - last_raw).abs() > self.tremble {
                self.leapt = Some(at);
            }
        }
        self.leapt = self.leapt.filter(|leapt| at - leapt < CALM);
    }
}

/// Does not move.
#[derive(Clone, Debug)]
struct Still {
    after: f64,
    band: f64,
    when: Option<Condition>,
    /// The least and the most since it last moved.
    range: Option<(f64, f64)>,
    /// When the newest reading was that the next is joined to.
    before: Option<Micros>,
    /// For how long it has not moved while it should, s.
    lasted: f64,
    stuck: bool,
}

impl Still {
    fn new(stuck: &Stuck) -> Self {
        Self {
            after: secs_from_micros(stuck.after),
            band: stuck.band,
            when: stuck.when.as_ref().map(Condition::new),
            range: None,
            before: None,
            lasted: 0.0,
            stuck: false,
        }
    }

    /// Whether time counts now; `None`: not known.
    fn awake(&mut self, touch: Touch, moment: &Moment<'_>) -> Option<bool> {
        match &mut self.when {
            None => Some(true),
            Some(when) if touch.is_read() || when.looks_back() => when.step(moment),
            Some(_) => None,
        }
    }

    fn step(&mut self, at: Micros, raw: f64, awake: bool) {
        let before = self.before.replace(at);
        let (low, high) = self.range.map_or((raw, raw), |(low, high)| (low.min(raw), high.max(raw)));
        if high - low > self.band {
            (self.range, self.lasted, self.stuck) = (Some((raw, raw)), 0.0, false);
            return;
        }
        self.range = Some((low, high));
        if let Some(before) = before.filter(|_| awake) {
            self.lasted += secs_from_micros((at - before).max(0));
            // Sums of doubles end a hair beside whole seconds.
            self.stuck |= self.lasted >= self.after - 1e-7;
        }
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    /// Readings 20 ms apart; gives for each whether it leaps.
    fn leaps(leap: &mut Leap, numbers: &[f64]) -> Vec<bool> {
        let mut at = leap.last.map_or(0, |(at, ..)| at + 20_000);
        let step = |&number: &f64| {
            leap.step(at, number, number * 100.0);
            at += 20_000;
            leap.leapt.is_some()
        };
        numbers.iter().map(step).collect()
    }

    // 50 bar/s over 20 ms are 1 bar.
    #[rstest]
    #[case::as_fast_as_possible(3.0, false)]
    #[case::faster(3.000_1, true)]
    #[case::down_as_fast_as_possible(1.0, false)]
    #[case::down_faster(0.999_9, true)]
    fn faster_than_is_possible_is_a_leap(#[case] to: f64, #[case] is: bool) {
        let mut leap = Leap::new(50.0, TREMBLE);
        leaps(&mut leap, &[2.0; 100]);
        // The usual interval is not known to the last bit.
        leap.usual = 20_000.0;
        assert_eq!(leaps(&mut leap, &[to]), [is]);
    }

    #[test]
    fn a_leap_is_over_a_second_after_the_last_one() {
        let mut leap = Leap::new(50.0, TREMBLE);
        leaps(&mut leap, &[2.0; 10]);
        let spike = leaps(&mut leap, &[6.0]);
        let after = leaps(&mut leap, &[2.0; 60]);
        assert_eq!(spike, [true]);
        // The way back is a leap too: 50 readings from there on.
        assert_eq!(after.iter().filter(|leaps| **leaps).count(), 50);
        assert!(after[..50].iter().all(|leaps| *leaps));
    }

    #[test]
    fn what_a_converter_trembles_by_is_no_leap() {
        let mut leap = Leap::new(0.1, TREMBLE);
        assert_eq!(leaps(&mut leap, &[1.0, 1.04, 1.0, 1.041]), [false, false, false, true]);
    }

    #[test]
    fn lines_that_were_held_up_are_no_leap_where_no_clock_tells_their_times() {
        let mut leap = Leap::new(50.0, 0.0);
        for n in 0..100 {
            leap.step(n * 20_000, 0.5 * (n % 2) as f64, 0.0);
        }
        leap.step(99 * 20_000 + 10, 0.0, 0.0);
        assert_eq!(leap.leapt, None);
    }

    fn still(band: f64) -> Still {
        Still::new(&Stuck { after: 20 * SECOND, band, when: None })
    }

    #[rstest]
    #[case::just_before(199, false)]
    #[case::just_then(200, true)]
    fn what_does_not_move_for_so_long_is_stuck(#[case] intervals: i64, #[case] is: bool) {
        let mut stuck = still(0.0);
        for n in 0..=intervals {
            stuck.step(n * SECOND / 10, 512.0, true);
        }
        assert_eq!(stuck.stuck, is);
    }

    #[rstest]
    #[case::within_the_band(2.0, true)]
    #[case::out_of_it(2.25, false)]
    fn within_the_band_is_no_movement(#[case] by: f64, #[case] is: bool) {
        let mut stuck = still(2.0);
        for n in 0..=400 {
            stuck.step(n * SECOND / 10, 512.0 + by * (n % 2) as f64, true);
        }
        assert_eq!(stuck.stuck, is);
    }

    #[test]
    fn a_slow_drift_through_the_band_moves() {
        let mut stuck = still(2.0);
        for n in 0..=4000 {
            stuck.step(n * SECOND / 10, 512.0 + 0.015 * n as f64, true);
            assert!(!stuck.stuck, "{n}");
        }
    }

    #[test]
    fn time_counts_only_while_it_should_move_and_what_moves_is_free_again() {
        let mut stuck = still(0.0);
        for n in 0..1000 {
            // Awake for one second in ten.
            stuck.step(n * SECOND / 10, 512.0, n % 100 < 10);
        }
        assert!(!stuck.stuck && stuck.lasted > 9.0, "{}", stuck.lasted);
        for n in 1000..1200 {
            stuck.step(n * SECOND / 10, 512.0, true);
        }
        assert!(stuck.stuck);
        stuck.step(1201 * SECOND / 10, 512.0, false);
        assert!(stuck.stuck, "that the engine stands makes no sensor whole");
        stuck.step(1202 * SECOND / 10, 512.25, false);
        assert!(!stuck.stuck);
    }
}
