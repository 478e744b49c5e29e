//! Instants and lengths of time, as plain numbers that are handed in.
//!
//! Owns [`Stamp`] and [`Micros`]. Asks no clock: the one file that does is [`system`].

pub mod system;

/// A length of time in microseconds. Signed, so that a difference of two stamps always has an answer.
pub type Micros = i64;

/// Microseconds in a minute.
pub const MINUTE: Micros = 60 * SECOND;
/// Microseconds in a second.
pub const SECOND: Micros = 1_000_000;
/// Microseconds in a millisecond.
pub const MILLISECOND: Micros = 1_000;

/// An instant on one monotonic timeline, in microseconds since that timeline began.
///
/// Two timelines are in use, and every place says which it means: the computer's (since the program or the recording
/// began) and a link's own (since its first reading, by the controller's clock).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp(pub Micros);

impl Stamp {
    /// The instant `ms` milliseconds after the beginning. Saturates at the ends of the range.
    pub const fn from_millis(ms: i64) -> Self {
        Self(ms.saturating_mul(MILLISECOND))
    }

    /// The instant `seconds` after the beginning, rounded to the microsecond. Saturates at the ends of the range.
    pub fn from_secs_f64(seconds: f64) -> Self {
        Self(micros_from_secs(seconds))
    }

    /// Seconds since the beginning.
    pub fn as_secs_f64(self) -> f64 {
        secs_from_micros(self.0)
    }

    /// Time passed since `earlier`, in microseconds; negative where `earlier` is later.
    pub const fn since(self, earlier: Self) -> Micros {
        self.0.saturating_sub(earlier.0)
    }

    /// The instant `span` microseconds later.
    #[must_use]
    pub const fn after(self, span: Micros) -> Self {
        Self(self.0.saturating_add(span))
    }
}

/// `seconds` in microseconds, rounded. Saturates at the ends of the range; not a number gives 0.
#[expect(clippy::cast_possible_truncation, reason = "a float cast saturates, which is what is promised")]
pub fn micros_from_secs(seconds: f64) -> Micros {
    (seconds * 1e6).round() as Micros
}

/// `span` microseconds in seconds.
pub fn secs_from_micros(span: Micros) -> f64 {
    span as f64 / 1e6
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::rounded_up(0.000_001_6, 2)]
    #[case::rounded_down(0.000_001_4, 1)]
    #[case::before_the_beginning(-1.5, -1_500_000)]
    #[case::endless(f64::INFINITY, Micros::MAX)]
    #[case::endless_before(f64::NEG_INFINITY, Micros::MIN)]
    #[case::no_number(f64::NAN, 0)]
    fn seconds_become_microseconds(#[case] seconds: f64, #[case] micros: Micros) {
        assert_eq!(micros_from_secs(seconds), micros);
        assert_eq!(Stamp::from_secs_f64(seconds), Stamp(micros));
    }

    #[test]
    fn differences_have_a_sign() {
        let (early, late) = (Stamp::from_millis(1_000), Stamp::from_millis(1_250));
        assert_eq!(late.since(early), 250 * MILLISECOND);
        assert_eq!(early.since(late), -250 * MILLISECOND);
        assert_eq!(early.after(250 * MILLISECOND), late);
        assert_eq!(secs_from_micros(late.since(early)).to_bits(), 0.25_f64.to_bits());
        assert_eq!(late.as_secs_f64().to_bits(), 1.25_f64.to_bits());
    }

    #[test]
    fn the_ends_of_the_range_hold_instead_of_wrapping() {
        assert_eq!(Stamp(Micros::MAX).after(1), Stamp(Micros::MAX));
        assert_eq!(Stamp(Micros::MIN).since(Stamp(1)), Micros::MIN);
        assert_eq!(Stamp::from_millis(i64::MAX), Stamp(Micros::MAX));
    }
}
