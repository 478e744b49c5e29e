//! How a member of a line looked the last time: which bytes were fixed and which were digits.
//!
//! Owns the comparison of a member with that look, eight bytes at a step, and the reading of its numbers where it fits.
//! In: bytes of a line. Out: whole numbers. A controller's values rarely change their count of digits, so nearly every
//! member fits, and then neither the name nor a single digit is looked at one by one. Judges no value.

use super::number::{POWERS, ZEROS, fold};

/// How many bytes must be there to look at, whatever stands in them.
pub(super) const WINDOW: usize = 80;

/// The longest member that has a look, in words of eight bytes.
const WORDS: usize = 6;

/// The look of one member from its quotation mark to the comma behind it.
#[derive(Clone, Debug)]
pub(super) struct Shape {
    /// Length with the comma; 0 where there is no look yet.
    len: u8,
    words: u8,
    count: u8,
    looks: [Look; WORDS],
    numbers: [Place; 4],
}

/// How eight bytes look.
#[derive(Clone, Copy, Debug)]
struct Look {
    /// What they are: fixed ones themselves, digits as `0`.
    is: u64,
    /// Which of them count.
    care: u64,
    /// Lifts the top bit of a byte that is wrong: of any difference, or of a digit over 9.
    lift: u64,
}

/// Where a number is.
#[derive(Clone, Copy, Debug, Default)]
struct Place {
    /// Its first digit.
    from: u8,
    /// How far its first eight digits, or all if there are fewer, move up in their word.
    up: u8,
    /// How many digits follow after eight.
    more: u8,
    /// The least that so many digits write without a leading zero.
    least: u64,
}

/// The top bit of each byte.
const TOPS: u64 = 0x8080_8080_8080_8080;

impl Shape {
    /// No look: it fits no line, for no line has eight bytes of 255.
    pub(super) const NONE: Self = Self {
        len: 0,
        words: 1,
        count: 0,
        looks: [Look { is: u64::MAX, care: u64::MAX, lift: 0x7F7F_7F7F_7F7F_7F7F }; WORDS],
        numbers: [Place { from: 0, up: 0, more: 0, least: 0 }; 4],
    };

    /// The look of `member`, whose value begins at `value` and which ends with a comma. `None` where it has other than
    /// whole numbers in it, too many of them, or is too long.
    pub(super) fn of(member: &[u8], value: usize) -> Option<Self> {
        let plain = |byte: &u8| matches!(byte, b'0'..=b'9' | b'[' | b']' | b',');
        if member.len() > WORDS * 8 || !member.ends_with(b",") || !member.get(value..)?.iter().all(plain) {
            return None;
        }
        let mut shape = Self { looks: [Look { is: 0, care: 0, lift: 0 }; WORDS], ..Self::NONE };
        shape.len = u8::try_from(member.len()).ok()?;
        shape.words = shape.len.div_ceil(8);
        let mut digits = 0_usize;
        for (place, &byte) in member.iter().enumerate() {
            let is_digit = place >= value && byte.is_ascii_digit();
            let (look, shift) = (&mut shape.looks[place / 8], place % 8 * 8);
            look.is |= u64::from(if is_digit { b'0' } else { byte }) << shift;
            look.care |= 0xFF << shift;
            look.lift |= (if is_digit { 0x76 } else { 0x7F }) << shift;
            if is_digit {
                digits += 1;
            } else if digits > 0 {
                shape.end_number(place, digits)?;
                digits = 0;
            }
        }
        (shape.count > 0).then_some(shape)
    }

    fn end_number(&mut self, end: usize, digits: usize) -> Option<()> {
        let first = digits.min(8);
        let place = self.numbers.get_mut(usize::from(self.count))?;
        let least = if digits == 1 { 0 } else { 10_u64.checked_pow(u32::try_from(digits - 1).ok()?)? };
        *place = Place {
            from: u8::try_from(end - digits).ok()?,
            up: u8::try_from(64 - 8 * first).ok()?,
            more: u8::try_from(digits - first).ok().filter(|&more| more < 8)?,
            least,
        };
        self.count += 1;
        Some(())
    }

    /// The length of the member with its comma.
    #[inline]
    pub(super) fn len(&self) -> usize {
        usize::from(self.len)
    }

    /// How many numbers its value has.
    #[inline]
    pub(super) fn count(&self) -> u8 {
        self.count
    }

