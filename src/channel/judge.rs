//! The rules of trust, in the order of the table of the config, version 1.
//!
//! Owns which state a reading takes from the voltages around it, and which of several states is the one that shows.
//! Pure: everything is an argument. How a value moves is judged elsewhere: by itself in `motion`, with others in `ground`.

use super::{Trust, Value};
use crate::circuit::Circuit;

/// How near to a rail counts as on it, as a share of that rail.
const NEAR: f64 = 0.01;

/// What is known of an analog pin at one reading.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pin {
    /// Counts as they came.
    pub counts: f64,
    /// Highest count of the converter.
    pub adc_max: f64,
    /// Volts at the pin.
    pub volts: f64,
    /// The converter's supply in volts, above 0.
    pub supply: f64,
}

/// The state that the voltages alone give, `Ok` where they are inside all rules. `live_zero`: the ends of the curve in
/// volts, lower first, where the sensor is one that never rests at a rail.
pub(super) fn electrical(circuit: &Circuit, live_zero: Option<(f64, f64)>, pin: Pin) -> Trust {
    let named = match (*circuit, live_zero) {
        (Circuit::PullUp { to, .. }, _) => rails(pin.volts, to.volts(pin.supply), Trust::ShortLow, Trust::Open),
        (Circuit::PullDown { to, .. }, _) => rails(pin.volts, to.volts(pin.supply), Trust::Open, Trust::ShortHigh),
        (Circuit::Amplifier { .. }, _) => rails(pin.volts, pin.supply, Trust::Beyond, Trust::Beyond),
        (Circuit::Direct, Some(ends)) => live(pin.volts, pin.supply, ends),
        _ => Trust::Ok,
    };
    // A converter at its top end says only that there is at least so much. Where a rule has a name for it, that is said.
    if named == Trust::Ok && pin.counts >= pin.adc_max { Trust::Beyond } else { named }
}

fn rails(volts: f64, rail: f64, low: Trust, high: Trust) -> Trust {
    if volts <= rail * NEAR {
        low
    } else if volts >= rail * (1.0 - NEAR) {
        high
    } else {
        Trust::Ok
    }
}

/// Nearer to a rail than half the distance between rail and curve end. A curve that reaches its rail has no such room.
fn live(volts: f64, rail: f64, (low, high): (f64, f64)) -> Trust {
    if volts < low / 2.0 {
        Trust::ShortLow
    } else if high < rail && rail - volts < (rail - high) / 2.0 {
        Trust::ShortHigh
    } else {
        Trust::Ok
    }
}

/// What speaks against a value that was taken, besides what it was taken with.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Judged {
    /// No reading for too long.
    pub stale: bool,
    /// The sensor supply is out of its limits now, and the channel depends on it.
    pub supply: bool,
    /// The channel stepped together with others.
    pub ground: bool,
}

/// The value with the first state that applies. States of the reading itself stand in `taken`.
pub(super) fn first(taken: Value, judged: Judged) -> Value {
    let against = match judged {
        Judged { stale: true, .. } => Trust::Stale,
        Judged { supply: true, .. } => Trust::Supply,
        Judged { ground: true, .. } => Trust::Ground,
        Judged { .. } => return taken,
    };
    worst(taken, against)
}

