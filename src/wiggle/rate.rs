//! Which rate a controller is asked for, and which it gets back.
//!
//! Owns the rate before. In: hellos. Out: lines to send. A controller that does not take the line goes on as it was.

use crate::time::{Micros, SECOND, Stamp};
use crate::wire::{RATE_HZ, set_rate};

/// The highest rate of the counts format; where the line carries less, the controller sends what it carries.
pub const HIGHEST: u32 = *RATE_HZ.end();
/// A controller that answers with another rate is asked again after this.
const AGAIN: Micros = SECOND;

/// What is known of one controller's rate.
#[derive(Clone, Copy, Debug, Default)]
pub struct Rate {
    /// Before it was asked.
    old: Option<u32>,
    asked: Option<Stamp>,
}

impl Rate {
    /// The controller says that it has this rate. Gives the line that asks for the highest, if it is to be sent.
    pub fn said(&mut self, now: Stamp, rate: u32) -> Option<String> {
        // One that cannot be given back is not taken away.
        let old = *self.old.get_or_insert(rate);
        if rate >= HIGHEST || !RATE_HZ.contains(&old) || self.asked.is_some_and(|asked| now.since(asked) < AGAIN) {
            return None;
        }
        self.asked = Some(now);
        set_rate(HIGHEST).ok()
    }

    /// The line that gives back the rate before, where another was asked for.
    pub fn back(&self) -> Option<String> {
        self.asked?;
        set_rate(self.old?).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_highest_is_asked_for_once_and_the_old_one_given_back() {
        let mut rate = Rate::default();
        assert_eq!(rate.back(), None, "nothing was asked for");
        assert_eq!(rate.said(Stamp(0), 50), set_rate(200).ok());
        assert_eq!(rate.said(Stamp(10), 50), None, "it may not have come to it yet");
        assert_eq!(rate.said(Stamp(20), 200), None);
        assert_eq!(rate.back(), set_rate(50).ok());
    }

    #[test]
    fn a_restart_takes_it_back_to_its_own_and_it_is_asked_again() {
        let mut rate = Rate::default();
        assert!(rate.said(Stamp(0), 25).is_some());
        assert!(rate.said(Stamp(SECOND), 50).is_some());
        assert_eq!(rate.back(), set_rate(25).ok());
    }

    #[test]
    fn what_cannot_be_given_back_is_not_taken() {
        for rate in [0, 200, 201, 2_000] {
            let mut given = Rate::default();
            assert_eq!((given.said(Stamp(0), rate), given.back()), (None, None), "{rate}");
        }
    }
}
