//! Why controllers restarted, counted.
//!
//! Owns the reasons' names and their counts. In: reasons that hellos gave. Out: how often each. Reads no line.

use super::Reset;

impl Reset {
    /// Every reason, the one that asks most for a look at the wiring first.
    pub const ALL: [Self; 5] = [Self::BrownOut, Self::Watchdog, Self::External, Self::PowerOn, Self::Unknown];

    /// The word of the counts format.
    pub const fn name(self) -> &'static str {
        match self {
            Self::PowerOn => "power-on",
            Self::External => "external",
            Self::BrownOut => "brown-out",
            Self::Watchdog => "watchdog",
            Self::Unknown => "unknown",
        }
    }
}

/// How often a controller restarted for each reason. One that no hello told of is `unknown`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Resets([u64; Reset::ALL.len()]);

impl Resets {
    /// No restart.
    pub const NONE: Self = Self([0; Reset::ALL.len()]);

    /// How often for that reason.
    pub const fn of(&self, reason: Reset) -> u64 {
        self.0[reason as usize]
    }

    /// Every reason with its count, in the order of [`Reset::ALL`].
    pub fn each(&self) -> impl Iterator<Item = (Reset, u64)> {
        Reset::ALL.map(|reason| (reason, self.of(reason))).into_iter()
    }

    /// What happened, in words: `2 brown-out, 1 unknown`.
    pub fn words(&self) -> String {
        Self::listed(self.each())
    }

    /// The same of those whose reason was told; empty where none was.
    pub fn known_words(&self) -> String {
        Self::listed(self.each().filter(|(reason, _)| *reason != Reset::Unknown))
    }

    fn listed(counts: impl Iterator<Item = (Reset, u64)>) -> String {
        let told = counts.filter(|(_, count)| *count > 0);
        told.map(|(reason, count)| format!("{count} {}", reason.name())).collect::<Vec<_>>().join(", ")
    }

    /// One more.
    pub fn count(&mut self, reason: Reset) {
        self.0[reason as usize] += 1;
    }

    /// The newest unknown one had that reason.
    pub(super) fn explain(&mut self, reason: Reset) {
        let unknown = &mut self.0[Reset::Unknown as usize];
        *unknown = unknown.saturating_sub(1);
        self.count(reason);
    }

    /// Adds what `other` counted.
    pub(super) fn add(&mut self, other: &Self) {
        for (sum, count) in self.0.iter_mut().zip(other.0) {
            *sum += count;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_that_is_told_later_takes_the_place_of_unknown() {
        let mut resets = Resets::default();
        resets.count(Reset::Unknown);
        resets.count(Reset::Unknown);
        resets.count(Reset::Watchdog);
        resets.explain(Reset::BrownOut);
        let counts: Vec<_> = resets.each().map(|(reason, count)| (reason.name(), count)).collect();
        assert_eq!(resets.words(), "1 brown-out, 1 watchdog, 1 unknown");
        assert_eq!(resets.known_words(), "1 brown-out, 1 watchdog");
        assert_eq!(counts, [("brown-out", 1), ("watchdog", 1), ("external", 0), ("power-on", 0), ("unknown", 1)]);
    }
}
