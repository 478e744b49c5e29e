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
    /// Words of eight bytes from the beginning, and last the eight bytes before the end: fixed bytes themselves,
    /// digits as `0`.
    is: Vec<u64>,
    /// Lifts the top bit of a byte that is wrong: of any difference, or of a digit over 9.
    lift: Vec<u64>,
    /// The checksum while all digits are `0`.
    sum: u16,
    /// Values of at most four digits, as counts are: into the fields.
    short: Vec<Short>,
    /// Other numbers of at most four digits: into the parts.
    short_parts: Vec<Short>,
    /// All longer ones: into the parts.
    long_parts: Vec<Long>,
    /// Which part the clock is.
    clock: Option<u16>,
    /// Which part the running number is.
    sequence: Option<u16>,
    pulses: Vec<Pulse>,
    /// Values of more digits: which part, and their field.
    long: Vec<(u16, u16)>,
    /// The fields that say none.
    nulls: Vec<u16>,
}

/// Numbers on their way into fields.
type Parts = [u64; NUMBERS];

/// A number of more than four digits: where it is, and what it may be.
#[derive(Clone, Copy, Debug)]
struct Long {
    /// Its first digit.
    from: u16,
    /// Which part it is.
    into: u16,
    /// How far its last eight digits, or all if there are fewer, move up in their word.
    up: u8,
    /// How many digits stand ahead of eight, up to four.
    ahead: u8,
    /// Of its last digits.
    row: Row,
    /// The least it may be: by its range, and because it has no leading zero.
    low: u64,
    /// How much more it may be.
    span: u64,
}

/// The same of at most four digits.
#[derive(Clone, Copy, Debug)]
struct Short {
    from: u16,
    up: u16,
    into: u16,
    row: Row,
    low: u32,
    span: u32,
}

/// A pulse pin: the first of its two or four parts.
#[derive(Clone, Copy, Debug)]
struct Pulse {
    first: u16,
    slot: u16,
    four: bool,
}

const NULL: &[u8] = b"null";

/// The top bit of each byte.
const TOPS: u64 = 0x8080_8080_8080_8080;

impl Moulds {
    pub(super) fn new() -> Self {
        let empty = || Mould {
            end: 0,
            is: Vec::with_capacity(LINE_MAX / 8 + 1),
            lift: Vec::with_capacity(LINE_MAX / 8 + 1),
            sum: 0,
            clock: None,
            sequence: None,
            short: Vec::with_capacity(NUMBERS),
            short_parts: Vec::with_capacity(NUMBERS),
            long_parts: Vec::with_capacity(NUMBERS),
            long: Vec::with_capacity(NUMBERS),
            nulls: Vec::with_capacity(NUMBERS),
            pulses: Vec::with_capacity(NUMBERS),
        };
        let kept = std::iter::repeat_with(empty).take(KEPT).collect();
        let parts = Box::new([0; NUMBERS]);
        Self { kept, oldest: 0, credit: PRICE, shares: Shares::new(), parts, marks: Vec::with_capacity(NUMBERS) }
    }

    /// Forgets all, for a range has changed.
    pub(super) fn clear(&mut self) {
        for mould in &mut self.kept {
            mould.end = 0;
        }
        self.credit = PRICE;
    }

    /// Reads `line` into `fields`, all of which must be absent, if it fits a mould, each number its range, and all of it
    /// the checksum `sum`, where there is one.
    #[inline]
    pub(super) fn read(&mut self, line: &[u8], end: usize, sum: Option<u16>, fields: &mut [Raw]) -> Option<Heads> {
        self.credit = (self.credit + 1).min(PRICE);
        if end < 8 {
            return None;
        }
        let mould = self.kept.iter().find(|mould| mould.end == end && mould.fits(line))?;
        // Numbers are read by whole words, and behind the last one there may be nothing but a brace.
        let (heads, is) = if line.len() < end + 8 {
            mould.read(&padded(line), &self.shares, &mut self.parts, fields)?
        } else {
            mould.read(line, &self.shares, &mut self.parts, fields)?
        };
        sum.is_none_or(|sum| sum == is).then_some(heads)
    }

    /// Learns the look of `line`, whose members [`Self::marks`] holds, unless one was learned just before.
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
            mould.end = end;
        }
    }
}

