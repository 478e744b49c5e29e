//! The last steps of every channel: calibration, smoothing, and what is shown.
//!
//! Owns the smoothing's memory. Pure: times are arguments.

use super::{Touch, Value};
use crate::config::Channel;
use crate::state::Shown;
use crate::time::{Micros, Stamp, secs_from_micros};

/// When something happened to a channel, and on whose account.
#[derive(Clone, Copy, Debug)]
pub struct When {
    /// On the timeline that the channel's readings are stamped with.
    pub at: Micros,
    /// On the computer's timeline.
    pub now: Stamp,
    /// A line came. Time that merely passed shows, and leaves no trace in what is remembered.
    pub line: bool,
}

/// Calibration and smoothing of one channel.
#[derive(Clone, Debug)]
pub(super) struct Finish {
    correction: Option<(f64, f64)>,
    smoother: Option<Smoother>,
}

impl Finish {
    /// As `channel` says.
    pub fn new(channel: &Channel) -> Self {
        Self {
            correction: channel.calibration.as_ref().map(|calibration| (calibration.gain, calibration.offset)),
            smoother: channel.smooth.map(Smoother::new),
        }
    }

    /// Brings `value` through the calibration.
    #[inline]
    pub fn correct(&self, value: Value) -> Value {
        match (self.correction, value.good()) {
            (Some((gain, offset)), Some(number)) => Value::ok(number * gain + offset),
            _ => value,
        }
    }

    /// Brings `value` through calibration and smoothing into `shown`.
    #[inline]
    pub fn show(&mut self, shown: &mut Shown, value: Value, touch: Touch, when: When) {
        let value = self.correct(value);
        if !shown.value.is_as_good_as(value) {
            shown.turn(value, when.now);
        }
        shown.value = value;
        shown.smooth = match &mut self.smoother {
            None => value,
            Some(smoother) => smoother.step(value, touch, when),
        };
    }
}

/// A first-order low pass with the time that really passed between two readings.
#[derive(Clone, Debug)]
struct Smoother {
    constant: f64,
    /// The newest reading and the smoothed value there; `None` after an untrusted stretch.
    held: Option<(Micros, f64)>,
    /// The share for the last step of time, since a steady stream asks for the same one again and again.
    memo: (Micros, f64),
}

impl Smoother {
    fn new(constant: Micros) -> Self {
        Self { constant: secs_from_micros(constant), held: None, memo: (0, 0.0) }
    }

    fn step(&mut self, value: Value, touch: Touch, when: When) -> Value {
        let Some(number) = value.good() else {
            if when.line {
                self.held = None;
            }
            return value;
        };
        let smoothed = match self.held {
            Some(_) if touch.ends_gap() => number,
            Some((at, smoothed)) if touch.is_read() => smoothed + (number - smoothed) * self.share(when.at - at),
            Some((_, smoothed)) => smoothed,
            None => number,
        };
        if when.line && touch.is_read() {
            self.held = Some((when.at, smoothed));
        }
        Value::ok(smoothed)
    }

    /// How much of a step has been followed after `passed`.
    fn share(&mut self, passed: Micros) -> f64 {
        if self.memo.0 != passed {
            self.memo = (passed, -(-secs_from_micros(passed.max(0)) / self.constant).exp_m1());
        }
        self.memo.1
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;
    use crate::channel::Trust;

    fn when(at: Micros) -> When {
        When { at, now: Stamp(at), line: true }
    }

    // Shares of a step after so many time constants: tests/reference/10_rc_step.csv, 1 − e^(−t/τ).
    #[rstest]
    #[case(50_000, 0.095_162_6)]
    #[case(500_000, 0.632_120_6)]
    #[case(1_000_000, 0.864_664_7)]
    #[case(1_500_000, 0.950_212_9)]
    fn a_step_is_followed_as_by_a_first_order_filter(#[case] passed: Micros, #[case] share: f64) {
        let mut smoother = Smoother::new(500_000);
        smoother.step(Value::ok(0.0), Touch::READ, when(0));
        let at_once = smoother.clone().step(Value::ok(1.0), Touch::READ, when(passed)).good().unwrap();
        assert!((at_once - share).abs() < 1e-7, "{at_once}");
        for part in 1..=10 {
            smoother.step(Value::ok(1.0), Touch::READ, when(passed * part / 10));
        }
        let (_, in_parts) = smoother.held.unwrap();
        assert!((in_parts - share).abs() < 1e-7, "the same in ten parts: {in_parts}");
    }

    #[test]
    fn an_untrusted_stretch_begins_the_smoothing_anew() {
        let mut smoother = Smoother::new(500_000);
        smoother.step(Value::ok(0.0), Touch::READ, when(0));
        assert_eq!(smoother.step(Value::bad(Trust::Open), Touch::READ, when(20_000)).trust(), Trust::Open);
        assert_eq!(smoother.step(Value::ok(5.0), Touch::READ, when(40_000)).good(), Some(5.0));
        assert_eq!(smoother.step(Value::ok(9.0), Touch::READ | Touch::GAP, when(9_000_000)).good(), Some(9.0));
    }

    #[test]
    fn time_that_merely_passes_leaves_no_trace() {
        let mut smoother = Smoother::new(500_000);
        smoother.step(Value::ok(2.0), Touch::READ, when(0));
        let tick = When { line: false, ..when(10_000) };
        assert_eq!(smoother.step(Value::bad(Trust::Stale), Touch::CHANGED, tick).good(), None);
        assert_eq!(smoother.held, Some((0, 2.0)));
    }
}
