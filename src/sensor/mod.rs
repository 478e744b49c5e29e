//! Transfer functions of sensors: from volts, millivolts, ohms or hertz to what they mean.
//!
//! Owns every curve kind, exact to its standard, and the rule that no curve is extrapolated. Pure arithmetic on `f64`;
//! knows no config text, no channel, no trust.

mod linear;
mod platinum;
mod polynomial;
mod table;
mod thermistor;
mod thermocouple;

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

/// How far outside its range a curve still gives its end value, as a share of the span at the input (`config.md`).
const MARGIN: f64 = 0.05;

/// `x` brought into `low..=high` where it is at most `margin` (a share of the span) outside; `None` beyond, or for NaN.
fn clamp_with_margin(x: f64, low: f64, high: f64, margin: f64) -> Option<f64> {
    let slack = (high - low) * margin;
    (x >= low - slack && x <= high + slack).then(|| x.clamp(low, high))
}
