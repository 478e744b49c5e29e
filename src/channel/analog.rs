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
/// Counts below 0 by less than this are rounding.
const SMALLEST: f64 = 1e-6;

/// One analog input.
#[derive(Clone, Debug)]
pub(super) struct Analog {
    way: Way,
    /// Where the result does not depend on the supply, any supply gives it: this one, in volts.
    nominal: Option<f64>,
    /// Of the sensor supply's limits this input takes notice.
    pub of_supply: bool,
    /// What the newest counts gave, and for which highest count all of this holds.
    remembered: Box<[Known; REMEMBERED]>,
    adc_max: f64,
}

/// What counts go through.
#[derive(Clone, Debug)]
struct Way {
    circuit: Circuit,
    sense: Sense,
    /// The supply that volts are scaled to, where that changes them.
    ratiometric: Option<f64>,
    live_zero: Option<(f64, f64)>,
}

/// What counts give at a supply.
#[derive(Clone, Copy, Debug)]
struct Known {
    /// Both as bits, since it holds for the very same ones only.
    counts: u64,
    supply: u64,
    /// What the curve takes.
    input: f64,
    /// The value in the channel's unit, before calibration.
    value: Value,
}

impl Known {
    const NOTHING: Self = Self { counts: u64::MAX, supply: u64::MAX, input: f64::NAN, value: Value::MISSING };
}

impl Analog {
    /// As `input` says.
    pub fn new(input: &Input) -> Self {
        let (ratiometric, live_zero) = match &input.sensor {
            Sensor::Curve { ratiometric, live_zero, .. } => (*ratiometric, *live_zero),
            _ => (None, None),
        };
        let nominal = nominal(&input.circuit, ratiometric);
        Self {
            way: Way {
                circuit: input.circuit,
                sense: Sense::new(input),
                ratiometric: ratiometric.filter(|_| nominal.is_none()),
                live_zero: live_zero.map(|(one, other)| (one.min(other), one.max(other))),
            },
            nominal,
            of_supply: ratiometric.is_some() || to_supply(&input.circuit),
            adc_max: f64::NAN,
            remembered: Box::new([Known::NOTHING; REMEMBERED]),
        }
    }

    /// What the curve takes, and the value, of `counts` at `supply` volts, above 0.
    #[inline]
    pub fn measure(&mut self, counts: f64, supply: f64) -> (f64, Value) {
        let supply = self.nominal.unwrap_or(supply);
        let known = &mut self.remembered[slot(counts, supply)];
        if (known.counts, known.supply) != (counts.to_bits(), supply.to_bits()) {
            *known = self.way.work_out(counts, self.adc_max, supply);
        }
        (known.input, known.value)
    }

    /// The counts, not whole, and the value while the curve takes `input`, at `supply` volts, above 0: the way of
    /// [`Analog::measure`] from behind the circuit, the pin being where the circuit puts it.
    pub fn at_input(&self, input: f64, supply: f64) -> (f64, Value) {
        let (way, adc_max) = (&self.way, self.adc_max);
        let supply = self.nominal.unwrap_or(supply);
        let seen = way.ratiometric.map_or(input, |ratio| input * supply / ratio);
        let volts = way.circuit.inverse(seen, supply);
        let counts = volts / supply * (adc_max + 1.0);
        let value = way.value(input, way.pin(input, Pin { counts, adc_max, volts, supply }));
        // No converter shows less than nothing.
        (counts, if counts < -SMALLEST { value.and(Trust::Beyond) } else { value })
    }

    /// The highest count.
    pub fn adc_max(&self) -> f64 {
        self.adc_max
    }

    /// The highest count is another one.
    pub fn forget(&mut self, adc_max: f64) {
        self.adc_max = adc_max;
        self.remembered.fill(Known::NOTHING);
    }
}

impl Way {
    #[inline(never)]
    fn work_out(&self, counts: f64, adc_max: f64, supply: f64) -> Known {
        let volts = pin_volts(counts, adc_max, supply);
        let seen = self.circuit.solve(volts, supply);
        let input = self.ratiometric.map_or(seen, |ratio| seen * ratio / supply);
        let pin = self.pin(input, Pin { counts, adc_max, volts, supply });
        let value = self.value(input, pin);
        Known { counts: counts.to_bits(), supply: supply.to_bits(), input, value }
    }

    /// What the rules look at. The ends of a live-zero curve are in its own volts; only a direct circuit has them, so
    /// these are the pin's.
    fn pin(&self, input: f64, pin: Pin) -> Pin {
        match self.live_zero {
            Some(_) if matches!(self.circuit, Circuit::Direct) => {
                Pin { volts: input, supply: self.ratiometric.unwrap_or(pin.supply), ..pin }
            }
            _ => pin,
        }
    }

    fn value(&self, input: f64, pin: Pin) -> Value {
        match judge::electrical(&self.circuit, self.live_zero, pin) {
            Trust::Ok => self.sense.at(input).map_or(Value::bad(Trust::Beyond), Value::ok),
            trust => Value::bad(trust),
        }
    }
}

/// The low bits of whole counts spread neighbours over all places, and the middle ones of a supply's fraction those of a
/// reference that trembles.
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "only its low bits are used")]
fn slot(counts: f64, supply: f64) -> usize {
    // 2^52: beyond it the last bit of a double stands for 1.
    let counts = (counts + 4_503_599_627_370_496.0).to_bits();
    (counts.wrapping_add(supply.to_bits() >> 38)) as usize % REMEMBERED
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
