//! Transfer functions of sensors: from volts, millivolts, ohms or hertz to what they mean.
//!
//! Owns every curve kind, exact to its standard, and the rule that no curve is extrapolated. Pure arithmetic on `f64`;
//! knows no config text, no channel, no trust.

#![expect(clippy::float_cmp, reason = "whether two numbers are the very same is what is asked in these places")]

mod its90;
mod linear;
mod platinum;
mod polynomial;
mod table;
mod thermistor;
mod thermocouple;

use std::fmt;

pub use linear::Linear;
pub use platinum::{Platinum, platinum};
pub use polynomial::Polynomial;
pub use table::{Between, Table};
pub use thermistor::Thermistor;
pub use thermocouple::{Thermocouple, ThermocoupleType};

/// Why numbers make no curve. The config adds where they stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CurveError {
    /// Fewer points than the kind needs.
    TooFewPoints {
        /// How many it needs.
        needs: usize,
    },
    /// The inputs of the points do not all rise or all fall; the index of the first that breaks it.
    NotMonotone {
        /// Index of the offending point.
        at: usize,
    },
    /// The numbers give no thermistor: its resistance would not fall steadily with temperature in its range.
    NotAThermistor,
    /// Two inputs that must differ are the same.
    SameInput,
    /// A number is outside of what can be worked with.
    OutOfRange,
}

/// A transfer function of one input. All but the thermocouple, which has a second one: its cold junction.
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// Passes its input on: for inputs whose meaning needs no curve.
    Same,
    /// A straight line through two points.
    Linear(Linear),
    /// Points with straight or smooth pieces between.
    Table(Table),
    /// A thermistor; takes ohms, gives degC.
    Thermistor(Thermistor),
    /// A platinum resistance; takes ohms, gives degC.
    Platinum(Platinum),
    /// A polynomial with a stated range.
    Polynomial(Polynomial),
}

impl Curve {
    /// The curve's value at `x`; the end value up to its margin outside the range; `None` beyond that.
    ///
    /// The margin is 5 % of the span at the input (`config.md`), none for a thermistor. Not a number gives `None`.
    pub fn at(&self, x: f64) -> Option<f64> {
        match self {
            Self::Same => x.is_finite().then_some(x),
            Self::Linear(curve) => curve.at(x),
            Self::Table(curve) => curve.at(x),
            Self::Thermistor(curve) => curve.at(x),
            Self::Platinum(curve) => curve.at(x),
            Self::Polynomial(curve) => curve.at(x),
        }
    }

    /// The input at which the curve's value is `y`: the lowest, where there are several. `None` where there is none
    /// inside the range of inputs; no margin. For simulating a sensor, not for the hot path.
    pub fn inverse(&self, y: f64) -> Option<f64> {
        match self {
            Self::Same => y.is_finite().then_some(y),
            Self::Linear(curve) => curve.inverse(y),
            Self::Table(curve) => curve.inverse(y),
            Self::Thermistor(curve) => curve.inverse(y),
            Self::Platinum(curve) => curve.inverse(y),
            Self::Polynomial(curve) => curve.inverse(y),
        }
    }

    /// The range of inputs that the curve is good for, lower end first; `None` where it has no ends.
    pub fn input_range(&self) -> Option<(f64, f64)> {
        match self {
            Self::Same => None,
            Self::Linear(curve) => Some(curve.input_range()),
            Self::Table(curve) => Some(curve.input_range()),
            Self::Thermistor(curve) => Some(curve.input_range()),
            Self::Platinum(curve) => Some(curve.input_range()),
            Self::Polynomial(curve) => Some(curve.input_range()),
        }
    }
}

impl fmt::Display for CurveError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewPoints { needs: 1 } => f.write_str("needs at least 1 number"),
            Self::TooFewPoints { needs } => write!(f, "needs at least {needs} points"),
            Self::NotMonotone { at } => {
                write!(f, "the inputs must all rise or all fall, but point {} breaks the order", at + 1)
            }
            Self::NotAThermistor => f.write_str(
                "these numbers make no thermistor: its resistance must fall steadily as it warms; measure again, or give \
                 a smaller `valid`",
            ),
            Self::SameInput => f.write_str("two numbers that must differ are the same"),
            Self::OutOfRange => f.write_str("a number is outside of what can be worked with"),
        }
    }
}

