//! From counts to a value: volts, circuit, trust, curve.
//!
//! Owns the way of one analog input and the memory of what its newest counts gave. Pure arithmetic.

use super::judge::{self, Pin};
use super::sense::Sense;
use super::{Trust, Value};
use crate::circuit::{Circuit, Rail, pin_volts};
use crate::config::{Input, Sensor};

/// How many results are remembered: noise moves a reading among few counts. A power of two.
const REMEMBERED: usize = 64;

/// One analog input.
#[derive(Clone, Debug)]
pub(super) struct Analog {
    circuit: Circuit,
    sense: Sense,
    ratiometric: Option<f64>,
    live_zero: Option<(f64, f64)>,
    /// Where the result does not depend on the supply, any supply gives it: this one, in volts.
    nominal: Option<f64>,
    /// Of the sensor supply's limits this input takes notice.
    pub of_supply: bool,
    adc_max: f64,
    /// Whether remembering pays: a reference that trembles changes the supply each time, and what is quick is not worth it.
    remembers: bool,
    /// What the newest counts gave, by their low bits.
    remembered: Box<[Known; REMEMBERED]>,
    /// The supply that this holds for.
    supply: f64,
}

/// What counts give.
#[derive(Clone, Copy, Debug)]
struct Known {
    counts: f64,
    /// What the curve takes.
    input: f64,
    /// The value in the channel's unit, before calibration.
    value: Value,
}

impl Known {
    const NOTHING: Self = Self { counts: f64::NAN, input: f64::NAN, value: Value::MISSING };
}

impl Analog {
    /// As `input` says.
    pub fn new(input: &Input) -> Self {
        let sense = Sense::new(input);
        let (ratiometric, live_zero) = match &input.sensor {
            Sensor::Curve { ratiometric, live_zero, .. } => (*ratiometric, *live_zero),
            _ => (None, None),
        };
        let nominal = nominal(&input.circuit, ratiometric);
        Self {
            circuit: input.circuit,
            remembers: nominal.is_some() || sense.is_slow(),
            sense,
            ratiometric,
            live_zero: live_zero.map(|(one, other)| (one.min(other), one.max(other))),
            nominal,
            of_supply: ratiometric.is_some() || to_supply(&input.circuit),
            adc_max: f64::NAN,
            remembered: Box::new([Known::NOTHING; REMEMBERED]),
            supply: f64::NAN,
        }
    }

    /// What the curve takes, and the value, of `counts` at `supply` volts, above 0.
    #[inline]
    #[expect(clippy::float_cmp, reason = "what is remembered holds for the very same counts only")]
    pub fn measure(&mut self, counts: f64, adc_max: f64, supply: f64) -> (f64, Value) {
        let supply = self.nominal.unwrap_or(supply);
        if (self.adc_max, self.supply) != (adc_max, supply) {
            (self.adc_max, self.supply) = (adc_max, supply);
            if self.remembers {
                self.remembered.fill(Known::NOTHING);
            }
        }
        if !self.remembers {
            let known = self.work_out(counts, supply);
            return (known.input, known.value);
        }
        let slot = slot(counts) % REMEMBERED;
        if self.remembered[slot].counts != counts {
            self.remembered[slot] = self.work_out(counts, supply);
        }
        let known = &self.remembered[slot];
        (known.input, known.value)
    }

    fn work_out(&self, counts: f64, supply: f64) -> Known {
        let volts = pin_volts(counts, self.adc_max, supply);
        let seen = self.circuit.solve(volts, supply);
        let (input, rail) = match self.ratiometric {
            Some(ratio) if self.nominal.is_none() => (seen * ratio / supply, ratio),
            _ => (seen, supply),
        };
        // The ends of a live-zero curve are in its own volts; only a direct circuit has them, so these are the pin's.
        let pin = match self.live_zero {
            Some(_) if matches!(self.circuit, Circuit::Direct) => {
                Pin { counts, adc_max: self.adc_max, volts: input, supply: rail }
            }
            _ => Pin { counts, adc_max: self.adc_max, volts, supply },
        };
        let value = match judge::electrical(&self.circuit, self.live_zero, pin) {
            Trust::Ok => self.sense.at(input).map_or(Value::bad(Trust::Beyond), Value::ok),
            trust => Value::bad(trust),
        };
        Known { counts, input, value }
    }
}

/// The low bits of whole counts spread neighbours over all places; a fraction shares its neighbour's.
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "only its low bits are used")]
fn slot(counts: f64) -> usize {
    // 2^52: beyond it the last bit of a double stands for 1.
    (counts + 4_503_599_627_370_496.0).to_bits() as usize
}

fn to_supply(circuit: &Circuit) -> bool {
    matches!(circuit, Circuit::PullUp { to: Rail::Supply, .. } | Circuit::PullDown { to: Rail::Supply, .. })
}

/// Scaled volts and ohms to the supply are ratios of the supply, so the supply itself falls out.
fn nominal(circuit: &Circuit, ratiometric: Option<f64>) -> Option<f64> {
    match circuit {
        _ if to_supply(circuit) => Some(1.0),
        Circuit::Direct | Circuit::Divider { .. } => ratiometric,
        _ => None,
    }
}
