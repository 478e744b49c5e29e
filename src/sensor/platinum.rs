//! SKELETON.
use super::CurveError;
/// Resistance of a platinum sensor at `t` degC, in ohm; `r0` in ohm. `None` outside -200 degC to 850 degC.
pub fn platinum(r0: f64, t: f64) -> Option<f64> {
    let _ = (r0, t);
    None
}
/// A platinum resistance, IEC 60751.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Platinum {}
impl Platinum {
    /// `r0`: ohms at 0 degC.
    pub fn new(r0: f64) -> Result<Self, CurveError> {
        let _ = r0;
        Ok(Self {})
    }
    /// See [`super::Curve::at`]. Takes ohms, gives degC.
    pub fn at(&self, ohm: f64) -> Option<f64> {
        Some(ohm)
    }
    /// See [`super::Curve::input_range`].
    pub fn input_range(&self) -> (f64, f64) {
        (0.0, 0.0)
    }
}
