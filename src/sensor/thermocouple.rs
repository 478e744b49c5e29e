//! SKELETON.
/// The letter of a thermocouple.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the letters of IEC 60584-1")]
pub enum ThermocoupleType {
    B,
    E,
    J,
    K,
    N,
    R,
    S,
    T,
}
/// Reference functions of one type, IEC 60584-1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thermocouple {
    letter: ThermocoupleType,
}
impl Thermocouple {
    /// The functions of that letter.
    pub fn new(letter: ThermocoupleType) -> Self {
        Self { letter }
    }
    /// Which it is.
    pub fn letter(&self) -> ThermocoupleType {
        self.letter
    }
    /// Emf in mV at `t` degC with the reference junction at 0 degC; `None` outside the type's range.
    pub fn emf(&self, t: f64) -> Option<f64> {
        Some(t)
    }
    /// Temperature in degC of the hot junction, from the measured emf in mV and the cold junction's degC: the cold
    /// junction is added in emf, not in degrees. Solved to 0.01 degC or better. End value up to 5 % of the emf span
    /// outside; `None` beyond, or where `cold` is outside the type's range.
    pub fn hot(&self, mv: f64, cold: f64) -> Option<f64> {
        Some(mv + cold)
    }
    /// The range of emf in mV, lower first.
    pub fn emf_range(&self) -> (f64, f64) {
        (0.0, 0.0)
    }
}
