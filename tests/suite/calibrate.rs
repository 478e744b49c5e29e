//! `calibrate`: fits against certified values, the edit of every way to write a config, and the built program on
//! recordings and on a terminal.

mod forms;
mod recordings;
mod terminal;

use kickpanel::calibrate::{line, steinhart_hart};

use crate::rig::{number, rows};

/// Source: the reference data sets of NIST, Norris: `11_norris_data.csv`, with the certified values to their 15 digits.
#[test]
fn a_line_is_that_of_the_certified_values_of_nist() {
    let pairs: Vec<(f64, f64)> =
        rows(include_str!("../reference/11_norris_data.csv")).map(|row| (number(row[0]), number(row[1]))).collect();
    assert_eq!(pairs.len(), 36);
    let fit = line(&pairs).unwrap();
    let errors = fit.errors.unwrap();
    // The standard deviations are certified too; from memory, and the same by exact rational arithmetic.
    for (is, certified) in [
        (fit.intercept, -0.262_323_073_774_029),
        (fit.slope, 1.002_116_818_020_45),
        (errors.intercept, 0.232_818_234_301_152),
        (errors.slope, 0.429_796_848_199_937e-3),
        (errors.residual, 0.884_796_396_144_373),
    ] {
        assert!((is - certified).abs() <= 2e-13 * certified.abs(), "{is} for {certified}");
    }
}

/// Source: `11_line_fits.csv`; the rows of least squares and of two points.
#[test]
fn small_lines_are_exact() {
    let small = line(&[(1.0, 2.1), (2.0, 3.9), (3.0, 6.2), (4.0, 7.8), (5.0, 30.0)]).unwrap();
    assert!((small.intercept + 7.91).abs() < 1e-13 && (small.slope - 5.97).abs() < 1e-14);
    let sensor = line(&[(0.5, 0.0), (4.5, 7.0)]).unwrap();
    assert_eq!((sensor.intercept, sensor.slope), (-0.875, 1.75));
}

/// Source: `03_ntc_three_points.csv`, columns a, b, c.
#[test]
fn three_points_give_the_constants_of_the_tables() {
    let mut seen = 0;
    for row in rows(include_str!("../reference/03_ntc_three_points.csv")) {
        // From the end: the first column has commas of its own.
        let at = |from_end: usize| number(row[row.len() - from_end]);
        let abc = steinhart_hart(&[(at(12), at(11)), (at(10), at(9)), (at(8), at(7))]).unwrap();
        for (is, printed) in abc.iter().zip([at(6), at(5), at(4)]) {
            assert!((is - printed).abs() < 2e-9 * printed.abs(), "{is} for {printed}");
        }
        seen += 1;
    }
    assert_eq!(seen, 9);
}
