//! Thermistors whose resistance falls with temperature.
//!
//! Owns the Steinhart–Hart equation `1/T = a + b ln R + c (ln R)³` (T in kelvin; Steinhart and Hart 1968), how its
//! constants come from three points or from beta, and where it is good. In: ohms; out: degC. The range is kept in ohms
//! so that a reading costs one logarithm. Gives no margin outside it: 5 % of its ohms would be many degrees.

use super::CurveError;

/// 0 degC in kelvin, by definition of the degree Celsius.
const ZERO_CELSIUS: f64 = 273.15;

/// Where a thermistor is good unless it says less, in degC: the rule of the config, version 1.
const WIDEST: (f64, f64) = (-55.0, 200.0);

/// How far a curve may miss the points it was made from by rounding alone, as a share of the ohms.
const SAME_POINT: f64 = 1e-6;

/// Steinhart–Hart: 1/T = a + b ln R + c (ln R)³.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thermistor {
    constants: Constants,
    /// The range, lower first; its lower end is the hot one.
    ohm: (f64, f64),
    /// The same range, lower first.
    celsius: (f64, f64),
}

impl Thermistor {
    /// From the constants; good from −55 to 200 degC unless `valid` (degC, lower first) says less.
    ///
    /// [`CurveError::NotAThermistor`] where the resistance would not fall steadily all over that range, and
    /// [`CurveError::OutOfRange`] where `valid` is no part of −55 to 200 degC.
    pub fn from_constants(abc: [f64; 3], valid: Option<(f64, f64)>) -> Result<Self, CurveError> {
        let celsius = valid.unwrap_or(WIDEST);
        if !(abc.iter().all(|x| x.is_finite())
            && celsius.0 >= WIDEST.0
            && celsius.0 < celsius.1
            && celsius.1 <= WIDEST.1)
        {
            return Err(CurveError::OutOfRange);
        }
        let [a, b, c] = abc;
        let constants = Constants { a, b, c };
        let end = |celsius| constants.ohm(celsius).ok_or(CurveError::NotAThermistor);
        let ohm = (end(celsius.1)?, end(celsius.0)?);
        if ohm.0 >= ohm.1 {
            return Err(CurveError::NotAThermistor);
        }
        Ok(Self { constants, ohm, celsius })
    }

    /// From three points (degC, ohm), in any order.
    ///
    /// [`CurveError::SameInput`] where two of them share a temperature or a resistance.
    pub fn from_points(points: [(f64, f64); 3], valid: Option<(f64, f64)>) -> Result<Self, CurveError> {
        let curve = Self::from_constants(Constants::through(points)?, valid)?;
        // Through points that do not fall the equation turns round, and what falls is some other stretch of it.
        let met = |(celsius, ohm): (f64, f64)| {
            curve.constants.ohm(celsius).is_some_and(|is| (is - ohm).abs() <= ohm * SAME_POINT)
        };
        if points.into_iter().all(met) { Ok(curve) } else { Err(CurveError::NotAThermistor) }
    }

    /// From beta in kelvin and one point (degC, ohm): the same equation with c = 0.
    pub fn from_beta(beta: f64, at: (f64, f64), valid: Option<(f64, f64)>) -> Result<Self, CurveError> {
        let (log, inverse) = log_and_inverse(at).ok_or(CurveError::OutOfRange)?;
        if !(beta > 0.0 && beta.is_finite()) {
            return Err(CurveError::OutOfRange);
        }
        Self::from_constants([inverse - log / beta, 1.0 / beta, 0.0], valid)
    }

    /// See [`super::Curve::at`]. Takes ohms, gives degC. No margin.
    pub fn at(&self, ohm: f64) -> Option<f64> {
        (ohm >= self.ohm.0 && ohm <= self.ohm.1).then(|| self.constants.celsius(ohm))
    }

    /// See [`super::Curve::inverse`]. Takes degC, gives ohms.
    pub fn inverse(&self, celsius: f64) -> Option<f64> {
        let inside = celsius >= self.celsius.0 && celsius <= self.celsius.1;
        // Rounding may put the end a hair outside of the range in ohms, where `at` would refuse it.
        inside.then(|| self.constants.ohm(celsius)).flatten().map(|ohm| ohm.clamp(self.ohm.0, self.ohm.1))
    }

    /// See [`super::Curve::input_range`].
    pub fn input_range(&self) -> (f64, f64) {
        self.ohm
    }

