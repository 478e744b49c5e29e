//! Units, converter, divider, resistive sensors and rotation; see `tests/reference/README.md`, sections 06, 10 and 13.

use super::close;
use super::csv::rows;
use kickpanel::circuit::{Circuit, Rail, counts, pin_volts, side_by_side};
use kickpanel::unit::{Kind, Unit};

/// In the reference files, but no units of the config.
const NOT_IN_THE_CONFIG: [&str; 7] = ["atm", "kn", "ft", "gal_us/h", "gal_imp/h", "N m", "lbf ft"];

fn unit(name: &str) -> Option<Unit> {
    let found = Unit::parse(name);
    assert_eq!(found.is_none(), NOT_IN_THE_CONFIG.contains(&name), "{name}");
    found
}

#[track_caller]
fn convert(value: f64, from: &str, to: &str) -> f64 {
    unit(from).unwrap().convert(value, unit(to).unwrap()).unwrap()
}

fn base(kind: Kind) -> &'static str {
    match kind {
        Kind::Pressure => "Pa",
        Kind::Speed => "m/s",
        Kind::Length => "m",
        Kind::Rate => "Hz",
        other => panic!("no base for {other:?} in this file"),
    }
}

/// NIST SP 811 appendix B.8, as transcribed in `NISTunits` 1.0.1 (seven digits; inHg is printed 1e-7 too high), and the
/// exact fractions of the definitions.
#[test]
fn factors_are_those_of_sp_811() {
    let mut checked = 0;
    for row in rows("06_unit_factors.csv") {
        let Some(from) = unit(row.text("unit")) else { continue };
        // Volumes and flows have no SI unit in the config: a litre is 1/1000 m³ exactly.
        let (to, scale) = match from.kind() {
            Kind::Volume => (Unit::LITRE, 1e-3),
            Kind::Flow => (Unit::LITRE_PER_HOUR, 1e-3 / 3600.0),
            kind => (unit(base(kind)).unwrap(), 1.0),
        };
        let factor = from.convert(1.0, to).unwrap() * scale;
        let exact = row.number("factor_as_fraction");
        close(factor, exact, exact * 4e-16, &row.name());
        if let Some(printed) = row.maybe("sp811_printed") {
            close(factor, printed, printed * 1.5e-7, &row.name());
        }
        checked += 1;
    }
    assert_eq!(checked, 18);
}

/// The same definitions; temperatures by t/degF = 1.8 t/degC + 32 and T/K = t/degC + 273.15.
#[test]
fn examples_of_conversion() {
    let mut checked = 0;
    for row in rows("06_units.csv") {
        let (Some(from), Some(to)) = (unit(row.text("from")), unit(row.text("to"))) else { continue };
        let exact = row.number("result_as_fraction");
        let value = row.number("value");
        close(from.convert(value, to).unwrap(), exact, exact.abs().max(1.0) * 1e-15, &row.name());
        let line = from.affine(to).unwrap();
        close(line.inverse().at(exact), value, value.abs().max(1.0) * 1e-15 * 300.0, &row.name());
        checked += 1;
    }
    assert_eq!(checked, 31);
}

/// Data sheet of the `ATmega328P`: volts × 1024 / reference, highest 0x3FF. Another sentence of it puts the first transition
/// at half a count (the file's other column); the two differ by half a count, 2.4 mV at 5 V, so by one code at most.
#[test]
fn an_ideal_converter_gives_these_counts() {
    for row in rows("10_adc_ideal.csv") {
        let (vin, vref) = (row.number("vin_v"), row.number("vref_v"));
        let code = counts(vin, 1023.0, vref);
        close(code, row.number("code_truncated"), 0.0, &row.name());
        close(vin / vref * 1024.0, row.number("vin_times_1024_over_vref"), 1e-6, &row.name());
        assert!((code - row.number("code_first_transition_at_half_lsb")).abs() <= 1.0, "{}", row.name());
    }
}

/// Exact arithmetic of volts = counts / (`adc_max` + 1) × vcc.
#[test]
fn counts_are_these_volts() {
    for row in rows("10_counts_to_volts.csv") {
        let volts = pin_volts(row.number("counts"), row.number("adc_max"), row.number("vcc_mv") / 1000.0);
        close(volts, row.number("volts"), 5.001e-10, &row.name());
    }
}