impl Mould {
    #[inline]
    fn fits(&self, line: &[u8]) -> bool {
        let (words, _) = line.as_chunks::<8>();
        let Some((last_is, is)) = self.is.split_last() else { return false };
        let Some((last_lift, lift)) = self.lift.split_last() else { return false };
        let looks = is.iter().zip(lift).zip(words);
        let wrong = looks.fold(0, |wrong, ((is, lift), word)| wrong | strange(u64::from_le_bytes(*word), *is, *lift));
        (wrong | strange(eight_bytes(line, self.end - 8), *last_is, *last_lift)) & TOPS == 0
    }

    /// Clock and running number, and the checksum of all up to the end.
    #[inline]
    #[expect(clippy::cast_possible_truncation, reason = "the ranges hold all numbers that count")]
    fn read(&self, line: &[u8], shares: &Shares, parts: &mut Parts, fields: &mut [Raw]) -> Option<(Heads, u16)> {
        let reader = Reader { line, shares };
        let mut sum = 0;
        let mut wrong = false;
        for place in &self.short {
            let number = reader.short(place);
            (sum, wrong) = (sum ^ number.share, wrong | number.wrong);
            store(Raw::Number(f64::from((number.value as u32).cast_signed())), place.into, fields);
        }
        let (share, more_wrong) = self.read_parts(reader, parts);
        (sum, wrong) = (sum ^ share, wrong | more_wrong);
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
        let s = self.sequence.map(|place| part(parts, place) as u16);
        (!wrong).then_some((Heads { t, s }, self.sum ^ sum as u16))
    }

    /// Reads all parts, and gives what they add to the checksum, and whether one is out of its range.
    #[inline]
    fn read_parts(&self, reader: Reader<'_>, parts: &mut Parts) -> (u32, bool) {
        let mut sum = 0;
        let mut wrong = false;
        for place in &self.short_parts {
            let number = reader.short(place);
            (sum, wrong) = (sum ^ number.share, wrong | number.wrong);
            parts[usize::from(place.into) % NUMBERS] = number.value;
        }
        for place in &self.long_parts {
            let number = reader.long(place);
            (sum, wrong) = (sum ^ number.share, wrong | number.wrong);
            parts[usize::from(place.into) % NUMBERS] = number.value;
        }
        (sum, wrong)
    }

    /// `None` where a number is too long, there are too many, or no clock.
    fn learn(&mut self, text: &[u8], marks: &[Mark], most: f64, shares: &mut Shares) -> Option<()> {
        if text.len() < 8 {
            return None;
        }
        self.empty(text);
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
                let number = self.number(text, &mut at, parts, mark.target.class, most, shares)?;
                match number.short() {
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
    fn empty(&mut self, text: &[u8]) {
        self.is.clear();
        self.lift.clear();
        self.short.clear();
        self.short_parts.clear();
        self.long_parts.clear();
        self.long.clear();
        self.nulls.clear();
        self.pulses.clear();
        (self.clock, self.sequence) = (None, None);
        let (words, _) = text.as_chunks::<8>();
        for word in words.iter().chain(text.last_chunk::<8>()) {
            self.is.push(u64::from_le_bytes(*word));
            self.lift.push(0x7F7F_7F7F_7F7F_7F7F);
        }
    }

    /// The next number of `text` from `at` on, whose digits are free from now on.
    fn number(
        &mut self,
        text: &[u8],
        at: &mut usize,
        into: u16,
        class: Class,
        most: f64,
        shares: &mut Shares,
    ) -> Option<Long> {
        let from = *at + text.get(*at..)?.iter().position(u8::is_ascii_digit)?;
        let digits = text.get(from..)?.iter().take_while(|byte| byte.is_ascii_digit()).count();
        *at = from + digits;
        self.free(from, *at, text.len());
        Long::new(from, digits, shares.prepare(text.len() - *at, digits)?, into, class, most)
    }

    /// The checksum that `text` would have with all of its digits 0: what they add is taken away.
    fn sum_of_zeros(&self, text: &[u8], shares: &Shares) -> u16 {
        let padded = padded(text);
        let reader = Reader { line: &padded, shares };
        let (sum, _) = self.read_parts(reader, &mut [0; NUMBERS]);
        let sum = self.short.iter().fold(sum, |sum, place| sum ^ reader.short(place).share);
        #[expect(clippy::cast_possible_truncation, reason = "it has sixteen bits")]
        let sum = sum as u16;
        checksum(text) ^ sum
    }

    /// The bytes `from`…`to` may be any digit.
    fn free(&mut self, from: usize, to: usize, end: usize) {
        let last = self.is.len() - 1;
        for at in from..to {
            // A byte near the end is seen twice: in its own word, if that is whole, and in the last eight bytes.
            let own = (at / 8 < last).then_some((at / 8, at % 8));
            let in_last = (at + 8 >= end).then(|| (last, at + 8 - end));
            for (word, byte) in own.into_iter().chain(in_last) {
                self.is[word] = self.is[word] & !(0xFF << (8 * byte)) | u64::from(b'0') << (8 * byte);
                self.lift[word] = self.lift[word] & !(0xFF << (8 * byte)) | 0x76 << (8 * byte);
            }
        }
    }
}

/// Reads numbers of a line.
#[derive(Clone, Copy)]
struct Reader<'a> {
    line: &'a [u8],
    shares: &'a Shares,
}

/// A number that was read. Ranges are looked at only once all are, without a branch for each.
struct Number {
    value: u64,
    /// What it adds to the checksum.
    share: u32,
    /// It is out of its range.
    wrong: bool,
}

impl Reader<'_> {
    #[inline]
    fn short(self, place: &Short) -> Number {
        let digits = (four_bytes(self.line, usize::from(place.from)) ^ 0x3030_3030) << (place.up & 31);
        let value = four(digits);
        Number {
            value: u64::from(value),
            share: self.shares.of_four(digits, place.row),
            wrong: value.wrapping_sub(place.low) > place.span,
        }
    }

