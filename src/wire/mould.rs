//! Whole lines that look like earlier ones: fixed bytes and digits in the same places.
//!
//! Owns a few moulds, each learned from a line that [`super::scan`] took. In: a line. Out: its fields, without looking at
//! any name or searching for any end of a number; or `None` where no mould fits. A controller's values rarely change
//! their count of digits, so most lines fit, and cost a third. What fits is by construction what the scanner would have
//! read, and its checksum follows from its digits; a property test holds all ways against each other.

use super::crc::checksum;
use super::fields::Class;
use super::number::{ZEROS, fold};
use super::scan::{Heads, plausible};
use super::shares::{Row, Shares};
use super::{Edges, LINE_MAX, Raw};

/// How many looks are kept: enough for three values that swing about a power of ten at once.
const KEPT: usize = 8;
/// The most numbers, and nulls, of a line that has a mould. A power of two.
const NUMBERS: usize = 128;
/// Learning one costs about as much as reading so many lines the longer way, so it is done no oftener.
const PRICE: u32 = 16;

/// A member of a line that was taken: what it is, where its value begins, and where that ends.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mark {
    pub target: super::fields::Target,
    pub value: usize,
    pub after: usize,
}

/// The moulds of one link. All memory is taken at once.
#[derive(Clone, Debug)]
pub(super) struct Moulds {
    kept: Vec<Mould>,
    /// Which is replaced next.
    oldest: usize,
    /// Lines since one was learned, up to [`PRICE`].
    credit: u32,
    /// How many fields the link has.
    fields: usize,
    /// What digits add to a checksum.
    shares: Shares,
    parts: Box<Parts>,
    /// The members of the line that is being scanned.
    pub marks: Vec<Mark>,
}

/// How one line looks up to its end (the comma before the checksum, or the closing brace).
#[derive(Clone, Debug)]
struct Mould {
    /// The length up to the end; 0: it fits no line.
    end: usize,
    /// Sixteen bytes each from the beginning, and last the sixteen before the end.
    looks: Vec<Look>,
    /// The checksum while all free digits are `0`.
    sum: u16,
    /// Values of at most four digits, as counts are: into the fields.
    short: Vec<Short>,
    /// Other numbers of at most four digits: into the parts.
    short_parts: Vec<Short>,
    /// All longer ones, and those whose digits could say too much: into the parts.
    long_parts: Vec<Long>,
    /// The most that a part may be, of those whose digits could say more.
    limits: Vec<(u16, u64)>,
    /// Which part the clock is.
    clock: Option<u16>,
    /// Which part the running number is.
    sequence: Option<u16>,
    pulses: Vec<Pulse>,
    /// Values of more digits: which part, and their field.
    long: Vec<(u16, u16)>,
    /// The fields that say none.
    nulls: Vec<u16>,
    /// The fields that are not there.
    absent: Vec<u16>,
}

/// What sixteen bytes of a line may be: each the least, or up to so much more.
#[derive(Clone, Copy, Debug)]
struct Look {
    least: [u8; LOOK],
    more: [u8; LOOK],
}

/// As many bytes as the usual processors of today, small ones too, compare at once.
const LOOK: usize = 16;

/// Numbers on their way into fields.
type Parts = [u64; NUMBERS];

/// A number: where it is. Its first digit is never a leading zero; that is part of the look.
#[derive(Clone, Copy, Debug)]
struct Long {
    /// The first of its last eight digits, or of all if there are fewer.
    from: u16,
    /// Which part it is.
    into: u16,
    /// How far these digits move up in their word.
    up: u16,
    /// Of its last digits.
    row: Row,
    /// What the digits ahead of the last eight stand for. They change seldom (every 100 s in a clock of µs), so they
    /// belong to the look.
    base: u64,
}

/// The same of at most four digits.
#[derive(Clone, Copy, Debug)]
struct Short {
    from: u16,
    up: u16,
    into: u16,
    row: Row,
}

/// A pulse pin: the first of its two or four parts.
#[derive(Clone, Copy, Debug)]
struct Pulse {
    first: u16,
    slot: u16,
    four: bool,
}

const NULL: &[u8] = b"null";

