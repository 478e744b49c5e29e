//! How long to wait before the next try. Pure: it counts, and asks no clock.

use crate::time::{MILLISECOND, Micros, SECOND};

/// Nothing came for so long: worth a word.
pub const SILENT_AFTER: Micros = 5 * SECOND;

/// Pauses between tries to open a port, and how long an open but silent one is left alone.
///
/// A port that vanished is looked for every 100 ms for 10 s, then every second, for ever. One that is open but silent is not
/// opened anew before 30 s, since opening resets many boards; then after 60, 120, 120 … s.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pace {
    tries: u32,
    silent_openings: u32,
}

impl Pace {
    /// The pause before the next try.
    pub fn pause(&mut self) -> Micros {
        self.tries = self.tries.saturating_add(1);
        if self.tries <= 100 { 100 * MILLISECOND } else { SECOND }
    }

    /// How long the port that is open now may stay silent before it is opened anew.
    pub fn patience(&self) -> Micros {
        (30 * SECOND) << self.silent_openings.min(2)
    }

    /// Something came: begin anew.
    pub fn heard(&mut self) {
        *self = Self::default();
    }

    /// It was silent for too long and is opened anew.
    pub fn gave_up(&mut self) {
        self.silent_openings = self.silent_openings.saturating_add(1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hundred_quick_tries_then_one_each_second() {
        let mut pace = Pace::default();
        for _ in 0..100 {
            assert_eq!(pace.pause(), 100 * MILLISECOND);
        }
        assert_eq!(pace.pause(), SECOND);
        pace.heard();
        assert_eq!(pace.pause(), 100 * MILLISECOND);
    }

    #[test]
    fn a_silent_port_is_left_alone_longer_each_time() {
        let mut pace = Pace::default();
        let waits: Vec<Micros> = (0..4)
            .map(|_| {
                let patience = pace.patience();
                pace.gave_up();
                patience / SECOND
            })
            .collect();
        assert_eq!(waits, [30, 60, 120, 120]);
    }
}
