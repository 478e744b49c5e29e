//! What each digit of a line adds to its checksum.
//!
//! A CRC is linear: of two texts of one length, the sums differ by what the bytes that differ add, each by its value and
//! its distance from the end alone. Where a mould knows all of a line but its digits, these alone are looked at. In:
//! digits, and how far from the end they are. Out: what they add. A property test of [`super::mould`] holds it against
//! the sum over all bytes.

use super::LINE_MAX;

/// The polynomial of CRC-16/IBM-3740 without its highest power.
const POLYNOMIAL: u16 = 0x1021;

/// How many values two digits have that stand as bytes: the earlier one and sixteen times the later one.
const PAIRS: usize = 256;
/// From the row of two digits to that of the two ahead of them, which are two further from the end.
const STEP: u32 = 512;
/// One row for each distance from the end of a line. A power of two.
const OWN: usize = PAIRS * LINE_MAX;
/// With some for zeros that would stand before a line.
const ALL: usize = OWN + 8 * STEP as usize;

/// What digits add, by their distance from the end. All memory is taken at once, and a row filled when it is needed.
#[derive(Clone, Debug)]
pub(super) struct Shares {
    /// What the value 1 adds, by its distance.
    ones: Vec<u16>,
    /// A row of pairs for each distance of the later of two digits.
    rows: Box<[u16; ALL]>,
}

/// Where the row of a number's last two digits is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row(u32);

impl Shares {
    pub(super) fn new() -> Self {
        let one = std::iter::successors(Some(POLYNOMIAL), |&one| Some((0..8).fold(one, |one, _| doubled(one))));
        // By way of a list, since a box of so large an array would come over the stack; the lengths are the same.
        #[expect(clippy::large_stack_arrays, reason = "it is never made")]
        let rows = vec![0; ALL].try_into().unwrap_or_else(|_| Box::new([0; ALL]));
        Self { ones: one.take(LINE_MAX + 1).collect(), rows }
    }

    /// Makes the rows ready for a number of `digits` digits whose last is `distance` from the end, and says which they
    /// are.
    pub(super) fn prepare(&mut self, distance: usize, digits: usize) -> Option<Row> {
        // So that no row of any of its digits is looked for beyond the own ones.
        if distance + digits >= LINE_MAX {
            return None;
        }
        for pair in 0..digits.div_ceil(2) {
            self.fill(distance + 2 * pair)?;
        }
        u32::try_from(distance * PAIRS).ok().map(Row)
    }

    fn fill(&mut self, distance: usize) -> Option<()> {
        let row = self.rows.get_mut(distance * PAIRS..(distance + 1) * PAIRS)?;
        let &[later, earlier] = self.ones.get(distance..)?.first_chunk::<2>()?;
        if row.get(1) != Some(&0) {
            return Some(());
        }
        let add = |one: u16, digit: usize| {
            let bits = (0..4).filter(|bit| digit >> bit & 1 == 1);
            bits.fold(0, |sum, bit| sum ^ (0..bit).fold(one, |one, _| doubled(one)))
        };
        for (pair, share) in row.iter_mut().enumerate() {
            *share = add(earlier, pair & 15) ^ add(later, pair >> 4);
        }
        Some(())
    }

    /// What four digits add, the last two of them those of `row`; they stand as bytes 0 to 9, the first one lowest.
    #[inline]
    pub(super) fn of_four(&self, digits: u32, row: Row) -> u32 {
        let [pair, _, last, _] = (digits | digits >> 4).to_le_bytes();
        u32::from(self.share(row, 0, last) ^ self.share(row, 1, pair))
    }

    /// The same of eight digits.
    #[inline]
    pub(super) fn of_eight(&self, digits: u64, row: Row) -> u32 {
        let [first, _, second, _, third, _, last, _] = (digits | digits >> 4).to_le_bytes();
        let later = self.share(row, 0, last) ^ self.share(row, 1, third);
        u32::from(later ^ self.share(row, 2, second) ^ self.share(row, 3, first))
    }

    /// What `pair`, so many pairs ahead of `row`, adds. Every place it can ask for is one, so nothing is checked.
    #[inline]
    fn share(&self, row: Row, ahead: usize, pair: u8) -> u16 {
        self.rows[row.0 as usize % OWN + ahead * STEP as usize + usize::from(pair)]
    }
}

/// Times the polynomial x.
fn doubled(sum: u16) -> u16 {
    sum << 1 ^ if sum & 0x8000 == 0 { 0 } else { POLYNOMIAL }
}
