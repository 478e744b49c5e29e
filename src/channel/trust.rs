//! Whether a value is true, and the only type that carries one.

use std::fmt;

/// The state beside every value, in the order of `config.md`: where several apply, the first from `Missing` on is it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Trust {
    /// The value is good.
    Ok,
    /// The controller sent null, or the field never came.
    #[default]
    Missing,
    /// No reading for too long.
    Stale,
    /// The sensor supply is unknown or out of its limits.
    Supply,
    /// The ground or supply that several sensors share stepped.
    Ground,
    /// The wire is broken.
    Open,
    /// Short to ground (behind a live-zero sensor also: broken wire or no supply).
    ShortLow,
    /// Short to the supply (behind a live-zero sensor also: broken sensor ground).
    ShortHigh,
    /// Outside the curve, or the converter or an amplifier is at its end.
    Beyond,
    /// Moved faster than is possible.
    Leaping,
    /// Does not move while the engine does.
    Stuck,
}

impl Trust {
    /// Every state, in order.
    pub const ALL: [Self; 11] = [
        Self::Ok,
        Self::Missing,
        Self::Stale,
        Self::Supply,
        Self::Ground,
        Self::Open,
        Self::ShortLow,
        Self::ShortHigh,
        Self::Beyond,
        Self::Leaping,
        Self::Stuck,
    ];

    /// The name that exports and `--json` use.
    pub fn name(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Missing => "missing",
            Self::Stale => "stale",
            Self::Supply => "supply",
            Self::Ground => "ground",
            Self::Open => "open",
            Self::ShortLow => "short_low",
            Self::ShortHigh => "short_high",
            Self::Beyond => "beyond",
            Self::Leaping => "leaping",
            Self::Stuck => "stuck",
        }
    }

    /// The words that stand on a screen in place of the number, at most 14 columns.
    pub fn words(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Missing => "missing",
            Self::Stale => "stale",
            Self::Supply => "supply",
            Self::Ground => "ground shift",
            Self::Open => "open circuit",
            Self::ShortLow => "short to gnd",
            Self::ShortHigh => "short to sup",
            Self::Beyond => "out of range",
            Self::Leaping => "leaping",
            Self::Stuck => "stuck",
        }
    }
}

/// A number that cannot be had without its trust: only [`Value::good`] gives it out, and only when it is `Ok`.
///
/// It has the size of its number: what is untrusted is none, and the bits of a double that is not a number have room for
/// the reason. Values are what is moved about most.
#[derive(Clone, Copy)]
pub struct Value(f64);

/// A double that is not a number; its lowest bits are free.
const NO_NUMBER: u64 = 0x7FF8_0000_0000_0000;

impl Value {
    /// Nothing came yet.
    pub const MISSING: Self = Self::bad(Trust::Missing);

    /// A good value; `Beyond` where `number` is not finite, since a number that is none can never be good.
    #[inline]
    pub fn ok(number: f64) -> Self {
        if number.is_finite() { Self(number) } else { Self::bad(Trust::Beyond) }
    }

    /// No value, and why. `Ok` makes no sense here and becomes `Missing`.
    pub const fn bad(trust: Trust) -> Self {
        let trust = if matches!(trust, Trust::Ok) { Trust::Missing } else { trust };
        Self(f64::from_bits(NO_NUMBER | trust as u64))
    }

    /// The number, if it can be trusted.
    #[inline]
    pub fn good(self) -> Option<f64> {
        (!self.0.is_nan()).then_some(self.0)
    }

    /// Whether it is good and within `low..=high`.
    #[inline]
    pub fn is_within(self, low: f64, high: f64) -> bool {
        self.0 >= low && self.0 <= high
    }

    /// The state.
    #[inline]
    pub fn trust(self) -> Trust {
        match self.good() {
            Some(_) => Trust::Ok,
            None => self.reason(),
        }
    }

    fn reason(self) -> Trust {
        Trust::ALL.get((self.0.to_bits() & 0xFF) as usize).copied().unwrap_or_default()
    }

    /// Whether both have the same state.
    #[inline]
    pub fn is_as_good_as(self, other: Self) -> bool {
        // One comparison for both; and no good number has the bits of one that is none.
        !(self.0.is_nan() | other.0.is_nan()) || self.0.to_bits() == other.0.to_bits()
    }

    /// The same number where `trust` is `Ok`, else untrusted for that reason; an earlier reason stays.
    #[must_use]
    pub fn and(self, trust: Trust) -> Self {
        if self.good().is_some() && trust != Trust::Ok { Self::bad(trust) } else { self }
    }
}

impl PartialEq for Value {
    fn eq(&self, other: &Self) -> bool {
        self.good() == other.good() && self.is_as_good_as(*other)
    }
}

impl fmt::Debug for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.good() {
            Some(number) => write!(f, "{number:?}"),
            None => write!(f, "{:?}", self.reason()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_untrusted_value_keeps_its_reason_and_has_no_number() {
        for trust in Trust::ALL.into_iter().skip(1) {
            assert_eq!((Value::bad(trust).trust(), Value::bad(trust).good()), (trust, None));
            assert!(!Value::bad(trust).is_within(f64::NEG_INFINITY, f64::INFINITY));
        }
        assert_eq!(Value::bad(Trust::Ok).trust(), Trust::Missing);
    }

    #[test]
    fn a_good_value_is_its_number_to_the_last_bit() {
        for number in [0.0, -0.0, 1.5, f64::MIN_POSITIVE / 2.0, f64::MAX, f64::MIN] {
            let value = Value::ok(number);
            assert_eq!((value.trust(), value.good().map(f64::to_bits)), (Trust::Ok, Some(number.to_bits())));
        }
        for number in [f64::NAN, -f64::NAN, f64::from_bits(NO_NUMBER | 1), f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(Value::ok(number).trust(), Trust::Beyond);
        }
    }

    #[test]
    fn values_of_one_state_are_as_good_as_each_other() {
        let all = Trust::ALL.map(|trust| if trust == Trust::Ok { Value::ok(2.0) } else { Value::bad(trust) });
        for one in all {
            for other in all {
                assert_eq!(one.is_as_good_as(other), one.trust() == other.trust());
                assert_eq!(one == other, one.trust() == other.trust());
            }
        }
        assert!(Value::ok(1.0).is_as_good_as(Value::ok(2.0)) && Value::ok(1.0) != Value::ok(2.0));
    }
}
