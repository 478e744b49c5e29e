//! A bad serial line: what a loose plug makes of lines.
//!
//! Owns the seeded damage of the `lines` story: flipped bits, lost bytes, lost line ends, lost lines. In: a line with
//! its LF. Out: what arrives of it.

use super::random::Random;

/// Of the lines sent while the plug moves, so many are hit.
const HIT: f64 = 0.4;

/// The plug.
#[derive(Clone, Debug)]
pub(super) struct Damage {
    random: Random,
}

impl Damage {
    pub(super) fn new(random: Random) -> Self {
        Self { random }
    }

    /// Hits the line that begins at `start` of `out`, perhaps.
    #[expect(clippy::cast_possible_truncation, reason = "an index below the length of a line")]
    pub(super) fn maybe(&mut self, start: usize, out: &mut Vec<u8>) {
        let length = out.len().saturating_sub(start);
        if length == 0 || !self.random.chance(HIT) {
            return;
        }
        let place = start + self.random.below(length as u64) as usize;
        match self.random.below(5) {
            0 => out.truncate(start),
            1 => {
                out.pop();
            }
            2 => {
                out.remove(place);
            }
            3 => {
                let end = (place + 1 + self.random.below(12) as usize).min(out.len());
                out.drain(place..end);
            }
            _ => {
                if let Some(byte) = out.get_mut(place) {
                    *byte ^= 1 << self.random.below(8);
                }
            }
        }
    }
}
