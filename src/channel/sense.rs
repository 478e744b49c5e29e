//! From what the circuit or the pin gives into the channel's unit.
//!
//! Owns the sensor's transfer function with the conversions before and behind it, worked out once. Pure arithmetic.

use crate::config::{Field, Input, Sensor, Take};
use crate::sensor::Curve;
use crate::unit::{Affine, Unit};

/// The way of one input from its base quantity (V, ohm, Hz, 1) into the channel's unit.
#[derive(Clone, Debug)]
pub(super) enum Sense {
    /// Through a curve.
    Curve {
        /// From the base quantity into what the curve takes.
        takes: Option<Affine>,
        /// The curve.
        curve: Curve,
        /// Into the channel's unit.
        into: Option<Affine>,
    },
    /// Through a factor.
    Times(f64),
    /// 1 at that level, else 0.
    Switch(bool),
    /// Through factor and offset.
    Number {
        /// Factor.
        times: f64,
        /// Put on.
        plus: f64,
        /// Into the channel's unit.
        into: Option<Affine>,
    },
    /// Volts into millivolts; the junctions are added up elsewhere.
    Millivolts,
}

impl Sense {
    /// As `input` says.
    pub fn new(input: &Input) -> Self {
        match &input.sensor {
            Sensor::Curve { curve, takes, into, .. } => Self::Curve {
                takes: base(input).affine(*takes).and_then(unless_same),
                curve: curve.clone(),
                into: unless_same(*into),
            },
            Sensor::Thermocouple { .. } => Self::Millivolts,
            Sensor::Pulses { times } => Self::Times(*times),
            Sensor::Switch { on } => Self::Switch(*on),
            Sensor::Number { times, plus, into } => {
                Self::Number { times: *times, plus: *plus, into: unless_same(*into) }
            }
        }
    }

    /// The value in the channel's unit; `None` beyond the curve.
    #[inline]
    pub fn at(&self, x: f64) -> Option<f64> {
        match self {
            Self::Curve { takes, curve, into } => curve.at(through(*takes, x)).map(|y| through(*into, y)),
            Self::Times(times) => Some(x * times),
            Self::Switch(on) => Some(if (x != 0.0) == *on { 1.0 } else { 0.0 }),
            Self::Number { times, plus, into } => Some(through(*into, x * times + plus)),
            Self::Millivolts => Some(x * 1e3),
        }
    }
}

/// The unit of what comes before the sensor.
pub(super) fn base(input: &Input) -> Unit {
    match input.field {
        Field::Analog(_) if input.circuit.gives_ohms() => Unit::OHM,
        Field::Analog(_) | Field::Supply => Unit::VOLT,
        Field::Pulse { take: Take::Rate, .. } => Unit::HERTZ,
        _ => Unit::ONE,
    }
}

fn unless_same(line: Affine) -> Option<Affine> {
    (line != Affine::IDENTITY).then_some(line)
}

#[inline]
fn through(line: Option<Affine>, x: f64) -> f64 {
    line.map_or(x, |line| (x - line.minus) * line.times / line.over + line.plus)
}
