//! Whether a value is true, and the only type that carries one.

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
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Value {
    number: f64,
    trust: Trust,
}

impl Value {
    /// Nothing came yet.
    pub const MISSING: Self = Self::bad(Trust::Missing);

    /// A good value; `Beyond` where `number` is not finite, since a number that is none can never be good.
    pub fn ok(number: f64) -> Self {
        if number.is_finite() { Self { number, trust: Trust::Ok } } else { Self::bad(Trust::Beyond) }
    }

    /// No value, and why. `Ok` makes no sense here and becomes `Missing`.
    pub const fn bad(trust: Trust) -> Self {
        let trust = if matches!(trust, Trust::Ok) { Trust::Missing } else { trust };
        Self { number: 0.0, trust }
    }

    /// The number, if it can be trusted.
    pub fn good(self) -> Option<f64> {
        (self.trust == Trust::Ok).then_some(self.number)
    }

    /// The state.
    pub const fn trust(self) -> Trust {
        self.trust
    }

    /// The same number where `trust` is `Ok`, else untrusted for that reason; an earlier reason stays.
    #[must_use]
    pub fn and(self, trust: Trust) -> Self {
        if self.trust == Trust::Ok && trust != Trust::Ok { Self::bad(trust) } else { self }
    }
}