/// Ohm's law, exact; the four corners of the two tolerances.
#[test]
fn a_divider_divides() {
    for row in rows("10_divider.csv") {
        let (top, bottom, vin) = (row.number("top_ohm"), row.number("bottom_ohm"), row.number("vin_v"));
        let divider = Circuit::Divider { top, bottom };
        let pin = divider.inverse(vin, 5.0);
        close(pin, row.number("vout_v"), 5.001e-7, &row.name());
        close(divider.solve(pin, 5.0), vin, 1e-12, &row.name());
        close(divider.solve(1.0, 5.0), row.number("factor_back_to_vin"), 5.001e-10, &row.name());
        close(side_by_side(top, bottom), row.number("source_resistance_ohm"), 5.001e-4, &row.name());
        close((vin - pin) / top * 1000.0, row.number("current_ma"), 5.001e-7, &row.name());
        let off = row.number("tolerance_percent") / 100.0;
        let corners = [(-off, -off), (-off, off), (off, -off), (off, off)]
            .map(|(a, b)| Circuit::Divider { top: top * (1.0 + a), bottom: bottom * (1.0 + b) }.inverse(vin, 5.0));
        let least = corners.into_iter().fold(f64::INFINITY, f64::min);
        let most = corners.into_iter().fold(f64::NEG_INFINITY, f64::max);
        close(least, row.number("vout_min_v"), 5.001e-7, &row.name());
        close(most, row.number("vout_max_v"), 5.001e-7, &row.name());
    }
}

/// Ohm's law, exact.
#[test]
fn a_resistive_sensor_has_these_ohms() {
    for row in rows("10_resistor_sensor.csv") {
        let (resistor, to) = (row.number("resistor_ohm"), Rail::Supply);
        let circuit = match row.text("kind") {
            "pullup" => Circuit::PullUp { resistor, to },
            "pulldown" => Circuit::PullDown { resistor, to },
            other => panic!("no circuit {other}"),
        };
        let vcc = row.number("vcc_mv") / 1000.0;
        let volts = pin_volts(row.number("counts"), row.number("adc_max"), vcc);
        close(circuit.solve(volts, vcc), row.number("sensor_ohm"), 5.01e-7, &row.name());
        close(circuit.inverse(row.number("sensor_ohm"), vcc), volts, 1e-9, &row.name());
    }
}

/// Arithmetic, exact.
#[test]
fn pulses_are_these_revolutions() {
    for row in rows("13_pulses_to_rpm.csv") {
        let turns = row.number("pulse_rate_hz") / row.number("pulses_per_rev");
        close(convert(turns, "Hz", "1/min"), row.number("rpm"), 1e-9, &row.name());
    }
    for row in rows("13_gap_to_rpm.csv") {
        let gap = convert(row.number("gap_us"), "us", "s");
        let turns = 1.0 / (gap * row.number("pulses_per_rev"));
        close(convert(turns, "Hz", "1/min"), row.number("rpm"), 1e-9, &row.name());
    }
}

/// Arithmetic, exact; printed to nine digits.
#[test]
fn pulses_are_these_speeds() {
    for row in rows("13_pulses_per_km_to_speed.csv") {
        let speed = row.number("pulse_rate_hz") / row.number("pulses_per_km");
        for (to, column) in [("km/h", "km_per_h"), ("mph", "mph"), ("m/s", "m_per_s")] {
            let should = row.number(column);
            close(convert(speed, "km/s", to), should, should * 1e-8, &row.name());
        }
    }
    for row in rows("13_wheel.csv") {
        let (turn, pulses) = (row.number("rolling_circumference_m"), row.number("pulses_per_wheel_rev"));
        let checks = [
            (convert(1.0, "km", "m") / turn, "revs_per_km"),
            (convert(1.0, "km", "m") / turn * pulses, "pulses_per_km"),
            (convert(1.0, "mi", "m") / turn * pulses, "pulses_per_mi"),
            (convert(100.0 / pulses * turn, "m/s", "km/h"), "km_per_h_at_100_hz"),
        ];
        for (is, column) in checks {
            let should = row.number(column);
            close(is, should, should * 1e-8, &row.name());
        }
    }
}

/// Arithmetic, exact; printed to nine digits.
#[test]
fn a_gear_is_found_from_engine_and_road_speed() {
    for row in rows("13_gear_ratio.csv") {
        let speed = convert(row.number("speed_km_per_h"), "km/h", "m/s");
        let wheel = convert(speed / row.number("rolling_circumference_m"), "Hz", "1/min");
        close(wheel, row.number("wheel_rpm"), 1e-6, &row.name());
        let overall = row.number("engine_rpm") / wheel;
        close(overall, row.number("overall_ratio"), 1e-8, &row.name());
        close(overall / row.number("final_drive"), row.number("gear_ratio"), 1e-8, &row.name());
    }
}
