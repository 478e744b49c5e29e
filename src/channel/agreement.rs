//! What a line without a checksum says, and the next one does not.
//!
//! Owns the rule of links whose lines nothing vouches for: a value that moves implausibly far is held back until the next
//! line, which is taken whatever it says. So a true change is late by one reading at most, and one damaged line shows
//! nothing. Pure.

use super::fresh::Intervals;
use super::ground::Lead;
use crate::time::Micros;

/// Implausibly far, while nothing else is known: a share of the converter's range, and once its usual movement is known.
const FAR: (f64, f64) = (1.0 / 8.0, 1.0 / 64.0);
/// A number whose scale is not known: a share of itself, or of 1 where it is smaller.
const SHARE: f64 = 0.1;
/// A rate: a share of itself, and so many hertz more.
const RATE: (f64, f64) = (0.5, 20.0);
/// The supply: a share of itself.
const SUPPLY: f64 = 0.05;
/// A slope may become steeper by so many times from one reading to the next.
const STEEPER: f64 = 2.0;

/// Whether one field waits for the next line.
#[derive(Clone, Debug, Default)]
pub(super) struct Agreement {
    waits: bool,
    moved: f64,
}

impl Agreement {
    /// Whether a movement that is `far` is to be held back. Never twice in a row.
    pub fn holds(&mut self, far: bool) -> bool {
        self.waits = far && !self.waits;
        self.waits
    }

    /// Whether `counts` are implausibly far from those before, which moved as they did.
    pub fn is_far(&mut self, counts: f64, before: f64, lead: &Lead, adc_max: f64) -> bool {
        let moved = counts - before;
        let slope = if moved * self.moved > 0.0 { STEEPER * self.moved.abs() } else { 0.0 };
        let usual = if lead.far.is_finite() { lead.far.max((adc_max + 1.0) * FAR.1) } else { (adc_max + 1.0) * FAR.0 };
        let far = moved.abs() > usual.max(slope);
        if !far || self.waits {
            self.moved = if moved.is_nan() { 0.0 } else { moved };
        }
        far
    }
}

/// Whether a value moved faster than the config says is possible, per second.
pub(super) fn is_too_fast(to: f64, from: f64, fastest: f64, at: Micros, pace: &Intervals) -> bool {
    (to - from).abs() > fastest * pace.age(at).max(1) as f64 / 1e6
}

/// Whether a number of unknown scale moved implausibly far.
pub(super) fn is_far_number(to: f64, from: f64) -> bool {
    (to - from).abs() > SHARE * from.abs().max(1.0)
}

/// Whether a rate did, in hertz.
pub(super) fn is_far_rate(to: f64, from: f64) -> bool {
    (to - from).abs() > RATE.0 * from + RATE.1
}

/// Whether the supply did.
pub(super) fn is_far_supply(to: f64, from: f64) -> bool {
    (to - from).abs() > SUPPLY * from
}
