//! Fits: the straight line of least squares, and the three constants of a thermistor.
//!
//! Pure. Checked against the certified values of NIST's reference data (Norris) and against a printed thermistor table.

use crate::sensor::CurveError;

/// 0 degC in kelvin, by definition of the degree Celsius.
const ZERO_CELSIUS: f64 = 273.15;

/// A straight line through pairs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Its height at 0.
    pub intercept: f64,
    /// Its slope.
    pub slope: f64,
    /// How good it is; two pairs are met exactly and say nothing of that.
    pub errors: Option<Errors>,
}

/// How good a line is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Errors {
    /// Standard deviation of the intercept.
    pub intercept: f64,
    /// Standard deviation of the slope.
    pub slope: f64,
    /// Standard deviation of what is left at the pairs: the standard error.
    pub residual: f64,
}

/// The line of least squares through `pairs` (x, y); `None` for fewer than two, or all at one x.
///
/// Source: simple linear regression, as in NIST/SEMATECH e-Handbook 4.1.4.1, with sums about the means, since plain sums
/// lose the digits.
pub fn line(pairs: &[(f64, f64)]) -> Option<Line> {
    let count = pairs.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| {
        let first = pairs.iter().map(of).sum::<f64>() / count;
        first + pairs.iter().map(|pair| of(pair) - first).sum::<f64>() / count
    };
    let (x0, y0) = (mean(|pair| pair.0), mean(|pair| pair.1));
    let squares: f64 = pairs.iter().map(|&(x, _)| (x - x0) * (x - x0)).sum();
    let slope = pairs.iter().map(|&(x, y)| (x - x0) * (y - y0)).sum::<f64>() / squares;
    let intercept = y0 - slope * x0;
    if pairs.len() < 2 || !(slope.is_finite() && intercept.is_finite()) {
        return None;
    }
    let errors = (pairs.len() > 2).then(|| {
        let left: f64 = pairs.iter().map(|&(x, y)| ((y - y0) - slope * (x - x0)).powi(2)).sum();
        let residual = (left / (count - 2.0)).sqrt();
        Errors {
            intercept: residual * (1.0 / count + x0 * x0 / squares).sqrt(),
            slope: residual / squares.sqrt(),
            residual,
        }
    });
    Some(Line { intercept, slope, errors })
}

/// The constants of 1/T = a + b ln R + c (ln R)³ that miss `points` (degC, ohm) by the least squares of temperature:
/// exactly through three, which is the fewest.
///
/// An error in 1/T is worth T² times as much in T, so that is the weight. Solved by orthogonal columns, since the three
/// are nearly alike over the range of one sensor.
pub fn steinhart_hart(points: &[(f64, f64)]) -> Result<[f64; 3], CurveError> {
    if points.len() < 3 {
        return Err(CurveError::TooFewPoints { needs: 3 });
    }
    let usable =
        |&(celsius, ohm): &(f64, f64)| celsius > -ZERO_CELSIUS && celsius.is_finite() && ohm > 0.0 && ohm.is_finite();
    if !points.iter().all(usable) {
        return Err(CurveError::OutOfRange);
    }
    let rows = || points.iter().map(|&(celsius, ohm)| (celsius + ZERO_CELSIUS, ohm.ln()));
    let column = |of: fn(f64) -> f64| rows().map(|(kelvin, log)| kelvin * kelvin * of(log)).collect::<Vec<f64>>();
    let columns = [column(|_| 1.0), column(|log| log), column(|log| log * log * log)];
    let wanted: Vec<f64> = rows().map(|(kelvin, _)| kelvin).collect();
    least_squares(&columns, wanted).ok_or(CurveError::SameInput)
}

/// The factors of `columns` whose sum misses `wanted` least. `None` where a column follows from those before it.
///
/// Modified Gram–Schmidt, each column made orthogonal twice, which keeps the digits (Björck 1967; "twice is enough" is
/// Kahan's, both from memory).
fn least_squares(columns: &[Vec<f64>; 3], mut wanted: Vec<f64>) -> Option<[f64; 3]> {
    const ALIKE: f64 = 1e-10;
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let take =
        |from: &mut [f64], what: &[f64], times: f64| from.iter_mut().zip(what).for_each(|(x, y)| *x -= times * y);
    let mut units: Vec<Vec<f64>> = Vec::new();
    let mut upper = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    for (place, column) in columns.iter().enumerate() {
        let mut rest = column.clone();
        for _ in 0..2 {
            for (row, unit) in units.iter().enumerate() {
                let share = dot(unit, &rest);
                upper[row][place] += share;
                take(&mut rest, unit, share);
            }
        }
        let length = dot(&rest, &rest).sqrt();
        if length.is_nan() || length <= dot(column, column).sqrt() * ALIKE {
            return None;
        }
        for x in &mut rest {
            *x /= length;
        }
        upper[place][place] = length;
        right[place] = dot(&rest, &wanted);
        take(&mut wanted, &rest, right[place]);
        units.push(rest);
    }
    let c = right[2] / upper[2][2];
    let b = (right[1] - upper[1][2] * c) / upper[1][1];
    let a = (right[0] - upper[0][1] * b - upper[0][2] * c) / upper[0][0];
    [a, b, c].iter().all(|x| x.is_finite()).then_some([a, b, c])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_pairs_are_met_exactly_and_one_makes_no_line() {
        // 11_line_fits.csv: (92, 90) and (61, 60) as (shown, true).
        let fit = line(&[(92.0, 90.0), (61.0, 60.0)]).unwrap();
        assert!(
            (fit.slope - 0.967_741_935_483_871).abs() < 1e-15 && (fit.intercept - 0.967_741_935_483_871).abs() < 1e-13
        );
        assert_eq!(fit.errors, None);
        assert_eq!(line(&[(1.0, 2.0)]), None);
        assert_eq!(line(&[(1.0, 2.0), (1.0, 3.0), (1.0, 4.0)]), None);
    }

    #[test]
    fn points_of_a_thermistor_give_its_constants_back_however_many() {
        let abc = [0.001_129_241, 0.000_234_107_7, 8.775_468e-8];
        let curve = crate::sensor::Thermistor::from_constants(abc, None).unwrap();
        for count in [3, 4, 9, 40] {
            let points: Vec<(f64, f64)> = (0..count)
                .map(|place| -20.0 + 140.0 * f64::from(place) / f64::from(count - 1))
                .map(|celsius| (celsius, curve.inverse(celsius).unwrap()))
                .collect();
            let fitted = steinhart_hart(&points).unwrap();
            for (is, should) in fitted.iter().zip(abc) {
                assert!((is - should).abs() < 1e-8 * should.abs(), "{count}: {fitted:?}");
            }
        }
    }

    #[test]
    fn what_makes_no_thermistor_is_refused() {
        assert_eq!(steinhart_hart(&[(0.0, 1.0), (1.0, 2.0)]), Err(CurveError::TooFewPoints { needs: 3 }));
        assert_eq!(steinhart_hart(&[(0.0, 5.0), (10.0, 5.0), (20.0, 5.0)]), Err(CurveError::SameInput));
        assert_eq!(steinhart_hart(&[(0.0, 5.0), (10.0, -5.0), (20.0, 4.0)]), Err(CurveError::OutOfRange));
    }
}
