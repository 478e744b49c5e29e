//! Platinum resistances. Read IEC 60751, the Callendar–Van Dusen equation, first.
//!
//! Owns R(t) = R0 (1 + A t + B t² + C (t − 100) t³), C below 0 degC only, and its inverse. In: ohms; out: degC. Knows no
//! tolerance class and no lead resistance: both belong to the sensor and its wiring.

use super::{CurveError, MARGIN, clamp_with_margin};

/// A of IEC 60751:2008, per degC.
const A: f64 = 3.9083e-3;
/// B of IEC 60751:2008, per degC².
const B: f64 = -5.775e-7;
/// C of IEC 60751:2008, per degC⁴.
const C: f64 = -4.183e-12;
/// The range of the equation, degC.
const RANGE: (f64, f64) = (-200.0, 850.0);
/// Below 0 degC: enough steps of Newton for 1e-9 degC all the way from the start that the closed form gives.
const STEPS: usize = 3;

/// Resistance of a platinum sensor at `t` degC, in ohm; `r0` in ohm. `None` outside -200 degC to 850 degC.
///
/// Source: IEC 60751, Callendar-Van Dusen equation. Example:
/// ```
/// let ohm = kickpanel::sensor::platinum(100.0, 100.0).unwrap();
/// assert!((ohm - 138.5055).abs() < 0.0005);
/// ```
pub fn platinum(r0: f64, t: f64) -> Option<f64> {
    (t >= RANGE.0 && t <= RANGE.1).then(|| r0 * ratio(t))
}

/// A platinum resistance, IEC 60751.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Platinum {
    r0: f64,
    /// Ohms at the ends of the range, lower first.
    ohm: (f64, f64),
}

impl Platinum {
    /// `r0`: ohms at 0 degC. [`CurveError::OutOfRange`] where it is no resistance.
    pub fn new(r0: f64) -> Result<Self, CurveError> {
        let ohm = (r0 * ratio(RANGE.0), r0 * ratio(RANGE.1));
        if ohm.0.is_normal() && ohm.0 > 0.0 && ohm.1.is_finite() {
            Ok(Self { r0, ohm })
        } else {
            Err(CurveError::OutOfRange)
        }
    }

    /// See [`super::Curve::at`]. Takes ohms, gives degC.
    pub fn at(&self, ohm: f64) -> Option<f64> {
        let ohm = clamp_with_margin(ohm, self.ohm.0, self.ohm.1, MARGIN)?;
        Some(celsius(ohm / self.r0).clamp(RANGE.0, RANGE.1))
    }

    /// See [`super::Curve::inverse`]. Takes degC, gives ohms.
    pub fn inverse(&self, celsius: f64) -> Option<f64> {
        platinum(self.r0, celsius)
    }

    /// See [`super::Curve::input_range`].
    pub fn input_range(&self) -> (f64, f64) {
        self.ohm
    }
}

/// R(t) / R0.
fn ratio(t: f64) -> f64 {
    let cold = if t < 0.0 { C * (t - 100.0) * t } else { 0.0 };
    1.0 + t * (A + t * (B + cold))
}

/// dR/dt / R0 below 0 degC.
fn slope_when_cold(t: f64) -> f64 {
    A + t * (2.0 * B + t * C * (4.0 * t - 300.0))
}

/// The t at which R(t) / R0 is `wanted`: closed form above 0 degC, where C plays no part, Newton from there on below.
fn celsius(wanted: f64) -> f64 {
    let mut t = (-A + (A * A - 4.0 * B * (1.0 - wanted)).sqrt()) / (2.0 * B);
    if wanted < 1.0 {
        for _ in 0..STEPS {
            t -= (ratio(t) - wanted) / slope_when_cold(t);
        }
    }
    t
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[test]
    fn every_temperature_comes_back_from_its_ohms() {
        let curve = Platinum::new(100.0).unwrap();
        for i in -20_000..=85_000 {
            let t = f64::from(i) / 100.0;
            let back = curve.at(curve.inverse(t).unwrap()).unwrap();
            assert!((back - t).abs() < 1e-9, "{t} degC came back as {back}");
        }
    }

    #[test]
    fn the_end_value_is_given_for_five_percent_of_the_span_and_no_more() {
        let curve = Platinum::new(1000.0).unwrap();
        let (low, high) = curve.input_range();
        let slack = (high - low) * 0.05;
        assert!((curve.at(high + slack * 0.999).unwrap() - 850.0).abs() < 1e-9);
        assert_eq!(curve.at(high + slack * 1.001), None);
        assert!((curve.at(low - slack * 0.999).unwrap() + 200.0).abs() < 1e-9);
        assert_eq!(curve.at(low - slack * 1.001), None);
        assert_eq!(curve.at(f64::NAN), None);
        assert_eq!(curve.at(f64::INFINITY), None);
    }

    #[test]
    fn outside_of_the_standard_there_is_no_resistance() {
        assert!(platinum(100.0, -200.0).is_some());
        assert_eq!(platinum(100.0, -200.001), None);
        assert!(platinum(100.0, 850.0).is_some());
        assert_eq!(platinum(100.0, 850.001), None);
        assert_eq!(platinum(100.0, f64::NAN), None);
    }

    #[rstest]
    #[case::nothing(0.0)]
    #[case::below(-100.0)]
    #[case::no_number(f64::NAN)]
    #[case::endless(f64::INFINITY)]
    fn what_is_no_resistance_is_refused(#[case] r0: f64) {
        assert_eq!(Platinum::new(r0), Err(CurveError::OutOfRange));
    }
}
