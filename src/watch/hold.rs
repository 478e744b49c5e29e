//! A fault that must last before it sounds, and be gone before it is quiet again.
//!
//! Owns one such delay. Pure: times are arguments.

use crate::time::Micros;

/// The delay of what neither begins nor ends for now, while since when it is otherwise is kept.
pub(super) const WAITS: Micros = Micros::MAX;

/// Whether it sounds, and the delay that runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Hold {
    /// It sounds.
    pub active: bool,
    /// Since when it should be otherwise, and how long that must last.
    turning: Option<(Micros, Micros)>,
}

impl Hold {
    /// It sounds or not, and nothing runs.
    pub fn at(active: bool) -> Self {
        Self { active, turning: None }
    }

    /// Whether it is quiet and nothing runs.
    pub fn is_idle(&self) -> bool {
        !self.active && self.turning.is_none()
    }

    /// At `at` it should sound (`is`) or not, after `delay`. True where it turned.
    pub fn step(&mut self, is: bool, delay: Micros, at: Micros) -> bool {
        if is == self.active {
            self.turning = None;
            return false;
        }
        let (since, _) = *self.turning.get_or_insert((at, delay));
        self.turning = Some((since, delay));
        if delay == WAITS || at - since < delay {
            return false;
        }
        *self = Self::at(is);
        true
    }

    /// When time alone turns it.
    pub fn due(&self) -> Option<Micros> {
        self.turning.filter(|(_, delay)| *delay < WAITS).map(|(since, delay)| since.saturating_add(delay))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_sounds_once_it_lasted_and_is_quiet_once_it_was_gone_for_long_enough() {
        let mut hold = Hold::default();
        assert!(!hold.step(true, 500, 0) && !hold.step(true, 500, 499));
        assert_eq!(hold.due(), Some(500));
        assert!(hold.step(true, 500, 500) && hold.active && hold.due().is_none());
        assert!(!hold.step(false, 900, 600) && !hold.step(true, 500, 1_000), "it came again");
        assert!(!hold.step(false, 900, 1_100) && !hold.step(false, 900, 1_999));
        assert!(hold.step(false, 900, 2_000) && hold.is_idle());
    }

    #[test]
    fn what_waits_turns_nothing_and_counts_from_where_it_began() {
        let mut hold = Hold::default();
        assert!(!hold.step(true, WAITS, 0) && !hold.step(true, WAITS, 900) && hold.due().is_none());
        assert!(hold.step(true, 500, 901));
    }

    #[test]
    fn what_comes_and_goes_before_its_time_never_sounds() {
        let mut hold = Hold::default();
        for at in 0..10_000 {
            assert!(!hold.step(at % 500 != 0, 499, at), "{at}");
        }
    }
}
