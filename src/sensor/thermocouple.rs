//! Thermocouples, IEC 60584-1 = ITS-90. Read NIST Monograph 175 first.
//!
//! Owns the way from emf to temperature: the reference function of `its90.rs` solved numerically, and the cold junction
//! added in emf. In: mV and degC; out: degC. Uses no published inverse polynomial (good to 0.06 degC only), allocates
//! nothing when evaluating, and knows no trust.

use std::fmt;
use std::sync::OnceLock;

use super::its90::{piece, range};
use super::{MARGIN, clamp_with_margin};

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
///
/// Type B is special: its emf falls from 0 degC to 21 degC and is back at zero at 42.13 degC, so that a small emf means
/// two temperatures. Its hot junction is therefore given from 42.14 degC on, where every emf means one; its cold
/// junction may be anything from 0 degC on, and matters little.
#[derive(Clone, Copy)]
pub struct Thermocouple {
    letter: ThermocoupleType,
    starts: &'static Starts,
}

impl Thermocouple {
    /// The functions of that letter.
    ///
    /// ```
    /// use kickpanel::sensor::{Thermocouple, ThermocoupleType};
    /// let curve = Thermocouple::new(ThermocoupleType::K);
    /// // The NIST table of type K has 4.096 mV at 100 degC and 1.000 mV at 25 degC.
    /// assert!((curve.hot(4.096 - 1.000, 25.0).unwrap() - 100.0).abs() < 0.03);
    /// ```
    pub fn new(letter: ThermocoupleType) -> Self {
        Self { letter, starts: Starts::of(letter) }
    }

    /// Which it is.
    pub fn letter(&self) -> ThermocoupleType {
        self.letter
    }

    /// Emf in mV at `t` degC with the reference junction at 0 degC; `None` outside the type's range.
    pub fn emf(&self, t: f64) -> Option<f64> {
        let (low, high) = range(self.letter);
        (t >= low && t <= high).then(|| piece(self.letter, t).emf(t))
    }

    /// Temperature in degC of the hot junction, from the measured emf in mV and the cold junction's degC: the cold
    /// junction is added in emf, not in degrees. Solved to 0.001 degC or better. End value up to 5 % of the emf span
    /// outside; `None` beyond, or where `cold` is outside the type's range.
    pub fn hot(&self, mv: f64, cold: f64) -> Option<f64> {
        let (low, high) = self.starts.emf;
        let emf = clamp_with_margin(mv + self.emf(cold)?, low, high, MARGIN)?;
        Some(self.starts.temperature(self.letter, emf))
    }

    /// The emf in mV that is measured with the junctions at `hot` and `cold` degC; `None` where either is outside the
    /// type's range.
    pub fn inverse(&self, hot: f64, cold: f64) -> Option<f64> {
        Some(self.emf(hot)? - self.emf(cold)?)
    }

    /// The range of emf in mV, lower first, that [`Self::hot`] solves for: measured plus that of the cold junction.
    pub fn emf_range(&self) -> (f64, f64) {
        self.starts.emf
    }
}

impl PartialEq for Thermocouple {
    fn eq(&self, other: &Self) -> bool {
        self.letter == other.letter
    }
}

impl fmt::Debug for Thermocouple {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Thermocouple").field(&self.letter).finish()
    }
}

/// Pieces of equal emf that the start table has: so many that one step of Newton is mostly enough.
const STEPS: usize = 256;

/// Where type B's emf, falling at first, is above zero again and rises from then on, degC.
const LOWEST_HOT_B: f64 = 42.14;

/// Newton's step, in degC, that is the last: what is still missing is its square times at most 0.2 per K (the bend of
/// the functions over twice their slope): 2e-5 degC.
const SMALL_STEP: f64 = 0.01;

/// More steps than halving alone needs to bring the widest piece of the start table below [`SMALL_STEP`].
const MOST_STEPS: usize = 40;

/// Temperatures at equal steps of emf: between two neighbours lies the answer, so that Newton cannot stray and needs
/// one or two steps. Worked out once for each letter and never changed.
struct Starts {
    /// mV, lower first.
    emf: (f64, f64),
    /// degC at `emf.0 + i / STEPS × span`.
    celsius: [f64; STEPS + 1],
}

static STARTS: [OnceLock<Starts>; 8] = [const { OnceLock::new() }; 8];

impl Starts {
    fn of(letter: ThermocoupleType) -> &'static Self {
        STARTS[letter as usize].get_or_init(|| Self::build(letter))
    }

    fn build(letter: ThermocoupleType) -> Self {
        let (lowest, highest) = range(letter);
        let lowest = if letter == ThermocoupleType::B { LOWEST_HOT_B } else { lowest };
        let emf = (piece(letter, lowest).emf(lowest), piece(letter, highest).emf(highest));
        let step = (emf.1 - emf.0) / STEPS as f64;
        let mut celsius = [highest; STEPS + 1];
        celsius[0] = lowest;
        for i in 1..STEPS {
            let from = celsius[i - 1];
            celsius[i] = solve(letter, emf.0 + i as f64 * step, (from, highest), from);
        }
        Self { emf, celsius }
    }

    /// The temperature in degC at `emf` mV, which is inside [`Self::emf`].
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to STEPS, by clamping the emf")]
    fn temperature(&self, letter: ThermocoupleType, emf: f64) -> f64 {
        let place = (emf - self.emf.0) / (self.emf.1 - self.emf.0) * STEPS as f64;
        let index = (place as usize).min(STEPS - 1);
        let (low, high) = (self.celsius[index], self.celsius[index + 1]);
        let start = low + (place - index as f64) * (high - low);
        // Rounding may have put the neighbours a hair off; the bracket is kept inside the type's range only.
        let slack = SMALL_STEP.min(high - low);
        let bracket = ((low - slack).max(self.celsius[0]), (high + slack).min(self.celsius[STEPS]));
        solve(letter, emf, bracket, start)
    }
}

