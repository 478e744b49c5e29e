//! A straight line through two points.
//!
//! Owns the live-zero line of most pressure sensors: so many volts at one end, so many at the other. In and out:
//! whatever the points are in.

use super::{CurveError, MARGIN, clamp_with_margin};

/// A straight line through two points, good between them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Linear {
    /// Inputs, lower first.
    from: [f64; 2],
    /// The outputs there.
    to: [f64; 2],
}

impl Linear {
    /// The line through (`from[0]`, `to[0]`) and (`from[1]`, `to[1]`).
    ///
    /// [`CurveError::SameInput`] where the inputs are the same, [`CurveError::OutOfRange`] where a number or a
    /// difference is not finite. The outputs may be the same or fall.
    pub fn new(from: [f64; 2], to: [f64; 2]) -> Result<Self, CurveError> {
        let finite = (from[1] - from[0]).is_finite() && (to[1] - to[0]).is_finite();
        if !finite {
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
        let x = clamp_with_margin(x, self.from[0], self.from[1], MARGIN)?;
        let share = (x - self.from[0]) / (self.from[1] - self.from[0]);
        // The end value is given as it was written, without the rounding of the line.
        Some(if share >= 1.0 { self.to[1] } else { self.to[0] + share * (self.to[1] - self.to[0]) })
    }

    /// See [`super::Curve::inverse`]. Where both ends have one output, its lower end is given for that output.
    pub fn inverse(&self, y: f64) -> Option<f64> {
        let (low, high) = (self.to[0].min(self.to[1]), self.to[0].max(self.to[1]));
        if !(y >= low && y <= high) {
            return None;
        }
        if low == high {
            return Some(self.from[0]);
        }
        let share = (y - self.to[0]) / (self.to[1] - self.to[0]);
        Some(if share >= 1.0 { self.from[1] } else { self.from[0] + share * (self.from[1] - self.from[0]) })
    }

    /// See [`super::Curve::input_range`].
    pub fn input_range(&self) -> (f64, f64) {
        (self.from[0], self.from[1])
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::low_end(0.5, Some(0.0))]
    #[case::middle(2.5, Some(3.5))]
    #[case::high_end(4.5, Some(7.0))]
    #[case::last_inside_the_lower_margin(0.301, Some(0.0))]
    #[case::first_below_it(0.299, None)]
    #[case::last_inside_the_upper_margin(4.699, Some(7.0))]
    #[case::first_above_it(4.701, None)]
    #[case::no_number(f64::NAN, None)]
    #[case::endless(f64::INFINITY, None)]
    fn a_live_zero_sensor(#[case] volts: f64, #[case] bar: Option<f64>) {
        assert_eq!(Linear::new([0.5, 4.5], [0.0, 7.0]).unwrap().at(volts), bar);
        assert_eq!(Linear::new([4.5, 0.5], [7.0, 0.0]).unwrap().at(volts), bar, "the points the other way round");
    }

    #[test]
    fn the_ends_are_given_as_written() {
        // 0.1 + (0.7 - 0.1) is not 0.7 in binary.
        let curve = Linear::new([0.0, 1.0], [0.1, 0.7]).unwrap();
        assert_eq!(curve.at(1.0), Some(0.7));
        assert_eq!(curve.at(0.0), Some(0.1));
    }

    #[test]
    fn inverse_ends_where_the_line_ends() {
        let falling = Linear::new([0.5, 4.5], [120.0, -40.0]).unwrap();
        assert_eq!(falling.inverse(120.0), Some(0.5));
        assert_eq!(falling.inverse(40.0), Some(2.5));
        assert_eq!(falling.inverse(-40.0), Some(4.5));
        assert_eq!(falling.inverse(120.01), None);
        assert_eq!(falling.inverse(-40.01), None);
        assert_eq!(falling.inverse(f64::NAN), None);
        assert_eq!(Linear::new([1.0, 2.0], [3.0, 3.0]).unwrap().inverse(3.0), Some(1.0));
    }

    #[rstest]
    #[case::same([1.0, 1.0], [0.0, 1.0], CurveError::SameInput)]
    #[case::no_number([f64::NAN, 1.0], [0.0, 1.0], CurveError::OutOfRange)]
    #[case::endless([0.0, 1.0], [0.0, f64::INFINITY], CurveError::OutOfRange)]
    #[case::too_far_apart([-1e308, 1e308], [0.0, 1.0], CurveError::OutOfRange)]
    fn what_makes_no_line_is_refused(#[case] from: [f64; 2], #[case] to: [f64; 2], #[case] why: CurveError) {
        assert_eq!(Linear::new(from, to), Err(why));
    }
}
