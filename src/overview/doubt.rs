//! When a channel's value is not believed: too old, too fast, too still.
//!
//! Owns the rules that can be set by hand, with the defaults that are in force. What a broken wire looks like follows
//! from circuit and sensor, and is not listed.

use crate::config::{Channel, Source};
use crate::time::Micros;

/// The rules of one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubt {
    /// When a reading is too old.
    pub stale: Stale,
    /// Fastest change that is believed, in the channel's unit per second; `None`: any.
    pub fastest: Option<f64>,
    /// When it counts as stuck; `None`: never.
    pub stuck: Option<StuckAfter>,
}

/// When a reading is too old.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stale {
    /// After so long.
    After(Micros),
    /// After five of its usual intervals, half a second at least; 2 s before the usual one is known.
    FiveIntervals,
    /// When one of those that it is computed from is.
    WithItsTerms,
}

/// When a channel counts as stuck.
#[derive(Clone, Debug, PartialEq)]
pub struct StuckAfter {
    /// Not moved for so long.
    pub after: Micros,
    /// By more than so many raw counts.
    pub band: f64,
    /// While this is true; `None`: always.
    pub when: Option<String>,
}

impl Doubt {
    /// The rules in force for `channel`.
    pub(super) fn of(channel: &Channel) -> Self {
        let stale = match (&channel.source, channel.fresh) {
            (_, Some(fresh)) => Stale::After(fresh),
            (Source::Input(_), None) => Stale::FiveIntervals,
            (Source::Formula(_), None) => Stale::WithItsTerms,
        };
        let stuck = channel.stuck.as_ref().map(|stuck| StuckAfter {
            after: stuck.after,
            band: stuck.band,
            when: stuck.when.as_ref().map(|when| when.text.clone()),
        });
        Self { stale, fastest: channel.fastest, stuck }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::load;
    use crate::overview::Overview;
    use crate::time::SECOND;

    #[test]
    fn what_is_set_and_what_is_in_force_without_is_told() {
        let text = "[channel.rpm]\ninput = \"p2\"\n[channel.oil]\ninput = \"a1\"\nfresh = \"2 s\"\nfastest = \"60 V/s\"\n\
            stuck = { after = \"60 s\", band = 1, when = \"rpm > 600\" }\n[channel.twice]\nformula = \"2 * oil\"\n";
        let loaded = load(text);
        let overview = Overview::of(&loaded.model.unwrap_or_else(|| panic!("{:?}", loaded.mistakes)));
        let doubts: Vec<&Doubt> = overview.channels.iter().map(|channel| &channel.doubt).collect();
        assert_eq!(doubts[0], &Doubt { stale: Stale::FiveIntervals, fastest: None, stuck: None });
        let when = Some("rpm > 600".to_owned());
        let stuck = Some(StuckAfter { after: 60 * SECOND, band: 1.0, when });
        assert_eq!(doubts[1], &Doubt { stale: Stale::After(2 * SECOND), fastest: Some(60.0), stuck });
        assert_eq!(doubts[2].stale, Stale::WithItsTerms);
    }
}
