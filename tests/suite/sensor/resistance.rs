//! Platinum and thermistors; see `tests/reference/README.md`, sections 02 and 03.

use super::close;
use super::csv::{Row, rows};
use kickpanel::sensor::{CurveError, Platinum, Thermistor, platinum};

/// `r_ohm`: IEC 60751 in exact arithmetic, confirmed by caldus 1.3. `published_table_ohm`: two printed tables (two
/// decimals); their one misprint, -160 degC, is not in the file, which has the other table's value there.
#[test]
fn platinum_follows_the_standard_and_its_printed_tables() {
    for row in rows("02_rtd.csv") {
        let ohm = platinum(row.number("r0_ohm"), row.number("t_degc")).unwrap();
        close(ohm, row.number("r_ohm"), 1.000_1e-5, &row.name());
        if let Some(printed) = row.maybe("published_table_ohm") {
            close(ohm, printed, 0.005_001, &row.name());
        }
        let curve = Platinum::new(row.number("r0_ohm")).unwrap();
        close(curve.at(ohm).unwrap(), row.number("t_degc"), 1e-5, &row.name());
    }
}

/// Publicly reprinted mistakes that a check must not be made of: sensorsci.com has 35.34 ohm at -160 degC for 35.54,
/// and many tables still print DIN 43760 on the temperature scale of 1968.
#[test]
fn platinum_is_not_that_of_misprinted_or_outdated_tables() {
    for (t, wrong) in [(-160.0, 35.34), (100.0, 138.50), (-100.0, 60.25), (500.0, 280.90)] {
        assert!((platinum(100.0, t).unwrap() - wrong).abs() > 0.005, "{t} degC");
    }
}

/// IEC 60751 in exact arithmetic, solved.
#[test]
fn platinum_is_inverted_within_a_hundred_thousandth_of_a_degree() {
    for row in rows("02_rtd_inverse.csv") {
        let curve = Platinum::new(row.number("r0_ohm")).unwrap();
        close(curve.at(row.number("r_ohm")).unwrap(), row.number("t_degc"), 1e-5, &row.name());
    }
}

/// Classes A and B of IEC 60751 (dwmai.com): a sensor at the edge of its class reads off by just that class, which
/// checks the slope of the curve over its whole range.
#[test]
fn a_sensor_at_the_edge_of_its_class_is_off_by_its_class() {
    let curve = Platinum::new(100.0).unwrap();
    for row in rows("02_rtd_tolerance.csv") {
        let t = row.number("t_degc");
        for (class, constant, share) in [("class_a_degc", 0.15, 0.002), ("class_b_degc", 0.3, 0.005)] {
            let tolerance = row.number(class);
            close(tolerance, constant + share * t.abs(), 1e-9, class);
            let reads = curve.at(platinum(100.0, t + tolerance).unwrap()).unwrap();
            close(reads - t, tolerance, 1e-5, &row.name());
        }
    }
}

fn steinhart_hart(row: &Row) -> Thermistor {
    Thermistor::from_constants(["a", "b", "c"].map(|name| row.number(name)), None).unwrap()
}

/// Formula (Steinhart and Hart) computed with other code; `published_table_ohm`: manual of the temperature probe 109SS,
/// appendix C, which its own constants meet within 0.0024 degC.
#[test]
fn a_thermistor_follows_the_table_of_its_constants() {
    for row in rows("03_ntc_steinhart_hart.csv") {
        let curve = steinhart_hart(&row);
        let t = row.number("t_degc");
        close(curve.inverse(t).unwrap(), row.number("r_ohm"), 1e-4, &row.name());
        // Four decimals of an ohm are less than 1e-5 degC on every row.
        close(curve.at(row.number("r_ohm")).unwrap(), t, 1e-5, &row.name());
        if let Some(printed) = row.maybe("published_table_ohm") {
            close(curve.at(printed).unwrap(), t, 0.005, &row.name());
        }
    }
}

/// The same formula, solved the other way round.
#[test]
fn a_thermistor_gives_the_temperature_of_its_ohms() {
    for row in rows("03_ntc_steinhart_hart_inverse.csv") {
        close(steinhart_hart(&row).at(row.number("r_ohm")).unwrap(), row.number("t_degc"), 1e-5, &row.name());
    }
}