    /// The constants a, b and c, as a data sheet would print them.
    pub fn constants(&self) -> [f64; 3] {
        [self.constants.a, self.constants.b, self.constants.c]
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Constants {
    a: f64,
    b: f64,
    c: f64,
}

impl Constants {
    /// The constants whose curve goes through three points (degC, ohm).
    fn through(points: [(f64, f64); 3]) -> Result<[f64; 3], CurveError> {
        let [first, second, third] = points.map(log_and_inverse);
        let (Some((l1, y1)), Some((l2, y2)), Some((l3, y3))) = (first, second, third) else {
            return Err(CurveError::OutOfRange);
        };
        if l1 == l2 || l2 == l3 || l1 == l3 || y1 == y2 || y2 == y3 || y1 == y3 {
            return Err(CurveError::SameInput);
        }
        let slope2 = (y2 - y1) / (l2 - l1);
        let slope3 = (y3 - y1) / (l3 - l1);
        let c = (slope3 - slope2) / (l3 - l2) / (l1 + l2 + l3);
        let b = slope2 - c * (l1 * l1 + l1 * l2 + l2 * l2);
        let a = y1 - (b + l1 * l1 * c) * l1;
        if [a, b, c].iter().all(|x| x.is_finite()) { Ok([a, b, c]) } else { Err(CurveError::NotAThermistor) }
    }

    fn celsius(&self, ohm: f64) -> f64 {
        let log = ohm.ln();
        1.0 / (self.a + log * (self.b + self.c * log * log)) - ZERO_CELSIUS
    }

    /// The resistance at `celsius`, where there is one on the branch that falls with temperature.
    fn ohm(&self, celsius: f64) -> Option<f64> {
        let ohm = self.log_ohm(1.0 / (celsius + ZERO_CELSIUS))?.exp();
        (ohm.is_normal() && ohm > 0.0).then_some(ohm)
    }

    /// The ln R at which 1/T is `inverse`, on the branch where 1/T rises with ln R.
    ///
    /// With p = b/c and q = (a − 1/T)/c this is the root of x³ + p x + q, in the forms that lose no digits where c is
    /// very small: by sinh for p above 0 (one real root), by sine for the middle root (c below 0), by cosine or cosh
    /// for the highest (b below 0).
    fn log_ohm(&self, inverse: f64) -> Option<f64> {
        let Self { a, b, c } = *self;
        let p = b / c;
        if c == 0.0 || p.is_infinite() {
            return (b > 0.0).then(|| (inverse - a) / b);
        }
        let q = (a - inverse) / c;
        if p == 0.0 {
            return (c > 0.0).then(|| (-q).cbrt());
        }
        let scale = (p.abs() / 3.0).sqrt();
        let ratio = q / (2.0 * scale * scale * scale);
        match (b > 0.0, c > 0.0) {
            (true, true) => Some(-2.0 * scale * (ratio.asinh() / 3.0).sinh()),
            (true, false) => (ratio.abs() <= 1.0).then(|| 2.0 * scale * (ratio.asin() / 3.0).sin()),
            (false, true) if -ratio > 1.0 => Some(2.0 * scale * ((-ratio).acosh() / 3.0).cosh()),
            (false, true) => (ratio <= 1.0).then(|| 2.0 * scale * ((-ratio).acos() / 3.0).cos()),
            (false, false) => None,
        }
    }
}

/// ln R and 1/T of a point (degC, ohm); `None` where it has none.
fn log_and_inverse((celsius, ohm): (f64, f64)) -> Option<(f64, f64)> {
    let kelvin = celsius + ZERO_CELSIUS;
    (kelvin > 0.0 && kelvin.is_finite() && ohm > 0.0 && ohm.is_finite()).then(|| (ohm.ln(), 1.0 / kelvin))
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    const USUAL: [f64; 3] = [0.001_129_241, 0.000_234_107_7, 8.775_468e-8];

    #[rstest]
    #[case::usual(USUAL, None)]
    #[case::beta_only([-0.0001, 0.0003, 0.0], None)]
    #[case::c_so_small_that_it_hardly_counts([-0.0001, 0.0003, 1e-18], None)]
    #[case::c_below_zero([0.0008, 0.0003, -1e-7], None)]
    #[case::b_is_zero([0.002, 0.0, 1.8e-6], None)]
    #[case::b_below_zero([0.0025, -0.0001, 2e-6], Some((-20.0, 100.0)))]
    fn every_shape_of_the_equation_comes_back_from_its_ohms(#[case] abc: [f64; 3], #[case] valid: Option<(f64, f64)>) {
        let curve = Thermistor::from_constants(abc, valid).unwrap();
        let (low, high) = valid.unwrap_or(WIDEST);
        let mut before = f64::INFINITY;
        for i in 0..=1000 {
            let t = low + (high - low) * f64::from(i) / 1000.0;
            let ohm = curve.inverse(t).unwrap();
            assert!(ohm < before, "at {t} degC");
            assert!((curve.at(ohm).unwrap() - t).abs() < 1e-7, "at {t} degC");
            before = ohm;
        }
    }

    #[test]
    fn there_is_no_margin_at_either_end() {
        let curve = Thermistor::from_constants(USUAL, None).unwrap();
        let (low, high) = curve.input_range();
        assert!((curve.at(high).unwrap() + 55.0).abs() < 1e-9);
        assert!((curve.at(low).unwrap() - 200.0).abs() < 1e-9);
        assert_eq!(curve.at(high * 1.000_001), None);
        assert_eq!(curve.at(low * 0.999_999), None);
        assert_eq!(curve.inverse(-55.001), None);
        assert_eq!(curve.inverse(200.001), None);
    }

    #[test]
    fn valid_makes_the_range_smaller() {
        let curve = Thermistor::from_constants(USUAL, Some((-20.0, 120.0))).unwrap();
        assert!(curve.at(96_990.0).is_some());
        assert_eq!(curve.at(97_010.0), None);
        assert!(curve.at(388.5).is_some());
        assert_eq!(curve.at(388.2), None);
    }

    #[rstest]
    #[case::nothing(0.0)]
    #[case::below(-5.0)]
    #[case::open(f64::INFINITY)]
    #[case::below_all(f64::NEG_INFINITY)]
    #[case::no_number(f64::NAN)]
    fn what_is_no_resistance_gives_nothing(#[case] ohm: f64) {
        assert_eq!(Thermistor::from_constants(USUAL, None).unwrap().at(ohm), None);
    }

    #[rstest]
    #[case::rises_with_temperature([(0.0, 1000.0), (25.0, 1100.0), (50.0, 1200.0)], CurveError::NotAThermistor)]
    #[case::up_and_down([(0.0, 3000.0), (25.0, 9000.0), (50.0, 1000.0)], CurveError::NotAThermistor)]
    #[case::one_temperature_twice([(0.0, 3000.0), (0.0, 2000.0), (50.0, 1000.0)], CurveError::SameInput)]
    #[case::one_resistance_twice([(0.0, 3000.0), (25.0, 1000.0), (50.0, 1000.0)], CurveError::SameInput)]
    #[case::no_resistance([(0.0, 0.0), (25.0, 2000.0), (50.0, 1000.0)], CurveError::OutOfRange)]
    #[case::below_absolute_zero([(-273.15, 9e9), (25.0, 2000.0), (50.0, 1000.0)], CurveError::OutOfRange)]
    #[case::no_number([(0.0, f64::NAN), (25.0, 2000.0), (50.0, 1000.0)], CurveError::OutOfRange)]
    fn points_that_make_no_thermistor_are_refused(#[case] points: [(f64, f64); 3], #[case] why: CurveError) {
        assert_eq!(Thermistor::from_points(points, None), Err(why));
    }

    #[rstest]
    #[case::beta_zero(0.0, 10_000.0, None, CurveError::OutOfRange)]
    #[case::beta_below_zero(-3950.0, 10_000.0, None, CurveError::OutOfRange)]
    #[case::no_resistance(3950.0, 0.0, None, CurveError::OutOfRange)]
    #[case::wider_than_any(3950.0, 10_000.0, Some((-55.1, 100.0)), CurveError::OutOfRange)]
    #[case::hotter_than_any(3950.0, 10_000.0, Some((0.0, 200.1)), CurveError::OutOfRange)]
    #[case::wrong_way_round(3950.0, 10_000.0, Some((100.0, 0.0)), CurveError::OutOfRange)]
    #[case::no_resistance_so_cold(1e9, 10_000.0, None, CurveError::NotAThermistor)]
    fn a_beta_that_makes_no_thermistor_is_refused(
        #[case] beta: f64,
        #[case] ohm: f64,
        #[case] valid: Option<(f64, f64)>,
        #[case] why: CurveError,
    ) {
        assert_eq!(Thermistor::from_beta(beta, (25.0, ohm), valid), Err(why));
    }
}