impl Moulds {
    /// For a link of so many fields.
    pub(super) fn new(fields: usize) -> Self {
        let empty = || Mould {
            end: 0,
            looks: Vec::with_capacity(LINE_MAX / LOOK + 1),
            sum: 0,
            clock: None,
            sequence: None,
            short: Vec::with_capacity(NUMBERS),
            short_parts: Vec::with_capacity(NUMBERS),
            long_parts: Vec::with_capacity(NUMBERS),
            long: Vec::with_capacity(NUMBERS),
            nulls: Vec::with_capacity(NUMBERS),
            limits: Vec::with_capacity(NUMBERS),
            absent: Vec::with_capacity(fields),
            pulses: Vec::with_capacity(NUMBERS),
        };
        let kept = std::iter::repeat_with(empty).take(KEPT).collect();
        let parts = Box::new([0; NUMBERS]);
        Self {
            kept,
            oldest: 0,
            credit: PRICE,
            fields,
            shares: Shares::new(),
            parts,
            marks: Vec::with_capacity(NUMBERS),
        }
    }

    /// Forgets all, for a range has changed.
    pub(super) fn clear(&mut self) {
        for mould in &mut self.kept {
            mould.end = 0;
        }
        self.credit = PRICE;
    }

    /// Reads `line` into all of `fields` if it fits a mould, each number its range, and all of it the checksum `sum`, where
    /// there is one. If not, what is in `fields` says nothing.
    #[inline]
    pub(super) fn read(&mut self, line: &[u8], end: usize, sum: Option<u16>, fields: &mut [Raw]) -> Option<Heads> {
        self.credit = (self.credit + 1).min(PRICE);
        let mould = self.kept.iter().find(|mould| mould.end == end && mould.fits(line))?;
        // Numbers are read by whole words, and behind the last one there may be nothing but a brace.
        let (heads, is) = if line.len() < end + 8 {
            mould.read(&padded(line), &self.shares, &mut self.parts, fields)?
        } else {
            mould.read(line, &self.shares, &mut self.parts, fields)?
        };
        sum.is_none_or(|sum| sum == is).then_some(heads)
    }

    /// Learns the look of `line`, whose members [`Self::marks`] holds, unless one was learned just before. `most`: the
    /// converter's highest count.
    pub(super) fn learn(&mut self, line: &[u8], end: usize, most: f64) {
        if self.credit < PRICE {
            return;
        }
        self.credit = 0;
        // Judged ahead, so that a line with a fraction now and then drives out no mould that is of use.
        if !self.marks.iter().all(|mark| line.get(mark.value..mark.after).is_some_and(is_plain)) {
            return;
        }
        let Some(mould) = self.kept.get_mut(self.oldest) else { return };
        self.oldest = (self.oldest + 1) % KEPT;
        mould.end = 0;
        if let Some(text) = line.get(..end)
            && mould.learn(text, &self.marks, most, &mut self.shares).is_some()
        {
            mould.absent.clear();
            let carried = |slot: &u16| self.marks.iter().any(|mark| mark.target.slot == *slot);
            mould.absent.extend((0..).take(self.fields).filter(|slot| !carried(slot)));
            mould.end = end;
        }
    }
}

impl Look {
    /// The very same bytes.
    fn of(bytes: [u8; LOOK]) -> Self {
        Self { least: bytes, more: [0; LOOK] }
    }

    /// `wrong`, with something other than 0 in the place of each of `bytes` that does not look as it should.
    #[inline]
    fn strange(&self, bytes: &[u8; LOOK], mut wrong: [u8; LOOK]) -> [u8; LOOK] {
        let may_be = self.least.iter().zip(&self.more);
        for ((wrong, byte), (least, more)) in wrong.iter_mut().zip(bytes).zip(may_be) {
            *wrong |= byte.wrapping_sub(*least).saturating_sub(*more);
        }
        wrong
    }
}

impl Mould {
    #[inline]
    fn fits(&self, line: &[u8]) -> bool {
        let Some((last, looks)) = self.looks.split_last() else { return false };
        let tail = line.get(..self.end).and_then(|text| text.last_chunk());
        let Some(tail) = tail else { return false };
        let (whole, _) = line.as_chunks();
        let wrong = looks.iter().zip(whole).fold([0; LOOK], |wrong, (look, bytes)| look.strange(bytes, wrong));
        u128::from_le_bytes(last.strange(tail, wrong)) == 0
    }