/// "laboratory instrument table": manual of the LDC-3900, table A.1 (its fit misses by at most 0.003 degC). The others
/// by formula; temperatures to four decimals.
#[test]
fn three_points_make_the_constants_and_a_fourth_resistance_its_temperature() {
    for row in rows("03_ntc_three_points.csv") {
        let point = |i: u8| (row.number(&format!("t{i}_degc")), row.number(&format!("r{i}_ohm")));
        for points in [[point(1), point(2), point(3)], [point(3), point(1), point(2)]] {
            let curve = Thermistor::from_points(points, None).unwrap();
            for (is, name) in curve.constants().into_iter().zip(["a", "b", "c"]) {
                let should = row.number(name);
                close(is, should, should.abs() * 2e-9, name);
            }
            let t = curve.at(row.number("test_r_ohm")).unwrap();
            close(t, row.number("test_t_degc"), 0.000_051, &row.name());
            if let Some(printed) = row.maybe("published_t_degc") {
                close(t, printed, 0.003, &row.name());
            }
        }
    }
}

/// The LDC-3900's row at 40 degC (5331 ohm) is 0.47 degC off its own fit: no value to check against.
#[test]
fn the_misprint_of_the_laboratory_instrument_is_told_from_its_curve() {
    let curve = Thermistor::from_points([(0.0, 32_128.0), (25.0, 9814.0), (50.0, 3542.0)], None).unwrap();
    close((curve.at(5331.0).unwrap() - 40.0).abs(), 0.47, 0.02, "distance of the misprint");
}

/// R = R0 exp(beta (1/T - 1/T0)), as at ametherm.com and cantherm.com; run with thermistor-utils 0.0.4.
#[test]
fn a_beta_makes_the_curve_of_its_formula() {
    for row in rows("03_ntc_beta.csv") {
        let at = (row.number("t0_degc"), row.number("r0_ohm"));
        let curve = Thermistor::from_beta(row.number("beta_k"), at, None).unwrap();
        close(curve.inverse(row.number("t_degc")).unwrap(), row.number("r_ohm"), 1e-4, &row.name());
        // The file's last decimal of an ohm is worth more than 1e-5 degC where there are few ohms for each degC.
        let kelvin = row.number("t_degc") + 273.15;
        let ohm_per_degc = row.number("beta_k") * row.number("r_ohm") / (kelvin * kelvin);
        let most = 1e-5_f64.max(0.5e-4 / ohm_per_degc);
        close(curve.at(row.number("r_ohm")).unwrap(), row.number("t_degc"), most, &row.name());
    }
}

/// A beta from two points goes through both of them (same sources).
#[test]
fn a_beta_from_two_points_meets_both() {
    for row in rows("03_ntc_beta_from_two_points.csv") {
        let first = (row.number("t1_degc"), row.number("r1_ohm"));
        let curve = Thermistor::from_beta(row.number("beta_k"), first, None).unwrap();
        close(curve.at(row.number("r1_ohm")).unwrap(), row.number("t1_degc"), 1e-5, &row.name());
        close(curve.at(row.number("r2_ohm")).unwrap(), row.number("t2_degc"), 1e-5, &row.name());
    }
}

/// The range is the config's, -55 to 200 degC: edges in pairs, with the resistances of the formula.
#[test]
fn a_beta_thermistor_ends_at_its_range_without_a_margin() {
    let curve = Thermistor::from_beta(3950.0, (25.0, 10_000.0), None).unwrap();
    let ohm = |t: f64| 10_000.0 * (3950.0 * (1.0 / (t + 273.15) - 1.0 / 298.15)).exp();
    close(curve.at(ohm(-54.999)).unwrap(), -54.999, 1e-5, "coldest");
    assert_eq!(curve.at(ohm(-55.001)), None);
    close(curve.at(ohm(199.999)).unwrap(), 199.999, 1e-5, "hottest");
    assert_eq!(curve.at(ohm(200.001)), None);
    let refused = Thermistor::from_beta(3950.0, (25.0, 10_000.0), Some((-56.0, 200.0)));
    assert_eq!(refused, Err(CurveError::OutOfRange));
}