    /// Whether the bytes of `window` look so.
    #[inline]
    pub(super) fn fits(&self, window: &[u8; WINDOW]) -> bool {
        let (words, _) = window.as_chunks::<8>();
        let mut wrong = 0;
        for (look, word) in self.looks[..usize::from(self.words).min(WORDS)].iter().zip(words) {
            let differs = (u64::from_le_bytes(*word) ^ look.is) & look.care;
            wrong |= differs.wrapping_add(look.lift) | differs;
        }
        wrong & TOPS == 0
    }

    /// The number `which` of a member that fits. `None` where it begins with a zero that does not belong there.
    #[inline]
    pub(super) fn number(&self, which: usize, window: &[u8; WINDOW]) -> Option<u64> {
        let place = &self.numbers[which & 3];
        let from = usize::from(place.from & 63);
        let value = fold((word(window, from) ^ ZEROS) << (place.up & 63));
        if place.more == 0 {
            return (value >= place.least).then_some(value);
        }
        let more = usize::from(place.more & 7);
        let rest = ((word(window, (from + 8) & 63) ^ ZEROS) << (56 - 8 * more)) << 8;
        let value = value * POWERS[more] + fold(rest);
        (value >= place.least).then_some(value)
    }
}

#[inline]
fn word(window: &[u8; WINDOW], at: usize) -> u64 {
    window[at..].first_chunk::<8>().map_or(0, |chunk| u64::from_le_bytes(*chunk))
}

/// Whether `word` has a byte that is no digit. Only for the check that both ways of telling digits agree.
#[cfg(test)]
fn has_other(word: u64) -> bool {
    super::number::others(word ^ ZEROS) != 0
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    fn window(text: &[u8]) -> [u8; WINDOW] {
        let mut window = [b'7'; WINDOW];
        window[..text.len()].copy_from_slice(text);
        window
    }

    #[rstest]
    #[case(r#""a0":512,"#, 5, &[512])]
    #[case(r#""t":4294967295,"#, 4, &[4_294_967_295])]
    #[case(r#""p2":[8123,20839001,0,102401234],"#, 5, &[8123, 20_839_001, 0, 102_401_234])]
    #[case(r#""x":123456789012345,"#, 4, &[123_456_789_012_345])]
    fn a_member_fits_its_own_look_and_gives_its_numbers(#[case] text: &str, #[case] value: usize, #[case] is: &[u64]) {
        let shape = Shape::of(text.as_bytes(), value).unwrap();
        let window = window(text.as_bytes());
        assert!(shape.fits(&window) && !Shape::NONE.fits(&window));
        let numbers: Vec<_> = (0..usize::from(shape.count())).map(|which| shape.number(which, &window)).collect();
        assert_eq!(numbers, is.iter().copied().map(Some).collect::<Vec<_>>());
    }

    #[rstest]
    #[case(r#""a0":51.5,"#, 5)]
    #[case(r#""a0":-5,"#, 5)]
    #[case(r#""a0":null,"#, 5)]
    #[case(r#""a0":5e3,"#, 5)]
    #[case(r#""a0":512}"#, 5)]
    #[case(r#""p2":[1,2,3,4,5],"#, 5)]
    #[case(r#""x":1234567890123456,"#, 4)]
    #[case(r#""a_name_that_is_far_too_long_to_be_looked_at_so":1,"#, 49)]
    fn what_is_not_whole_numbers_has_no_look(#[case] text: &str, #[case] value: usize) {
        assert!(Shape::of(text.as_bytes(), value).is_none());
    }

    #[test]
    fn one_other_byte_anywhere_does_not_fit_unless_a_digit_stays_a_digit() {
        let text = br#""p2":[8123,20839001,9820],"#;
        let shape = Shape::of(text, 5).unwrap();
        for place in 0..text.len() {
            for byte in 0..=u8::MAX {
                let mut other = *text;
                other[place] = byte;
                let both_digits = place >= 5 && text[place].is_ascii_digit() && byte.is_ascii_digit();
                assert_eq!(shape.fits(&window(&other)), byte == text[place] || both_digits, "{place} {byte}");
                assert_eq!(has_other(u64::from_le_bytes([byte; 8])), !byte.is_ascii_digit());
            }
        }
    }

    #[test]
    fn a_leading_zero_is_no_number() {
        let shape = Shape::of(br#""a0":512,"#, 5).unwrap();
        for (text, is) in [("100", Some(100)), ("099", None), ("000", None)] {
            assert_eq!(shape.number(0, &window(format!("\"a0\":{text},").as_bytes())), is);
        }
    }
}