    /// Clock and running number, and the checksum of all up to the end.
    #[inline]
    #[expect(clippy::cast_possible_truncation, reason = "the ranges hold all numbers that count")]
    fn read(&self, line: &[u8], shares: &Shares, parts: &mut Parts, fields: &mut [Raw]) -> Option<(Heads, u16)> {
        let reader = Reader { line, shares };
        let mut sum = 0;
        for place in &self.short {
            let (value, share) = reader.short(place);
            sum ^= share;
            store(Raw::Number(f64::from(value.cast_signed())), place.into, fields);
        }
        sum ^= self.read_parts(reader, parts);
        let mut wrong = self.limits.iter().any(|&(place, most)| part(parts, place) > most);
        let t = part(parts, self.clock?) as u32;
        for pulse in &self.pulses {
            let part = |place: u16| part(parts, pulse.first + place) as u32;
            let gaps = pulse.four.then(|| (part(2), part(3)));
            let edges = Edges { count: part(0), last: part(1), gaps };
            wrong |= !plausible(edges, t);
            store(Raw::Edges(edges), pulse.slot, fields);
        }
        for (place, slot) in &self.long {
            store(Raw::Number(part(parts, *place).cast_signed() as f64), *slot, fields);
        }
        for slot in &self.nulls {
            store(Raw::Null, *slot, fields);
        }
        for slot in &self.absent {
            store(Raw::Absent, *slot, fields);
        }
        let s = self.sequence.map(|place| part(parts, place) as u16);
        (!wrong).then_some((Heads { t, s }, self.sum ^ sum as u16))
    }

    /// Reads all parts, and gives what they add to the checksum.
    #[inline]
    fn read_parts(&self, reader: Reader<'_>, parts: &mut Parts) -> u32 {
        let mut sum = 0;
        for place in &self.short_parts {
            let (value, share) = reader.short(place);
            sum ^= share;
            parts[usize::from(place.into) % NUMBERS] = u64::from(value);
        }
        for place in &self.long_parts {
            let (value, share) = reader.long(place);
            sum ^= share;
            parts[usize::from(place.into) % NUMBERS] = value;
        }
        sum
    }

    /// `None` where a number is too long, there are too many, or no clock.
    fn learn(&mut self, text: &[u8], marks: &[Mark], most: f64, shares: &mut Shares) -> Option<()> {
        self.empty(text)?;
        let mut parts = 0;
        for mark in marks {
            let slot = mark.target.slot;
            let value = text.get(mark.value..mark.after)?;
            if value == NULL {
                self.nulls.push(slot);
                parts += 1;
                continue;
            }
            let first = parts;
            let mut at = mark.value;
            for _ in 0..=value.iter().filter(|&&byte| byte == b',').count() {
                let number = self.number(text, &mut at, parts, (mark.target.class, most), shares)?;
                let limited = self.limits.last().is_some_and(|&(into, _)| into == parts);
                match number.short().filter(|_| !limited) {
                    Some(short) if is_value(mark.target.class) => self.short.push(Short { into: slot, ..short }),
                    Some(short) => self.short_parts.push(short),
                    None => self.long_parts.push(number),
                }
                parts += 1;
            }
            match mark.target.class {
                Class::Clock => self.clock = Some(first),
                Class::Sequence => self.sequence = Some(first),
                Class::Pulse => self.pulses.push(Pulse { first, slot, four: parts - first == 4 }),
                _ if self.long_parts.last().is_some_and(|long| long.into == first) => self.long.push((first, slot)),
                _ => {}
            }
        }
        self.sum = self.sum_of_zeros(text, shares);
        (usize::from(parts) <= NUMBERS && self.clock.is_some()).then_some(())
    }

    /// Begins with the look of `text`, without any number.
    fn empty(&mut self, text: &[u8]) -> Option<()> {
        self.looks.clear();
        self.limits.clear();
        self.short.clear();
        self.short_parts.clear();
        self.long_parts.clear();
        self.long.clear();
        self.nulls.clear();
        self.pulses.clear();
        (self.clock, self.sequence) = (None, None);
        let (whole, _) = text.as_chunks();
        self.looks.extend(whole.iter().chain([text.last_chunk()?]).map(|bytes| Look::of(*bytes)));
        Some(())
    }

