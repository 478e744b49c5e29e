//! What each digit of a line adds to its checksum.
//!
//! A CRC is linear: of two texts of one length, the sums differ by what the bytes that differ add, each by its value and
//! its distance from the end alone. Where a mould knows all of a line but its digits, these alone are looked at. In:
//! digits, and how far from the end they are. Out: what they add. A property test of [`super::mould`] holds it against
//! the sum over all bytes.

use super::LINE_MAX;

/// The polynomial of CRC-16/IBM-3740 without its highest power.
const POLYNOMIAL: u16 = 0x1021;

/// What two digits add, by the earlier one and sixteen times the later one.
type Row = [u16; 256];

/// What digits add, by their distance from the end. All memory is taken at once, and a row filled when it is needed.
#[derive(Clone, Debug)]
pub(super) struct Shares {
    /// What the value 1 adds, by its distance.
    ones: Vec<u16>,
    /// By the distance of the later of two digits.
    rows: Vec<Row>,
}

impl Shares {
    pub(super) fn new() -> Self {
        let one = std::iter::successors(Some(POLYNOMIAL), |&one| Some((0..8).fold(one, |one, _| doubled(one))));
        Self { ones: one.take(LINE_MAX + 1).collect(), rows: vec![[0; 256]; LINE_MAX] }
    }

    /// Makes the row ready whose later digit is `distance` from the end.
    pub(super) fn prepare(&mut self, distance: usize) {
        let (Some(row), Some(&[later, earlier])) =
            (self.rows.get_mut(distance), self.ones.get(distance..).and_then(|ones| ones.first_chunk::<2>()))
        else {
            return;
        };
        if row[1] != 0 {
            return;
        }
        let add = |one: u16, digit: usize| {
            (0..4)
                .filter(|bit| digit >> bit & 1 == 1)
                .fold(0, |sum, bit| sum ^ (0..bit).fold(one, |one, _| doubled(one)))
        };
        let (low, high) = (|pair: usize| add(earlier, pair & 15), |pair: usize| add(later, pair >> 4));
        for (pair, share) in row.iter_mut().enumerate() {
            *share = low(pair) ^ high(pair);
        }
    }

    /// What four digits add, the last of them `distance` from the end; they stand as bytes 0 to 9, the first one lowest.
    #[inline]
    pub(super) fn of_four(&self, digits: u32, distance: u16) -> u16 {
        let pairs = digits | digits >> 4;
        self.of_pair(pairs >> 16, distance) ^ self.of_pair(pairs, distance + 2)
    }

    /// The same of eight digits.
    #[inline]
    #[expect(clippy::cast_possible_truncation, reason = "the two halves")]
    pub(super) fn of_eight(&self, digits: u64, distance: u16) -> u16 {
        self.of_four((digits >> 32) as u32, distance) ^ self.of_four(digits as u32, distance + 4)
    }

    #[inline]
    fn of_pair(&self, pairs: u32, distance: u16) -> u16 {
        // Zeros ahead of a number may lie before the line; they add nothing, whichever row is asked.
        let rows: Option<&[Row; LINE_MAX]> = self.rows.first_chunk();
        rows.map_or(0, |rows| rows[usize::from(distance) % LINE_MAX][(pairs & 0xFF) as usize])
    }
}

/// Times the polynomial x.
fn doubled(sum: u16) -> u16 {
    sum << 1 ^ if sum & 0x8000 == 0 { 0 } else { POLYNOMIAL }
}
