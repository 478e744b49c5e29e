//! A straight line through two points, and factor with offset.

use super::{CurveError, clamp_with_margin};

/// A straight line through two points, good between them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Linear {
    from: [f64; 2],
    to: [f64; 2],
}

impl Linear {
    /// The line through (`from[0]`, `to[0]`) and (`from[1]`, `to[1]`).
    pub fn new(from: [f64; 2], to: [f64; 2]) -> Result<Self, CurveError> {
        if from.iter().chain(&to).any(|x| !x.is_finite()) {
            return Err(CurveError::OutOfRange);
        }
        if from[0] == from[1] {
            return Err(CurveError::SameInput);
        }
        if from[0] > from[1] {
            return Ok(Self { from: [from[1], from[0]], to: [to[1], to[0]] });
        }
        Ok(Self { from, to })
    }

    /// See [`super::Curve::at`].
    pub fn at(&self, x: f64) -> Option<f64> {
        let x = clamp_with_margin(x, self.from[0], self.from[1], super::MARGIN)?;
        let share = (x - self.from[0]) / (self.from[1] - self.from[0]);
        Some(self.to[0] + share * (self.to[1] - self.to[0]))
    }

    /// See [`super::Curve::input_range`].
    pub fn input_range(&self) -> (f64, f64) {
        (self.from[0], self.from[1])
    }
}
