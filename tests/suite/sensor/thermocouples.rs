//! Thermocouples against NIST's tables and two libraries; see `tests/reference/README.md`, section 01.

use super::close;
use super::csv::{Row, rows};
use kickpanel::sensor::{Thermocouple, ThermocoupleType};

fn curve(row: &Row) -> Thermocouple {
    Thermocouple::new(match row.text("type") {
        "B" => ThermocoupleType::B,
        "E" => ThermocoupleType::E,
        "J" => ThermocoupleType::J,
        "K" => ThermocoupleType::K,
        "N" => ThermocoupleType::N,
        "R" => ThermocoupleType::R,
        "S" => ThermocoupleType::S,
        "T" => ThermocoupleType::T,
        other => panic!("no type {other}"),
    })
}

/// `emf_mv`: `thermocouples_reference` 0.20 and thermocouple-its90 1.0.2. `nist_table_mv`: NIST Monograph 175 as printed.
#[test]
fn emf_is_that_of_the_nist_tables() {
    let all = rows("01_thermocouple_emf.csv").into_iter().chain(rows("01_thermocouple_emf_brs.csv"));
    for row in all {
        let emf = curve(&row).emf(row.number("t_degc")).unwrap();
        close(emf, row.number("emf_mv"), 1e-6, &row.name());
        if let Some(printed) = row.maybe("nist_table_mv") {
            close(emf, printed, 0.000_500_001, &row.name());
        }
    }
}

/// The same libraries, reference function solved numerically two ways. The file is rounded to 1e-5 degC.
#[test]
fn temperature_is_found_within_a_thousandth_of_a_degree() {
    for row in rows("01_thermocouple_inverse.csv") {
        let t = curve(&row).hot(row.number("emf_mv"), 0.0).unwrap();
        close(t, row.number("t_degc"), 0.001, &row.name());
    }
}

/// NIST's printed tables of B, R and S (three decimals) read backwards: the temperature lies within half a unit of
/// the last place. From 100 degC on, because type B has hardly any emf below.
#[test]
fn the_printed_tables_of_noble_metals_read_backwards() {
    for row in rows("01_thermocouple_emf_brs.csv").iter().filter(|row| row.number("t_degc") >= 100.0) {
        let curve = curve(row);
        let (t, printed) = (row.number("t_degc"), row.number("nist_table_mv"));
        let least = curve.hot(printed - 0.000_500_1, 0.0).unwrap();
        let most = curve.hot(printed + 0.000_500_1, 0.0).unwrap();
        assert!(least <= t && t <= most, "{}: {least} to {most}", row.name());
        close(curve.hot(row.number("emf_mv"), 0.0).unwrap(), t, 0.001, &row.name());
    }
}

/// Limits of NIST Monograph 175.
#[test]
fn the_range_ends_where_the_reference_function_ends() {
    for row in rows("01_thermocouple_limits.csv") {
        let curve = curve(&row);
        let (low, high) = (row.number("t_min_degc"), row.number("t_max_degc"));
        close(curve.emf(low).unwrap(), row.number("emf_at_t_min_mv"), 0.0005, &row.name());
        close(curve.emf(high).unwrap(), row.number("emf_at_t_max_mv"), 0.0005, &row.name());
        assert_eq!(curve.emf(low - 0.001), None);
        assert_eq!(curve.emf(high + 0.001), None);
        assert_eq!(curve.emf_range(), (curve.emf(low).unwrap(), curve.emf(high).unwrap()));
    }
}

/// Computed with the same libraries; four are published worked examples, rounded to 1 degF (instrumentationtools.com).
#[test]
fn the_cold_junction_is_added_in_emf_and_not_in_degrees() {
    let mut told_apart = 0;
    for row in rows("01_thermocouple_cold_junction.csv") {
        let (mv, cold) = (row.number("emf_measured_mv"), row.number("t_cold_degc"));
        let hot = curve(&row).hot(mv, cold).unwrap();
        close(hot, row.number("t_hot_degc"), 0.001, &row.name());
        let wrong = row.number("wrong_if_degrees_are_added_degc");
        if (wrong - row.number("t_hot_degc")).abs() > 0.01 {
            told_apart += 1;
            assert!((hot - wrong).abs() > 0.01, "{}: added in degrees", row.name());
        }
        if let Some(fahrenheit) = row.text("published_answer").strip_suffix(" degF") {
            close(hot * 1.8 + 32.0, fahrenheit.parse().unwrap(), 0.5, &row.name());
        }
        let back = curve(&row).inverse(row.number("t_hot_degc"), cold).unwrap();
        close(back, mv, 0.00001, &row.name());
    }
    assert!(told_apart >= 14, "only {told_apart} rows tell the two ways apart");
}
