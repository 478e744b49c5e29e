//! Edges on a pulse pin: exact times from a turning thing, and what the counts format sends of them.
//!
//! Owns the toothed wheel in front of a pickup ([`Wheel`]) and the running count ([`Counter`]). In: how far the thing
//! turned in a step. Out: the members of `pN`.

use super::random::Random;
use crate::time::Micros;

/// An edge older than this is sent as if it were so old, so that it never looks newer than the clock that wraps.
const OLDEST: Micros = 1_800_000_000;

/// The controller's clock moves in steps of so many µs (a 16 MHz clock divided by 64).
const TICK: Micros = 4;

/// A wheel whose teeth are not quite evenly spaced, as none are.
#[derive(Clone, Debug)]
pub(super) struct Wheel {
    /// Way from one tooth to the next.
    pitch: f64,
    /// Where each tooth really is, in pitches from where it should be.
    errors: Vec<f64>,
    next: u64,
}

/// Edges since the controller started.
#[derive(Clone, Debug, Default)]
pub(super) struct Counter {
    count: u32,
    /// When the newest came, on the world's clock.
    newest: Option<Micros>,
    shortest: Micros,
    longest: Micros,
}

/// What a line says of a pulse pin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Sent {
    pub(super) count: u32,
    pub(super) last: u32,
    pub(super) shortest: Micros,
    pub(super) longest: Micros,
}

impl Wheel {
    /// A wheel of `teeth` teeth, `pitch` apart, each out of place by about `error` pitches.
    pub(super) fn new(teeth: usize, pitch: f64, error: f64, random: &mut Random) -> Self {
        let errors = (0..teeth).map(|_| error * random.noise()).collect();
        Self { pitch, errors, next: 1 }
    }

    /// The thing turned from `from` to `to` in the step of `length` µs that began at `began`.
    #[expect(clippy::cast_possible_truncation, reason = "a share of a step")]
    pub(super) fn turn(&mut self, (from, to): (f64, f64), began: Micros, length: Micros, counter: &mut Counter) {
        loop {
            let place = self.place();
            if to < place {
                return;
            }
            let share = ((place - from) / (to - from).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
            let at = began + (share * length as f64) as Micros;
            counter.edge(at - at.rem_euclid(TICK));
            self.next += 1;
        }
    }

    #[expect(clippy::cast_possible_truncation, reason = "an index below the number of teeth")]
    fn place(&self) -> f64 {
        let index = self.next % (self.errors.len().max(1) as u64);
        (self.next as f64 + self.errors.get(index as usize).copied().unwrap_or(0.0)) * self.pitch
    }
}

impl Counter {
    fn edge(&mut self, at: Micros) {
        if let Some(before) = self.newest {
            let gap = at - before;
            self.shortest = if self.shortest == 0 { gap } else { self.shortest.min(gap) };
            self.longest = self.longest.max(gap);
        }
        self.count = self.count.wrapping_add(1);
        self.newest = Some(at);
    }

    /// What the line sampled at `now` says; the gaps begin anew. `booted` is when the controller started.
    pub(super) fn take(&mut self, now: Micros, booted: Micros) -> Sent {
        let last = self.newest.map_or(0, |at| wrapped(at.max(now - OLDEST) - booted));
        let sent = Sent { count: self.count, last, shortest: self.shortest, longest: self.longest };
        self.shortest = 0;
        self.longest = 0;
        sent
    }
}

/// A time since the controller's start on its clock, which wraps at 2^32 µs.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the clock wraps, by contract")]
pub(super) fn wrapped(since: Micros) -> u32 {
    since as u32
}

#[cfg(test)]
mod tests {
    use super::{Counter, Wheel, wrapped};
    use crate::controller::random::Random;

    #[test]
    fn edges_come_at_the_share_of_the_step_where_the_tooth_passes() {
        let mut wheel = Wheel::new(4, 0.5, 0.0, &mut Random::new(1, 1));
        let mut counter = Counter::default();
        wheel.turn((0.0, 2.0), 1000, 1000, &mut counter);
        let sent = counter.take(2000, 0);
        assert_eq!((sent.count, sent.last, sent.shortest, sent.longest), (4, 2000, 248, 252));
        let sent = counter.take(3000, 0);
        assert_eq!((sent.count, sent.last, sent.shortest, sent.longest), (4, 2000, 0, 0));
    }

    #[test]
    fn an_edge_older_than_half_an_hour_is_sent_as_half_an_hour_old() {
        let mut counter = Counter::default();
        counter.edge(5);
        let now = 5_000_000_000;
        assert_eq!(counter.take(now, 0).last, wrapped(now - 1_800_000_000));
    }

    #[test]
    fn before_any_edge_all_is_nought() {
        let sent = Counter::default().take(9, 0);
        assert_eq!((sent.count, sent.last, sent.shortest, sent.longest), (0, 0, 0, 0));
    }
}