    #[inline]
    fn long(self, place: &Long) -> Number {
        let (from, ahead) = (usize::from(place.from), usize::from(place.ahead));
        let digits = (eight_bytes(self.line, from + ahead) ^ ZEROS) << (place.up & 63);
        let mut value = fold(digits);
        let mut share = self.shares.of_eight(digits, place.row);
        if ahead != 0 {
            let digits = (four_bytes(self.line, from) ^ 0x3030_3030) << ((32 - 8 * ahead) & 31);
            value += u64::from(four(digits)) * 100_000_000;
            share ^= self.shares.of_four(digits, place.row.ahead(4));
        }
        Number { value, share, wrong: value.wrapping_sub(place.low) > place.span }
    }
}

impl Long {
    /// The number of `digits` digits at `from`, the last two of which add to the checksum as `row` says.
    fn new(from: usize, digits: usize, row: Row, into: u16, class: Class, most: f64) -> Option<Self> {
        let last = digits.min(8);
        let shortest = if digits == 1 { 0 } else { 10_u64.checked_pow(u32::try_from(digits).ok()? - 1)? };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of the converter")]
        let most = most as u64;
        let (least, highest) = match class {
            Class::Clock | Class::Pulse => (0, u64::from(u32::MAX)),
            Class::Sequence => (0, u64::from(u16::MAX)),
            Class::Reference => (1, most),
            Class::Analog => (0, most),
            Class::Level => (0, 1),
            Class::Number | Class::Unknown => (0, u64::MAX),
        };
        let low = shortest.max(least);
        Some(Self {
            from: u16::try_from(from).ok()?,
            into,
            row,
            up: u8::try_from(64 - 8 * last).ok()?,
            ahead: u8::try_from(digits - last).ok().filter(|&ahead| ahead <= 4)?,
            low,
            span: highest.checked_sub(low)?,
        })
    }

    /// The same as a short one; `None` where it has more than four digits.
    fn short(&self) -> Option<Short> {
        let up = u16::from(self.up).checked_sub(32)?;
        let low = u32::try_from(self.low).ok()?;
        let span = u32::try_from(self.span).unwrap_or(u32::MAX - low);
        Some(Short { from: self.from, up, into: self.into, row: self.row, low, span })
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

/// Lifts the top bit of each byte of `word` that does not look as it should.
#[inline]
fn strange(word: u64, is: u64, lift: u64) -> u64 {
    let differs = word ^ is;
    differs.wrapping_add(lift) | differs
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
        let mut moulds = Moulds::new();
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
                let both = byte.is_ascii_digit() && digits.iter().any(|range| range.contains(&place));
                assert_eq!(moulds.kept[0].fits(&other), byte == line[place] || both, "{place} {byte}");
            }
        }
    }

    #[test]
    fn the_checksum_follows_from_the_digits_of_numbers_of_any_length() {
        for digits in 1..=12_usize {
            for other in [1_u64, 7, 123_456_789] {
                let text = |number: u64| format!("{{\"t\":5,\"oil\":{number},\"a0\":12");
                let number = |first: u64| 10_u64.pow(u32::try_from(digits).unwrap() - 1) * first;
                let (line, after) = (text(number(1)), text(number(8) + other * 31 % number(1)));
                let mut moulds = Moulds::new();
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