/// `value` with `trust`, or with its own state where that comes first in the table.
pub(super) fn worst(value: Value, trust: Trust) -> Value {
    match value.trust() {
        _ if trust == Trust::Ok => value,
        Trust::Ok => Value::bad(trust),
        own => Value::bad(own.min(trust)),
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;
    use crate::circuit::Rail;

    fn pin(volts: f64) -> Pin {
        Pin { counts: volts / 5.0 * 1024.0, adc_max: 1023.0, volts, supply: 5.0 }
    }

    // The table of trust in the config, version 1; edges in pairs.
    #[rstest]
    #[case::far_below(0.0, Trust::ShortLow)]
    #[case::last_short_low(0.249_9, Trust::ShortLow)]
    #[case::first_that_is_not(0.25, Trust::Ok)]
    #[case::last_that_is_not(4.75, Trust::Ok)]
    #[case::first_short_high(4.750_1, Trust::ShortHigh)]
    #[case::at_the_rail(5.0, Trust::ShortHigh)]
    fn a_live_zero_sensor_is_short_beyond_half_way_to_a_rail(#[case] volts: f64, #[case] trust: Trust) {
        assert_eq!(electrical(&Circuit::Direct, Some((0.5, 4.5)), pin(volts)), trust);
    }

    #[rstest]
    #[case::on_ground(0.0, Trust::ShortLow, Trust::Open)]
    #[case::last_on_ground(0.05, Trust::ShortLow, Trust::Open)]
    #[case::first_above(0.050_1, Trust::Ok, Trust::Ok)]
    #[case::last_below(4.949_9, Trust::Ok, Trust::Ok)]
    #[case::first_on_supply(4.95, Trust::Open, Trust::ShortHigh)]
    fn a_resistor_circuit_is_broken_or_short_within_a_hundredth(
        #[case] volts: f64,
        #[case] up: Trust,
        #[case] down: Trust,
    ) {
        for to in [Rail::Supply, Rail::Volts(5.0)] {
            assert_eq!(electrical(&Circuit::PullUp { resistor: 1e3, to }, None, pin(volts)), up);
            assert_eq!(electrical(&Circuit::PullDown { resistor: 1e3, to }, None, pin(volts)), down);
        }
    }

    #[rstest]
    #[case::last_at_the_lower_end(0.05, Trust::Beyond)]
    #[case::first_above(0.050_1, Trust::Ok)]
    #[case::last_below(4.949_9, Trust::Ok)]
    #[case::first_at_the_upper_end(4.95, Trust::Beyond)]
    fn an_amplifier_at_its_end_is_beyond(#[case] volts: f64, #[case] trust: Trust) {
        assert_eq!(electrical(&Circuit::Amplifier { gain: 100.0, offset: 0.0 }, None, pin(volts)), trust);
    }

    #[rstest]
    #[case::last_below(1022.999, Trust::Ok)]
    #[case::at_the_top(1023.0, Trust::Beyond)]
    fn a_converter_at_its_top_end_is_beyond(#[case] counts: f64, #[case] trust: Trust) {
        let pin = Pin { counts, adc_max: 1023.0, volts: counts / 1024.0 * 5.0, supply: 5.0 };
        assert_eq!(electrical(&Circuit::Divider { top: 1e4, bottom: 1e4 }, None, pin), trust);
        assert_eq!(electrical(&Circuit::Direct, None, pin), trust);
    }

    #[test]
    fn a_curve_that_reaches_the_rail_is_never_short_to_it() {
        assert_eq!(electrical(&Circuit::Direct, Some((0.5, 5.0)), pin(4.99)), Trust::Ok);
        assert_eq!(electrical(&Circuit::Direct, Some((0.0, 4.0)), pin(0.0)), Trust::Ok);
    }

    #[test]
    fn the_first_state_of_the_table_is_the_one_that_shows() {
        let both = Judged { stale: true, supply: true, ground: true };
        let ground = Judged { ground: true, ..Judged::default() };
        let supply = Judged { supply: true, ..Judged::default() };
        assert_eq!(first(Value::MISSING, both).trust(), Trust::Missing);
        assert_eq!(first(Value::bad(Trust::Open), both).trust(), Trust::Stale);
        assert_eq!(first(Value::bad(Trust::Open), supply).trust(), Trust::Supply);
        assert_eq!(first(Value::ok(1.0), supply).trust(), Trust::Supply);
        assert_eq!(first(Value::ok(1.0), Judged { stale: false, ..both }).trust(), Trust::Supply);
        assert_eq!(first(Value::bad(Trust::Supply), ground).trust(), Trust::Supply);
        assert_eq!(first(Value::bad(Trust::Open), ground).trust(), Trust::Ground);
        assert_eq!(first(Value::ok(1.0), ground).trust(), Trust::Ground);
        assert_eq!(first(Value::bad(Trust::Beyond), Judged::default()).trust(), Trust::Beyond);
        assert_eq!(worst(Value::bad(Trust::Beyond), Trust::Open).trust(), Trust::Open);
        assert_eq!(worst(Value::ok(2.0), Trust::Ok).good(), Some(2.0));
    }
}