/// Newton's method that halves the bracket wherever a step would leave it. The emf must rise over the whole bracket.
fn solve(letter: ThermocoupleType, emf: f64, (mut low, mut high): (f64, f64), start: f64) -> f64 {
    let mut t = start;
    for _ in 0..MOST_STEPS {
        let (here, slope) = piece(letter, t).emf_and_slope(t);
        if here > emf {
            high = t;
        } else {
            low = t;
        }
        let newton = t - (here - emf) / slope;
        let next = if newton >= low && newton <= high { newton } else { f64::midpoint(low, high) };
        if (next - t).abs() < SMALL_STEP {
            return next;
        }
        t = next;
    }
    t
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    const LETTERS: [ThermocoupleType; 8] = [
        ThermocoupleType::B,
        ThermocoupleType::E,
        ThermocoupleType::J,
        ThermocoupleType::K,
        ThermocoupleType::N,
        ThermocoupleType::R,
        ThermocoupleType::S,
        ThermocoupleType::T,
    ];

    #[test]
    fn every_letter_comes_back_from_its_emf() {
        for letter in LETTERS {
            let curve = Thermocouple::new(letter);
            let (low, high) = (curve.starts.celsius[0], curve.starts.celsius[STEPS]);
            for i in 0..=20_000 {
                let t = low + (high - low) * f64::from(i) / 20_000.0;
                let emf = curve.emf(t.min(high)).unwrap();
                let back = curve.hot(emf, 0.0).unwrap();
                assert!((back - t).abs() < 2e-5, "type {letter:?}: {t} degC came back as {back}");
            }
        }
    }

    #[test]
    fn the_emf_rises_over_all_that_is_inverted() {
        for letter in LETTERS {
            let curve = Thermocouple::new(letter);
            let (mut t, high) = (curve.starts.celsius[0], curve.starts.celsius[STEPS]);
            let mut before = curve.emf(t).unwrap();
            while t + 0.05 < high {
                t += 0.05;
                let emf = curve.emf(t).unwrap();
                assert!(emf > before, "type {letter:?} at {t} degC");
                before = emf;
            }
        }
    }

    #[test]
    fn the_slope_is_that_of_the_emf() {
        for letter in LETTERS {
            let (low, high) = range(letter);
            for i in 1..100 {
                let t = low + (high - low) * f64::from(i) / 100.0;
                let apart = 0.01;
                let piece = piece(letter, t);
                let slope = (piece.emf(t + apart) - piece.emf(t - apart)) / (2.0 * apart);
                assert!((piece.emf_and_slope(t).1 - slope).abs() < 1e-6, "type {letter:?} at {t} degC");
                assert!((piece.emf_and_slope(t).0 - piece.emf(t)).abs() < 1e-12);
            }
        }
    }

    #[rstest]
    #[case::k(ThermocoupleType::K)]
    #[case::b(ThermocoupleType::B)]
    fn the_end_value_is_given_for_five_percent_of_the_emf_span_and_no_more(#[case] letter: ThermocoupleType) {
        let curve = Thermocouple::new(letter);
        let (low, high) = curve.emf_range();
        let slack = (high - low) * 0.05;
        let (coldest, hottest) = (curve.starts.celsius[0], curve.starts.celsius[STEPS]);
        assert_eq!(curve.hot(high + slack * 0.999, 0.0), Some(hottest));
        assert_eq!(curve.hot(high + slack * 1.001, 0.0), None);
        assert_eq!(curve.hot(low - slack * 0.999, 0.0), Some(coldest));
        assert_eq!(curve.hot(low - slack * 1.001, 0.0), None);
    }

    #[test]
    fn a_cold_junction_outside_the_range_gives_nothing() {
        let curve = Thermocouple::new(ThermocoupleType::B);
        assert!(curve.hot(5.0, 0.0).is_some());
        assert_eq!(curve.hot(5.0, -0.001), None);
        let curve = Thermocouple::new(ThermocoupleType::T);
        assert!(curve.hot(0.0, 400.0).is_some());
        assert_eq!(curve.hot(0.0, 400.001), None);
    }

    #[test]
    fn what_is_no_number_gives_nothing() {
        let curve = Thermocouple::new(ThermocoupleType::K);
        assert_eq!(curve.hot(f64::NAN, 20.0), None);
        assert_eq!(curve.hot(1.0, f64::NAN), None);
        assert_eq!(curve.hot(f64::INFINITY, 20.0), None);
        assert_eq!(curve.emf(f64::NAN), None);
        assert_eq!(curve.inverse(f64::NAN, 20.0), None);
    }

    #[test]
    fn inverse_is_what_hot_takes() {
        let curve = Thermocouple::new(ThermocoupleType::K);
        let mv = curve.inverse(640.0, 31.0).unwrap();
        assert!((curve.hot(mv, 31.0).unwrap() - 640.0).abs() < 0.001);
        assert_eq!(curve.inverse(1372.1, 31.0), None);
    }
}
