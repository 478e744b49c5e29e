//! The running mean of a raw value, and whether it stood still.
//!
//! Owns the window and the rule. Pure: times come with the readings.

use std::collections::VecDeque;

use crate::channel::{Transfer, Trust, Value};
use crate::config::Channel;
use crate::curve::Samples;
use crate::time::{MILLISECOND, Micros, SECOND};

/// How long a raw value must have stood still.
pub const SPAN: Micros = 5 * SECOND;
/// How much of that must be there.
const COVERED: Micros = 4 * SECOND;
/// The fewest readings in it.
pub const LOOKS: usize = 5;
/// The most that are kept: a second's worth of 2,000 readings, five times.
const KEPT: usize = 10_000;
/// How far the means of the two halves may differ, as a share of the scale. Judgment, no source.
const DRIFT: f64 = 0.005;
/// How far single readings may scatter (standard deviation), likewise.
const SCATTER: f64 = 0.02;

/// One reading of the channel, without its calibration and smoothing.
#[derive(Clone, Copy, Debug)]
pub struct Taken {
    /// When, by any clock that does not go back.
    pub at: Micros,
    /// The value.
    pub value: Value,
    /// What the curve took; not a number where there is no such thing.
    pub input: f64,
    /// Counts, hertz or the number, as it came.
    pub raw: f64,
}

/// What readings are measured by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// The width of the scale, in the channel's unit, above 0.
    pub width: f64,
    /// What one count makes in the middle of what is trusted; 0 where nothing is counted.
    pub count: f64,
}

/// A steady raw value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mean {
    /// The mean, in the channel's unit, without calibration.
    pub value: f64,
    /// Standard deviation of single readings.
    pub spread: f64,
    /// The mean of what the curve took.
    pub input: f64,
    /// The mean of what came.
    pub raw: f64,
}

/// Why no mean can be taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unsteady {
    /// Too few readings, over too short a time: so many µs are there.
    TooLittle(Micros),
    /// One of them at least was not trusted.
    Untrusted(Trust),
    /// It moved: between the halves of the time by so much, where the second may be.
    Moved(f64, f64),
    /// It scattered by so much, where the second may be.
    Scattered(f64, f64),
}

/// The readings of the last [`SPAN`].
#[derive(Clone, Debug, Default)]
pub struct Window {
    list: VecDeque<Taken>,
}

impl Scale {
    /// Of `channel`: its span, else all that its curve can give, else 100. `transfer` is its way, where it has one.
    pub fn of(channel: &Channel, transfer: Option<&mut Transfer>) -> Self {
        let samples = transfer.map(|transfer| (transfer.has_counts(), Samples::of(channel, transfer)));
        let given = samples.as_ref().and_then(|(_, samples)| samples.values());
        let width = channel.span.or(given).map_or(0.0, |(low, high)| high - low);
        let width = if width > 0.0 { width } else { 100.0 };
        let count = samples.filter(|(counts, _)| *counts).and_then(|(_, samples)| {
            let middle = samples.rows(3).get(1).copied()?;
            Some(samples.step(middle)? / samples.apart)
        });
        Self { width, count: count.unwrap_or(0.0) }
    }

    /// How far the means of two halves may differ.
    pub fn drift(&self) -> f64 {
        (self.width * DRIFT).max(self.count)
    }

    /// How far single readings may scatter.
    pub fn scatter(&self) -> f64 {
        (self.width * SCATTER).max(2.0 * self.count)
    }
}

impl Window {
    /// Takes the next reading and forgets what is older than [`SPAN`]. One that lies before the newest begins anew.
    pub fn push(&mut self, taken: Taken) {
        if self.list.back().is_some_and(|last| taken.at < last.at) {
            self.list.clear();
        }
        self.list.push_back(taken);
        while self.list.len() > KEPT || self.list.front().is_some_and(|first| taken.at - first.at > SPAN) {
            self.list.pop_front();
        }
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.list.clear();
    }

    /// The newest reading.
    pub fn newest(&self) -> Option<Taken> {
        self.list.back().copied()
    }

    /// The mean of all good readings so far with their spread, steady or not.
    pub fn running(&self) -> Option<Mean> {
        mean(self.list.iter().filter(|taken| taken.value.good().is_some()))
    }

