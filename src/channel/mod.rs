//! From readings to values with trust: circuits, curves, pulses, formulas, calibration, smoothing.
//!
//! Owns [`Trust`], [`Value`] and the [`Bank`] of all channels. A value without its trust does not exist in any type
//! that leaves this room. No alarms, no drawing, no clock.

mod trust;

pub use trust::{Trust, Value};

use crate::config::{LinkId, Model};
use crate::state::{LinkShown, Shown};
use crate::time::{Micros, Stamp};
use crate::wire::{Reading, Tally};

/// What the bank must know of a link besides the line itself.
#[derive(Clone, Copy, Debug)]
pub struct LinkFacts<'a> {
    /// Which link.
    pub link: LinkId,
    /// What came over it so far.
    pub tally: &'a Tally,
    /// Highest count of its converter.
    pub adc_max: f64,
}

/// All channels with what must be remembered from line to line.
#[derive(Debug)]
pub struct Bank {}

impl Bank {
    /// Every channel unknown.
    pub fn new(model: &Model) -> Self {
        let _ = model;
        Self {}
    }

    /// Takes one reading. `now`: when it arrived on the computer's timeline; `at`: the time of exports, µs.
    /// Updates every channel of that link, what is stale, and every formula. Allocates nothing.
    pub fn reading(
        &mut self,
        model: &Model,
        facts: LinkFacts<'_>,
        reading: &Reading,
        now: Stamp,
        at: Micros,
        channels: &mut [Shown],
        link: &mut LinkShown,
    ) {
        let _ = (model, facts, reading, now, at, channels, link);
    }

    /// Time passed without a line: marks what is stale, and formulas that depend on it. True where anything changed.
    pub fn tick(&mut self, model: &Model, now: Stamp, channels: &mut [Shown]) -> bool {
        let _ = (model, now, channels);
        false
    }
}