    /// The next number of `text` from `at` on, whose last eight digits are free from now on.
    fn number(
        &mut self,
        text: &[u8],
        at: &mut usize,
        into: u16,
        (class, most): (Class, f64),
        shares: &mut Shares,
    ) -> Option<Long> {
        let begin = *at + text.get(*at..)?.iter().position(u8::is_ascii_digit)?;
        let digits = text.get(begin..)?.iter().take_while(|byte| byte.is_ascii_digit()).count();
        *at = begin + digits;
        let free = digits.min(8);
        let from = *at - free;
        let ahead = text.get(begin..from)?.iter().fold(0, |number, digit| number * 10 + u64::from(digit - b'0'));
        let base = if digits - free <= 4 { ahead * 100_000_000 } else { return None };
        let (least, highest) = range(class, most);
        // One digit is held to its range by the look; of several, the first is no 0, and more than that is looked at later.
        let (first, up_to) = match digits {
            1 => (least, highest.min(9)),
            2..=8 => (1, 9),
            _ => (0, 9),
        };
        let highest_here = base + if digits == 1 { up_to } else { 10_u64.pow(u32::try_from(free).ok()?) - 1 };
        if highest < highest_here {
            self.limits.push((into, highest));
        }
        self.free(from, first, up_to, text.len())?;
        for digit in from + 1..*at {
            self.free(digit, 0, 9, text.len())?;
        }
        Some(Long {
            from: u16::try_from(from).ok()?,
            into,
            up: u16::try_from(64 - 8 * free).ok()?,
            row: shares.prepare(text.len() - *at, free)?,
            base,
        })
    }

    /// The checksum that `text` would have with all of its free digits 0: what they add is taken away.
    fn sum_of_zeros(&self, text: &[u8], shares: &Shares) -> u16 {
        let padded = padded(text);
        let reader = Reader { line: &padded, shares };
        let sum = self.read_parts(reader, &mut [0; NUMBERS]);
        let sum = self.short.iter().fold(sum, |sum, place| sum ^ reader.short(place).1);
        #[expect(clippy::cast_possible_truncation, reason = "it has sixteen bits")]
        let sum = sum as u16;
        checksum(text) ^ sum
    }

    /// The byte at that place may be any digit `first`…`last`.
    fn free(&mut self, at: usize, first: u64, last: u64, end: usize) -> Option<()> {
        let least = b'0' + u8::try_from(first).ok()?;
        let more = u8::try_from(last.checked_sub(first)?).ok()?;
        let (tail, looks) = self.looks.split_last_mut()?;
        // A byte near the end is seen twice: with its own sixteen, if there are so many, and with the last sixteen.
        let own = looks.get_mut(at / LOOK).map(|look| (look, at % LOOK));
        let in_tail = (at + LOOK).checked_sub(end).map(|byte| (tail, byte));
        for (look, byte) in own.into_iter().chain(in_tail) {
            (look.least[byte], look.more[byte]) = (least, more);
        }
        Some(())
    }
}

/// Reads numbers of a line.
#[derive(Clone, Copy)]
struct Reader<'a> {
    line: &'a [u8],
    shares: &'a Shares,
}

impl Reader<'_> {
    /// A number, and what its digits add to the checksum.
    #[inline]
    fn short(self, place: &Short) -> (u32, u32) {
        let digits = (four_bytes(self.line, usize::from(place.from)) ^ 0x3030_3030) << (place.up & 31);
        (four(digits), self.shares.of_four(digits, place.row))
    }

    /// The same of a long one.
    #[inline]
    fn long(self, place: &Long) -> (u64, u32) {
        let digits = (eight_bytes(self.line, usize::from(place.from)) ^ ZEROS) << (place.up & 63);
        (place.base + fold(digits), self.shares.of_eight(digits, place.row))
    }
}

impl Long {
    /// The same as a short one; `None` where it has more than four digits.
    fn short(&self) -> Option<Short> {
        Some(Short { from: self.from, up: self.up.checked_sub(32)?, into: self.into, row: self.row })
    }
}

/// The least and the most that a number of that class may be; `most`: the converter's highest count.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of the converter")]
fn range(class: Class, most: f64) -> (u64, u64) {
    match class {
        Class::Clock | Class::Pulse => (0, u64::from(u32::MAX)),
        Class::Sequence => (0, u64::from(u16::MAX)),
        Class::Reference => (1, most as u64),
        Class::Analog => (0, most as u64),
        Class::Level => (0, 1),
        Class::Number | Class::Unknown => (0, u64::MAX),
    }
}

/// Whether a number of that class is a value by itself.
fn is_value(class: Class) -> bool {
    !matches!(class, Class::Clock | Class::Sequence | Class::Pulse)
}

#[inline]
fn part(parts: &Parts, place: u16) -> u64 {
    parts[usize::from(place) % NUMBERS]
}

/// Four digits, the first one lowest, as a number.
#[inline]
fn four(digits: u32) -> u32 {
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    (pairs & 0xFF) * 100 + (pairs >> 16 & 0xFF)
}

