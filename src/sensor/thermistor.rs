//! SKELETON.
use super::CurveError;
/// Steinhart–Hart: 1/T = a + b ln R + c (ln R)³.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thermistor {}
impl Thermistor {
    /// From the constants; good from −55 to 200 degC unless `valid` (degC, lower first) says less.
    pub fn from_constants(abc: [f64; 3], valid: Option<(f64, f64)>) -> Result<Self, CurveError> {
        let _ = (abc, valid);
        Ok(Self {})
    }
    /// From three points (degC, ohm).
    pub fn from_points(points: [(f64, f64); 3], valid: Option<(f64, f64)>) -> Result<Self, CurveError> {
        let _ = (points, valid);
        Ok(Self {})
    }
    /// From beta in kelvin and one point (degC, ohm).
    pub fn from_beta(beta: f64, at: (f64, f64), valid: Option<(f64, f64)>) -> Result<Self, CurveError> {
        let _ = (beta, at, valid);
        Ok(Self {})
    }
    /// See [`super::Curve::at`]. Takes ohms, gives degC. No margin.
    pub fn at(&self, ohm: f64) -> Option<f64> {
        Some(ohm)
    }
    /// See [`super::Curve::input_range`].
    pub fn input_range(&self) -> (f64, f64) {
        (0.0, 0.0)
    }
}
