//! What a line without a checksum says, and the next one does not.
//!
//! Owns the rule of links whose lines nothing vouches for: a value that moves implausibly far is held back until the next
//! line, which is taken whatever it says. So a true change is late by one reading at most, and one damaged line shows
//! nothing. Pure.

use super::fresh::Intervals;
use super::ground::Lead;
use crate::time::Micros;

/// What is usual is known after so many readings; until then nothing is far.
const KNOWN: u8 = 16;
/// The least that is implausibly far, as a share of the converter's range.
const LEAST: f64 = 1.0 / 64.0;
/// A number whose scale is not known: so many times what it usually moves by, and at least such a share of itself, or of 1
/// where it is smaller.
const NUMBER: (f64, f64) = (8.0, 0.1);
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
    /// The last movement, and what it usually is.
    moved: f64,
    usual: f64,
    /// How many readings there were, up to [`KNOWN`].
    heard: u8,
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
        let far = moved.abs() > lead.far.max((adc_max + 1.0) * LEAST).max(slope);
        if !far || self.waits {
            self.moved = if moved.is_nan() { 0.0 } else { moved };
        }
        far
    }

    /// Whether a number of unknown scale is implausibly far from the one before.
    pub fn is_far_number(&mut self, to: f64, from: f64) -> bool {
        let most = (NUMBER.0 * self.usual).max(NUMBER.1 * from.abs().max(1.0));
        let moved = (to - from).abs();
        let far = self.is_known() && moved > most;
        if moved.is_finite() {
            self.usual += (moved.min(most) - self.usual) / f64::from(KNOWN);
        }
        far
    }

    /// Whether enough readings came to say what is usual; this one counts.
    pub fn is_known(&mut self) -> bool {
        let known = self.heard == KNOWN;
        self.heard = (self.heard + 1).min(KNOWN);
        known
    }
}

/// Whether a value moved faster than the config says is possible, per second.
pub(super) fn is_too_fast(to: f64, from: f64, fastest: f64, at: Micros, pace: &Intervals) -> bool {
    (to - from).abs() > fastest * pace.age(at).max(1) as f64 / 1e6
}

/// Whether a rate did, in hertz.
pub(super) fn is_far_rate(to: f64, from: f64) -> bool {
    (to - from).abs() > RATE.0 * from + RATE.1
}

/// Whether the supply did.
pub(super) fn is_far_supply(to: f64, from: f64) -> bool {
    (to - from).abs() > SUPPLY * from
}