/// `line` with zeros behind it.
#[inline(never)]
fn padded(line: &[u8]) -> [u8; LINE_MAX + 8] {
    let mut padded = [0; LINE_MAX + 8];
    for (to, from) in padded.iter_mut().zip(line) {
        *to = *from;
    }
    padded
}

/// Eight bytes of `line` from `at` on, the first one lowest.
#[inline]
fn eight_bytes(line: &[u8], at: usize) -> u64 {
    // The line has as many bytes behind its last number; otherwise it would not be taken, as its checksum would be wrong.
    line.get(at..at + 8).and_then(|bytes| bytes.first_chunk()).map_or(0, |bytes| u64::from_le_bytes(*bytes))
}

/// Four bytes likewise.
#[inline]
fn four_bytes(line: &[u8], at: usize) -> u32 {
    line.get(at..at + 4).and_then(|bytes| bytes.first_chunk()).map_or(0, |bytes| u32::from_le_bytes(*bytes))
}

#[inline]
fn store(raw: Raw, slot: u16, fields: &mut [Raw]) {
    if let Some(field) = fields.get_mut(usize::from(slot)) {
        *field = raw;
    }
}

/// Whether `value` can stand in a mould: null, or whole numbers with what parts them.
fn is_plain(value: &[u8]) -> bool {
    value == NULL || value.iter().all(|byte| matches!(byte, b'0'..=b'9' | b'[' | b']' | b','))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::fields::Target;

    fn target(class: Class, slot: u16) -> Target {
        Target { class, slot }
    }

    #[test]
    fn a_null_stays_one_and_a_fraction_drives_out_no_mould() {
        let (mut moulds, line, end) = learned();
        let odd = br#"{"t":200,"a0":51.25,"crc":"0000"}"#;
        for oldest in [1, 1] {
            moulds.credit = PRICE;
            moulds.marks[1] = Mark { target: target(Class::Analog, 0), value: 14, after: 19 };
            moulds.marks.truncate(2);
            moulds.learn(odd, 19, 1023.0);
            assert_eq!((moulds.oldest, moulds.credit), (oldest, 0));
        }
        assert!(moulds.read(&line, end, None, &mut [Raw::Absent; 2]).is_some());
        let null = br#"{"t":200,"a0":null,"crc":"0000"}"#;
        moulds.credit = PRICE;
        moulds.marks[1].after = 18;
        moulds.learn(null, 18, 1023.0);
        let mut fields = [Raw::Absent; 2];
        assert!(moulds.read(null, 18, None, &mut fields).is_some());
        assert_eq!(fields, [Raw::Null, Raw::Absent]);
    }

    /// The members of `{"t":200,"a0":512,"p2":[17,150,99,101]` and a mould of it, with 14 bytes behind its end.
    fn learned() -> (Moulds, Vec<u8>, usize) {
        let text = br#"{"t":200,"a0":512,"p2":[17,150,99,101]"#;
        let line = [&text[..], br#","crc":"0000"}"#].concat();
        let mut moulds = Moulds::new(2);
        moulds.marks.extend([
            Mark { target: target(Class::Clock, Target::NOWHERE), value: 5, after: 8 },
            Mark { target: target(Class::Analog, 0), value: 14, after: 17 },
            Mark { target: target(Class::Pulse, 1), value: 23, after: text.len() },
        ]);
        moulds.learn(&line, text.len(), 1023.0);
        (moulds, line, text.len())
    }

    #[test]
    fn a_line_of_the_same_look_is_read() {
        let (mut moulds, mut line, end) = learned();
        line[5..8].copy_from_slice(b"250");
        line[14..17].copy_from_slice(b"100");
        let mut fields = [Raw::Absent; 2];
        assert_eq!(moulds.read(&line, end, None, &mut fields), Some(Heads { t: 250, s: None }));
        let edges = Edges { count: 17, last: 150, gaps: Some((99, 101)) };
        assert_eq!(fields, [Raw::Number(100.0), Raw::Edges(edges)]);
        assert_eq!(moulds.read(&line, end - 1, None, &mut fields), None);
        moulds.clear();
        assert_eq!(moulds.read(&line, end, None, &mut fields), None);
    }

    #[test]
    fn one_other_byte_anywhere_fits_only_where_a_digit_stays_a_digit() {
        let (moulds, line, end) = learned();
        let digits = [5..8, 14..17, 24..26, 27..30, 31..33, 34..37];
        for place in 0..end {
            for byte in 0..=u8::MAX {
                let mut other = line.clone();
                other[place] = byte;
                let leads = digits.iter().any(|range| range.start == place);
                let digit = byte.is_ascii_digit() && !(leads && byte == b'0');
                let both = digit && digits.iter().any(|range| range.contains(&place));
                assert_eq!(moulds.kept[0].fits(&other), byte == line[place] || both, "{place} {byte}");
            }
        }
    }

    #[test]
    fn the_checksum_follows_from_the_digits_of_numbers_of_any_length() {
        for digits in 1..=12_usize {
            for other in [1_u64, 7, 123_456_789] {
                let text = |number: u64| format!("{{\"t\":5,\"oil\":{number},\"a0\":12");
                // What stands ahead of the last eight digits belongs to the look.
                let ahead = if digits > 8 { 1_203 % 10_u64.pow(u32::try_from(digits).unwrap() - 8) } else { 0 };
                let (ahead, first) = (ahead * 100_000_000, 10_u64.pow(u32::try_from(digits.min(8)).unwrap() - 1));
                let (line, after) = (text(ahead + first), text(ahead + 8 * first + other * 31 % first));
                let mut moulds = Moulds::new(2);
                moulds.marks.extend([
                    Mark { target: target(Class::Clock, Target::NOWHERE), value: 5, after: 6 },
                    Mark { target: target(Class::Number, 0), value: 13, after: 13 + digits },
                    Mark { target: target(Class::Analog, 1), value: line.len() - 2, after: line.len() },
                ]);
                moulds.learn(line.as_bytes(), line.len(), 1023.0);
                let sum = checksum(after.as_bytes());
                let mut read = |sum| moulds.read(after.as_bytes(), after.len(), Some(sum), &mut [Raw::Absent; 2]);
                assert_eq!(read(sum), Some(Heads { t: 5, s: None }), "{after}");
                for bit in 0..16 {
                    assert_eq!(read(sum ^ 1 << bit), None);
                }
            }
        }
    }

    #[test]
    fn what_stands_ahead_of_eight_digits_belongs_to_the_look_and_the_rest_is_held_to_the_range() {
        let text = |t: u64| format!("{{\"t\":{t},\"a0\":1012");
        let read = |learned: u64, then: u64| {
            let (line, then) = (text(learned), text(then));
            let mut moulds = Moulds::new(1);
            moulds.marks.extend([
                Mark { target: target(Class::Clock, Target::NOWHERE), value: 5, after: line.len() - 10 },
                Mark { target: target(Class::Analog, 0), value: line.len() - 4, after: line.len() },
            ]);
            moulds.learn(line.as_bytes(), line.len(), 1023.0);
            let mut fields = [Raw::Absent];
            let heads = moulds.read(then.as_bytes(), then.len(), None, &mut fields)?;
            Some((heads.t, fields[0])).filter(|_| heads.s.is_none())
        };
        let raw = Raw::Number(1012.0);
        assert_eq!(read(2_084_013_200, 2_000_000_000), Some((2_000_000_000, raw)));
        assert_eq!(read(2_084_013_200, 2_100_000_000), None);
        assert_eq!(read(4_200_000_000, 4_294_967_295), Some((u32::MAX, raw)));
        assert_eq!(read(4_200_000_000, 4_294_967_296), None);
        assert_eq!(read(99_999_999, 10_000_000), Some((10_000_000, raw)));
        assert_eq!(read(99_999_999, 9_999_999), None);
    }

    #[test]
    fn what_fits_must_also_be_in_its_range_and_without_leading_zeros() {
        let (mut moulds, line, end) = learned();
        for (from, text) in [(5, "099"), (14, "099"), (27, "201"), (27, "015"), (31, "99,098")] {
            let mut other = line.clone();
            other[from..from + text.len()].copy_from_slice(text.as_bytes());
            assert_eq!(moulds.read(&other, end, None, &mut [Raw::Absent; 2]), None, "{text}");
        }
        moulds.clear();
        moulds.learn(&line, end, 600.0);
        let mut other = line.clone();
        other[14..17].copy_from_slice(b"601");
        assert_eq!(moulds.read(&other, end, None, &mut [Raw::Absent; 2]), None);
        other[14..17].copy_from_slice(b"600");
        assert!(moulds.read(&other, end, None, &mut [Raw::Absent; 2]).is_some());
    }
}
