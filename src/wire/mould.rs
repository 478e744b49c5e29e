//! Whole lines that look like earlier ones: fixed bytes and digits in the same places.
//!
//! Owns a few moulds, each learned from a line that [`super::scan`] took. In: a line. Out: its fields, without looking at
//! any name or searching for any end of a number; or `None` where no mould fits. A controller's values rarely change
//! their count of digits, so most lines fit, and cost a third. What fits is by construction what the scanner would have
//! read; a property test holds all ways against each other.

use super::fields::{Class, Target};
use super::number::{POWERS, ZEROS, fold, word};
use super::scan::{Heads, plausible, put};
use super::{Edges, LINE_MAX, Raw};

/// How many looks are kept: enough for three values that swing about a power of ten at once.
const KEPT: usize = 8;
/// The most numbers of a line that has a mould.
const NUMBERS: usize = 96;
/// Learning one costs about as much as reading so many lines the longer way, so it is done no oftener.
const PRICE: u32 = 16;

/// A member of a line that was taken: what it is, where its value begins, and where that ends.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mark {
    pub target: Target,
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
    numbers: Vec<Place>,
}

/// Where a number is, and what becomes of it.
#[derive(Clone, Copy, Debug)]
struct Place {
    /// Its first digit.
    from: u16,
    /// How far its first eight digits, or all if there are fewer, move up in their word.
    up: u8,
    /// How many digits follow after eight.
    more: u8,
    use_of: Use,
    slot: u16,
    /// The least it may be: by its range, and because it has no leading zero.
    low: u64,
    /// How much more it may be.
    span: u64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Use {
    Clock,
    Sequence,
    Value,
    /// No number but the word for none.
    Null,
    /// The first of two parts of a pulse pin.
    TwoParts,
    /// The first of four.
    FourParts,
    /// Another part; never looked at alone.
    Part,
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
            numbers: Vec::with_capacity(NUMBERS),
        };
        let kept = std::iter::repeat_with(empty).take(KEPT).collect();
        Self { kept, oldest: 0, credit: PRICE, marks: Vec::with_capacity(NUMBERS) }
    }

    /// Forgets all, for a range has changed.
    pub(super) fn clear(&mut self) {
        for mould in &mut self.kept {
            mould.end = 0;
        }
        self.credit = PRICE;
    }

    /// Reads `line` into `fields`, all of which must be absent, if it fits a mould and every number its range.
    #[inline]
    pub(super) fn read(&mut self, line: &[u8], end: usize, fields: &mut [Raw]) -> Option<Heads> {
        self.credit = (self.credit + 1).min(PRICE);
        if end < 8 {
            return None;
        }
        let mould = self.kept.iter().find(|mould| mould.end == end && mould.fits(line))?;
        mould.read(line, fields)
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
        if mould.learn(line, end, &self.marks, most).is_some() {
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
        (wrong | strange(word(line, self.end - 8), *last_is, *last_lift)) & TOPS == 0
    }

    #[inline]
    fn read(&self, line: &[u8], fields: &mut [Raw]) -> Option<Heads> {
        let (mut t, mut s) = (None, None);
        let mut places = self.numbers.iter();
        while let Some(place) = places.next() {
            let value = place.read(line)?;
            let target = Target { class: Class::Number, slot: place.slot };
            match place.use_of {
                Use::Value => put(Raw::Number(value.cast_signed() as f64), target, fields),
                Use::Null => put(Raw::Null, target, fields),
                Use::Clock => t = u32::try_from(value).ok(),
                Use::Sequence => s = u16::try_from(value).ok(),
                kind => {
                    let mut part = || u32::try_from(places.next()?.read(line)?).ok();
                    let (count, last) = (u32::try_from(value).ok()?, part()?);
                    let gaps = if kind == Use::FourParts { Some((part()?, part()?)) } else { None };
                    let edges = Edges { count, last, gaps };
                    if !plausible(edges, t?) {
                        return None;
                    }
                    put(Raw::Edges(edges), target, fields);
                }
            }
        }
        Some(Heads { t: t?, s })
    }

    /// `None` where a number is too long, or there are too many.
    fn learn(&mut self, line: &[u8], end: usize, marks: &[Mark], most: f64) -> Option<()> {
        let text = line.get(..end).filter(|text| text.len() >= 8)?;
        self.is.clear();
        self.lift.clear();
        self.numbers.clear();
        let (words, _) = text.as_chunks::<8>();
        for word in words.iter().chain(text.last_chunk::<8>()) {
            self.is.push(u64::from_le_bytes(*word));
            self.lift.push(0x7F7F_7F7F_7F7F_7F7F);
        }
        for mark in marks {
            let value = text.get(mark.value..mark.after)?;
            if value == NULL {
                let place = Place::new(mark.value, 1, 0, 1, mark.target, most)?;
                self.numbers.push(Place { use_of: Use::Null, low: 0, span: u64::MAX, ..place });
                continue;
            }
            let parts = value.split(|byte| !byte.is_ascii_digit()).filter(|part| !part.is_empty()).count();
            let mut at = mark.value;
            for part in 0..parts {
                let from = at + text.get(at..)?.iter().position(u8::is_ascii_digit)?;
                let digits = text.get(from..)?.iter().take_while(|byte| byte.is_ascii_digit()).count();
                at = from + digits;
                self.free(from, at, end);
                self.numbers.push(Place::new(from, digits, part, parts, mark.target, most)?);
            }
        }
        (self.numbers.len() <= NUMBERS).then_some(())
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

impl Place {
    /// The number of `digits` digits at `from`, which is the part `part` of `parts` of a member.
    fn new(from: usize, digits: usize, part: usize, parts: usize, target: Target, most: f64) -> Option<Self> {
        let first = digits.min(8);
        let shortest = if digits == 1 { 0 } else { 10_u64.checked_pow(u32::try_from(digits).ok()? - 1)? };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of the converter")]
        let most = most as u64;
        let (use_of, least, highest) = match (target.class, part, parts) {
            (Class::Clock, ..) => (Use::Clock, 0, u64::from(u32::MAX)),
            (Class::Sequence, ..) => (Use::Sequence, 0, u64::from(u16::MAX)),
            (Class::Pulse, 0, 2) => (Use::TwoParts, 0, u64::from(u32::MAX)),
            (Class::Pulse, 0, _) => (Use::FourParts, 0, u64::from(u32::MAX)),
            (Class::Pulse, ..) => (Use::Part, 0, u64::from(u32::MAX)),
            (Class::Reference, ..) => (Use::Value, 1, most),
            (Class::Analog, ..) => (Use::Value, 0, most),
            (Class::Level, ..) => (Use::Value, 0, 1),
            (Class::Number | Class::Unknown, ..) => (Use::Value, 0, u64::MAX),
        };
        let low = shortest.max(least);
        Some(Self {
            from: u16::try_from(from).ok()?,
            up: u8::try_from(64 - 8 * first).ok()?,
            more: u8::try_from(digits - first).ok().filter(|&more| more < 8)?,
            use_of,
            slot: target.slot,
            low,
            span: highest.checked_sub(low)?,
        })
    }

    #[inline]
    fn read(&self, line: &[u8]) -> Option<u64> {
        let from = usize::from(self.from);
        let mut value = fold((word(line, from) ^ ZEROS) << (self.up & 63));
        if self.more != 0 {
            let more = usize::from(self.more & 7);
            let rest = ((word(line, from + 8) ^ ZEROS) << (56 - 8 * more)) << 8;
            value = value * POWERS[more] + fold(rest);
        }
        (value.wrapping_sub(self.low) <= self.span).then_some(value)
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
        assert!(moulds.read(&line, end, &mut [Raw::Absent; 2]).is_some());
        let null = br#"{"t":200,"a0":null,"crc":"0000"}"#;
        moulds.credit = PRICE;
        moulds.marks[1].after = 18;
        moulds.learn(null, 18, 1023.0);
        let mut fields = [Raw::Absent; 2];
        assert!(moulds.read(null, 18, &mut fields).is_some());
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
        assert_eq!(moulds.read(&line, end, &mut fields), Some(Heads { t: 250, s: None }));
        let edges = Edges { count: 17, last: 150, gaps: Some((99, 101)) };
        assert_eq!(fields, [Raw::Number(100.0), Raw::Edges(edges)]);
        assert_eq!(moulds.read(&line, end - 1, &mut fields), None);
        moulds.clear();
        assert_eq!(moulds.read(&line, end, &mut fields), None);
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
    fn what_fits_must_also_be_in_its_range_and_without_leading_zeros() {
        let (mut moulds, line, end) = learned();
        for (from, text) in [(5, "099"), (14, "099"), (27, "201"), (27, "015"), (31, "99,098")] {
            let mut other = line.clone();
            other[from..from + text.len()].copy_from_slice(text.as_bytes());
            assert_eq!(moulds.read(&other, end, &mut [Raw::Absent; 2]), None, "{text}");
        }
        moulds.clear();
        moulds.learn(&line, end, 600.0);
        let mut other = line.clone();
        other[14..17].copy_from_slice(b"601");
        assert_eq!(moulds.read(&other, end, &mut [Raw::Absent; 2]), None);
        other[14..17].copy_from_slice(b"600");
        assert!(moulds.read(&other, end, &mut [Raw::Absent; 2]).is_some());
    }
}