    /// The mean, if it stood still.
    pub fn steady(&self, scale: Scale) -> Result<Mean, Unsteady> {
        if let Some(bad) = self.list.iter().rev().find(|taken| taken.value.good().is_none()) {
            return Err(Unsteady::Untrusted(bad.value.trust()));
        }
        let (Some(first), Some(last)) = (self.list.front(), self.list.back()) else {
            return Err(Unsteady::TooLittle(0));
        };
        let covered = last.at - first.at;
        if covered < COVERED || self.list.len() < LOOKS {
            return Err(Unsteady::TooLittle(covered));
        }
        let middle = first.at + covered / 2;
        let half = |late: bool| mean(self.list.iter().filter(|taken| (taken.at > middle) == late));
        let (Some(early), Some(late), Some(all)) = (half(false), half(true), self.running()) else {
            return Err(Unsteady::TooLittle(covered));
        };
        let moved = (late.value - early.value).abs();
        if moved > scale.drift() {
            return Err(Unsteady::Moved(moved, scale.drift()));
        }
        if all.spread > scale.scatter() {
            return Err(Unsteady::Scattered(all.spread, scale.scatter()));
        }
        Ok(all)
    }

    /// How long what is held lasts, in tenths of a second.
    pub fn tenths(&self) -> Micros {
        let ends = self.list.front().zip(self.list.back());
        ends.map_or(0, |(first, last)| (last.at - first.at) / (100 * MILLISECOND))
    }
}

fn mean<'a>(list: impl Iterator<Item = &'a Taken> + Clone) -> Option<Mean> {
    let numbers = || list.clone().filter_map(|taken| Some((taken.value.good()?, taken.input, taken.raw)));
    let count = numbers().count() as f64;
    let first = numbers().next()?;
    // About the first one: sums of numbers that are nearly alike lose their digits.
    let about =
        |of: fn((f64, f64, f64)) -> f64| of(first) + numbers().map(|one| of(one) - of(first)).sum::<f64>() / count;
    let value = about(|one| one.0);
    let squares: f64 = numbers().map(|one| (one.0 - value).powi(2)).sum();
    let spread = if count > 1.0 { (squares / (count - 1.0)).sqrt() } else { 0.0 };
    Some(Mean { value, spread, input: about(|one| one.1), raw: about(|one| one.2) })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCALE: Scale = Scale { width: 10.0, count: 0.01 };

    /// Fifty readings a second for so many seconds.
    fn filled(seconds: i64, value: impl Fn(f64) -> Value) -> Window {
        let mut window = Window::default();
        for place in 0..=seconds * 50 {
            let value = value(place as f64 / 50.0);
            window.push(Taken { at: place * 20 * MILLISECOND, value, input: 7.0, raw: place as f64 });
        }
        window
    }

    #[test]
    fn what_stands_still_is_steady_and_its_mean_is_that_of_the_last_five_seconds() {
        let mean = filled(20, |_| Value::ok(3.0)).steady(SCALE).unwrap();
        assert_eq!((mean.value, mean.spread, mean.input), (3.0, 0.0, 7.0));
        assert!((mean.raw - 875.0).abs() < 1e-9);
    }

    #[test]
    fn four_seconds_are_enough_and_less_is_not() {
        assert!(filled(4, |_| Value::ok(3.0)).steady(SCALE).is_ok());
        assert_eq!(filled(3, |_| Value::ok(3.0)).steady(SCALE), Err(Unsteady::TooLittle(3 * SECOND)));
        assert_eq!(Window::default().steady(SCALE), Err(Unsteady::TooLittle(0)));
    }

    #[test]
    fn a_slow_drift_is_not_steady() {
        // The means of two halves of 5 s lie 2.5 s apart: 0.05 of 10 is half a hundredth.
        assert!(filled(5, |t| Value::ok(0.0195 * t)).steady(SCALE).is_ok());
        let unsteady = filled(5, |t| Value::ok(0.0205 * t)).steady(SCALE).unwrap_err();
        assert!(matches!(unsteady, Unsteady::Moved(by, most) if by > most && most == 0.05), "{unsteady:?}");
    }

    #[test]
    fn noise_is_averaged_up_to_a_point() {
        let noisy = |size: f64| {
            filled(5, move |t| Value::ok(if (t * 50.0).round() % 2.0 == 0.0 { 5.0 + size } else { 5.0 - size }))
        };
        assert!(noisy(0.19).steady(SCALE).is_ok());
        assert!(matches!(noisy(0.21).steady(SCALE), Err(Unsteady::Scattered(_, 0.2))));
    }

    #[test]
    fn one_untrusted_reading_is_enough_until_it_is_old() {
        let at = |bad: f64| filled(20, move |t| if t == bad { Value::bad(Trust::Open) } else { Value::ok(1.0) });
        assert_eq!(at(15.0).steady(SCALE), Err(Unsteady::Untrusted(Trust::Open)));
        assert!(at(14.98).steady(SCALE).is_ok());
    }

    #[test]
    fn time_that_goes_back_begins_anew() {
        let mut window = filled(5, |_| Value::ok(1.0));
        window.push(Taken { at: 0, value: Value::ok(1.0), input: 0.0, raw: 0.0 });
        assert_eq!(window.steady(SCALE), Err(Unsteady::TooLittle(0)));
    }
}