impl std::error::Error for CurveError {}

/// How far outside its range a curve still gives its end value, as a share of the span at the input (`config.md`).
const MARGIN: f64 = 0.05;

/// `x` brought into `low..=high` where it is at most `margin` (a share of the span) outside; `None` beyond, or for NaN.
fn clamp_with_margin(x: f64, low: f64, high: f64, margin: f64) -> Option<f64> {
    let slack = (high - low) * margin;
    (x >= low - slack && x <= high + slack).then(|| x.clamp(low, high))
}

/// The x between `low` and `high` at which `curve` is `y`, by halving; `None` where `y` is not between the values at the
/// ends. An end itself where it is met there.
fn find(curve: impl Fn(f64) -> f64, y: f64, mut low: f64, mut high: f64) -> Option<f64> {
    let (first, last) = (curve(low), curve(high));
    if first == y {
        return Some(low);
    }
    if last == y {
        return Some(high);
    }
    let rises = first < last;
    if !(y >= first.min(last) && y <= first.max(last)) {
        return None;
    }
    // A width halves into nothing in fewer steps than a double has bits in fraction and exponent together; 100 are
    // enough for the last bit of any real sensor.
    for _ in 0..100 {
        let middle = f64::midpoint(low, high);
        if (curve(middle) < y) == rises {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(high)
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::none(CurveError::TooFewPoints { needs: 1 }, "needs at least 1 number")]
    #[case::few(CurveError::TooFewPoints { needs: 2 }, "needs at least 2 points")]
    #[case::order(
        CurveError::NotMonotone { at: 2 },
        "the inputs must all rise or all fall, but point 3 breaks the order"
    )]
    #[case::thermistor(
        CurveError::NotAThermistor,
        "these numbers make no thermistor: its resistance must fall steadily as it warms; measure again, or give a \
         smaller `valid`"
    )]
    #[case::same(CurveError::SameInput, "two numbers that must differ are the same")]
    #[case::range(CurveError::OutOfRange, "a number is outside of what can be worked with")]
    fn errors_say_what_is_wrong(#[case] error: CurveError, #[case] text: &str) {
        assert_eq!(error.to_string(), text);
    }

    #[test]
    fn a_curve_that_passes_on_passes_on_only_numbers() {
        assert_eq!(Curve::Same.at(-3.5), Some(-3.5));
        assert_eq!(Curve::Same.inverse(-3.5), Some(-3.5));
        assert_eq!(Curve::Same.at(f64::NAN), None);
        assert_eq!(Curve::Same.at(f64::INFINITY), None);
        assert_eq!(Curve::Same.inverse(f64::NAN), None);
        assert_eq!(Curve::Same.input_range(), None);
    }

    #[test]
    fn every_kind_gives_the_input_of_its_own_value() {
        let curves = [
            (Curve::Linear(Linear::new([0.5, 4.5], [0.0, 7.0]).unwrap()), 3.3),
            (Curve::Table(Table::new(&[(10.0, 100.0), (180.0, 0.0)], Between::Straight).unwrap()), 60.0),
            (Curve::Thermistor(Thermistor::from_beta(3950.0, (25.0, 10_000.0), None).unwrap()), 2500.0),
            (Curve::Platinum(Platinum::new(1000.0).unwrap()), 900.0),
            (Curve::Polynomial(Polynomial::new(&[1.0, 2.0, 3.0], (0.0, 5.0)).unwrap()), 3.25),
        ];
        for (curve, x) in curves {
            let back = curve.inverse(curve.at(x).unwrap()).unwrap();
            assert!((back - x).abs() < 1e-8 * x, "{curve:?}: {x} came back as {back}");
            let (low, high) = curve.input_range().unwrap();
            assert!(low < x && x < high);
        }
    }
}
