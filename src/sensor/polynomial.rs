//! A polynomial with a stated range, as data sheets print them.
//!
//! Owns its evaluation by Horner's rule, highest power first, which is also the order that loses least. Never
//! extrapolated: a polynomial leaves its sensor quickly outside the range it was fitted in.

use super::{CurveError, MARGIN, clamp_with_margin, find};

/// Equal pieces of the range that [`Polynomial::inverse`] looks for a crossing in.
const PIECES: u32 = 256;

/// A polynomial, good in a stated range.
#[derive(Clone, Debug, PartialEq)]
pub struct Polynomial {
    /// Lowest power first, at least one.
    terms: Box<[f64]>,
    valid: (f64, f64),
}

impl Polynomial {
    /// c0 + c1 x + …; good for `valid` inputs, lower first.
    ///
    /// [`CurveError::TooFewPoints`] without any term, [`CurveError::SameInput`] where `valid` has no width,
    /// [`CurveError::OutOfRange`] where it is the wrong way round or a value in it would not be finite.
    pub fn new(terms: &[f64], valid: (f64, f64)) -> Result<Self, CurveError> {
        if terms.is_empty() {
            return Err(CurveError::TooFewPoints { needs: 1 });
        }
        let largest = valid.0.abs().max(valid.1.abs());
        // Where even the sum of absolute values is finite, no step of an evaluation can be anything else.
        let worst = horner(terms.iter().map(|term| term.abs()).rev(), largest);
        if !(worst.is_finite() && (valid.1 - valid.0).is_finite()) || valid.0 > valid.1 {
            return Err(CurveError::OutOfRange);
        }
        if valid.0 == valid.1 {
            return Err(CurveError::SameInput);
        }
        Ok(Self { terms: terms.into(), valid })
    }

    /// See [`super::Curve::at`].
    pub fn at(&self, x: f64) -> Option<f64> {
        Some(self.value(clamp_with_margin(x, self.valid.0, self.valid.1, MARGIN)?))
    }

    /// See [`super::Curve::inverse`]. Looked for in 256 equal pieces of the range: two inputs closer together than
    /// that, with one output, may be overlooked.
    pub fn inverse(&self, y: f64) -> Option<f64> {
        let (low, high) = self.valid;
        let end = |i: u32| if i == PIECES { high } else { low + (high - low) * f64::from(i) / f64::from(PIECES) };
        (0..PIECES).find_map(|i| find(|x| self.value(x), y, end(i), end(i + 1)))
    }

    /// See [`super::Curve::input_range`].
    pub fn input_range(&self) -> (f64, f64) {
        self.valid
    }

    fn value(&self, x: f64) -> f64 {
        horner(self.terms.iter().copied().rev(), x)
    }
}

fn horner(highest_first: impl Iterator<Item = f64>, x: f64) -> f64 {
    highest_first.fold(0.0, |sum, term| sum * x + term)
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[test]
    fn terms_are_taken_lowest_power_first() {
        let curve = Polynomial::new(&[5.0, -2.0, 3.0], (-10.0, 10.0)).unwrap();
        assert_eq!(curve.at(0.0), Some(5.0));
        assert_eq!(curve.at(2.0), Some(13.0));
        assert_eq!(curve.at(-1.0), Some(10.0));
    }

    #[test]
    fn the_end_value_is_given_for_five_percent_of_the_range_and_no_more() {
        let curve = Polynomial::new(&[0.0, 0.0, 1.0], (1.0, 3.0)).unwrap();
        assert_eq!(curve.at(3.099), Some(9.0));
        assert_eq!(curve.at(3.101), None);
        assert_eq!(curve.at(0.901), Some(1.0));
        assert_eq!(curve.at(0.899), None);
        assert_eq!(curve.at(f64::NAN), None);
    }

    #[test]
    fn inverse_gives_the_lowest_input() {
        let curve = Polynomial::new(&[0.0, 0.0, 1.0], (-3.0, 2.0)).unwrap();
        assert!((curve.inverse(2.0).unwrap() + 2.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(curve.inverse(9.0), Some(-3.0));
        assert_eq!(curve.inverse(9.001), None);
        assert_eq!(curve.inverse(f64::NAN), None);
    }

    #[rstest]
    #[case::no_terms(&[], (0.0, 1.0), CurveError::TooFewPoints { needs: 1 })]
    #[case::no_width(&[1.0], (1.0, 1.0), CurveError::SameInput)]
    #[case::wrong_way_round(&[1.0], (1.0, 0.0), CurveError::OutOfRange)]
    #[case::no_number(&[f64::NAN], (0.0, 1.0), CurveError::OutOfRange)]
    #[case::endless(&[1.0], (0.0, f64::INFINITY), CurveError::OutOfRange)]
    #[case::no_end(&[1.0], (f64::NAN, 1.0), CurveError::OutOfRange)]
    #[case::too_large(&[0.0, 1e200, 1e200], (0.0, 1e100), CurveError::OutOfRange)]
    fn what_makes_no_polynomial_is_refused(#[case] terms: &[f64], #[case] valid: (f64, f64), #[case] why: CurveError) {
        assert_eq!(Polynomial::new(terms, valid), Err(why));
    }
}
