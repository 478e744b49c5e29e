//! Numbers in text: whole ones eight digits at a step, decimals exactly rounded.
//!
//! Owns the grammar of JSON's numbers (RFC 8259, section 6) and the freer one of other sketches. In: bytes and a place.
//! Out: a value and where it ends. Knows no field and no range.
//!
//! Source of the decimal shortcut, from memory and held against `std` by a test: W. D. Clinger, "How to read floating point numbers accurately", 1990: a whole number
//! below 2^53 times or over a power of ten up to 10^22 is one rounding, so it is exact. All else goes to `std`.

use super::Reject;

/// A number of a JSON text.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Number {
    /// The nearest `f64`; infinite where it is out of its range. Never −0.
    pub value: f64,
    /// It is written without fraction and exponent.
    pub integer: bool,
    /// Its value, where it is such an integer, not negative and below 2^64.
    pub whole: Option<u64>,
    /// The place after its last byte.
    pub end: usize,
}

impl Number {
    /// The value of a field that is an integer from 0 to `most`.
    pub(super) fn up_to(self, most: u64) -> Result<u64, Reject> {
        if !self.integer {
            return Err(Reject::WrongType);
        }
        self.whole.filter(|&whole| whole <= most).ok_or(Reject::OutOfRange)
    }
}

/// Eight bytes of `line` from `at` on, the first one lowest; zeros past the end.
#[inline]
pub(super) fn word(line: &[u8], at: usize) -> u64 {
    match line.get(at..).and_then(|rest| rest.first_chunk::<8>()) {
        Some(chunk) => u64::from_le_bytes(*chunk),
        None => short_word(line, at),
    }
}

#[cold]
fn short_word(line: &[u8], at: usize) -> u64 {
    let mut chunk = [0; 8];
    for (to, from) in chunk.iter_mut().zip(line.iter().skip(at)) {
        *to = *from;
    }
    u64::from_le_bytes(chunk)
}

/// A whole number of 1 to 15 digits at `at`, and where it ends. `None` for all else, a leading zero among it.
#[inline]
pub(super) fn whole(line: &[u8], at: usize) -> Option<(u64, usize)> {
    let first = word(line, at);
    let (value, digits) = eight(first);
    if digits < 8 {
        let leading_zero = digits > 1 && first & 0xFF == u64::from(b'0');
        return (digits != 0 && !leading_zero).then_some((value, at + digits));
    }
    let (more, others) = eight(word(line, at + 8));
    let good = others < 8 && first & 0xFF != u64::from(b'0');
    good.then(|| (value * POWERS[others] + more, at + 8 + others))
}

/// Powers of ten up to the seven digits that a second word may add.
const POWERS: [u64; 8] = [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000];

/// The value of the leading decimal digits of eight bytes, and how many there are.
#[inline]
fn eight(word: u64) -> (u64, usize) {
    let digits = word ^ ZEROS;
    let count = others(digits).trailing_zeros() / 8;
    // The digits move to the upper end; the zeros below them stand ahead of the number and add nothing.
    (fold(digits.checked_shl(64 - 8 * count).unwrap_or(0)), count as usize)
}

/// Eight times the character zero.
pub(super) const ZEROS: u64 = 0x3030_3030_3030_3030;

/// The top bit of each byte of `digits` that is over 9. A carry reaches only bytes after the first such one.
#[inline]
pub(super) fn others(digits: u64) -> u64 {
    (digits.wrapping_add(0x7676_7676_7676_7676) | digits) & 0x8080_8080_8080_8080
}

/// Eight digits, the first one lowest, as a number: pairs, then fours, then all, with three multiplications.
#[inline]
pub(super) fn fold(digits: u64) -> u64 {
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    let low = (pairs & 0x0000_00FF_0000_00FF).wrapping_mul(0x000F_4240_0000_0064);
    let high = ((pairs >> 16) & 0x0000_00FF_0000_00FF).wrapping_mul(0x0000_2710_0000_0001);
    low.wrapping_add(high) >> 32
}

/// The JSON number that begins at `start`. `None` where none does.
pub(super) fn json(line: &[u8], start: usize) -> Option<Number> {
    let negative = line.get(start) == Some(&b'-');
    let mut digits = Digits::default();
    let first = start + usize::from(negative);
    let mut end = digits.take(line, first)?;
    if end > first + 1 && line[first] == b'0' {
        return None;
    }
    let mut integer = true;
    let mut exponent = 0_i64;
    if line.get(end) == Some(&b'.') {
        integer = false;
        let point = end + 1;
        end = digits.take(line, point)?;
        exponent = i64::try_from(point).ok()? - i64::try_from(end).ok()?;
    }
    if let Some(b'e' | b'E') = line.get(end) {
        integer = false;
        let (written, after) = exponent_at(line, end + 1)?;
        exponent += written;
        end = after;
    }
    let magnitude = match digits.value.and_then(|mantissa| exact(mantissa, exponent)) {
        Some(value) => value,
        None => std::str::from_utf8(&line[first..end]).ok()?.parse().ok()?,
    };
    let value = if negative && magnitude != 0.0 { -magnitude } else { magnitude };
    let whole = digits.value.filter(|&value| integer && (!negative || value == 0));
    Some(Number { value, integer, whole, end })
}

/// The value of a number of another sketch: as JSON, and besides `+1`, `.5`, `5.`, `007`. `None` where it is none.
pub(super) fn loose(text: &str) -> Option<f64> {
    // The letters of `inf` and `nan`, which std would take, are left out.
    let may_stand = |byte: &u8| matches!(byte, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E');
    if text.is_empty() || !text.as_bytes().iter().all(may_stand) {
        return None;
    }
    if let Some(number) = json(text.as_bytes(), 0).filter(|number| number.end == text.len()) {
        return Some(number.value);
    }
    text.parse().ok()
}

/// The digits of a number as one whole number; `None` once they are over 2^64.
struct Digits {
    value: Option<u64>,
}

impl Default for Digits {
    fn default() -> Self {
        Self { value: Some(0) }
    }
}

impl Digits {
    /// Takes the digits at `at`, and says where they end. `None` where there is none.
    fn take(&mut self, line: &[u8], at: usize) -> Option<usize> {
        let mut end = at;
        while let Some(digit) = line.get(end).filter(|byte| byte.is_ascii_digit()) {
            let digit = u64::from(digit - b'0');
            self.value = self.value.and_then(|value| value.checked_mul(10)?.checked_add(digit));
            end += 1;
        }
        (end > at).then_some(end)
    }
}

/// The exponent at `at`, after its letter, and where it ends.
fn exponent_at(line: &[u8], at: usize) -> Option<(i64, usize)> {
    let sign = line.get(at).filter(|byte| matches!(byte, b'+' | b'-'));
    let mut digits = Digits::default();
    let end = digits.take(line, at + usize::from(sign.is_some()))?;
    // More than any line has room for is as good as endless.
    let size = digits.value.map_or(1_000_000, |value| i64::try_from(value.min(1_000_000)).unwrap_or(1_000_000));
    Some((if sign == Some(&b'-') { -size } else { size }, end))
}

/// `mantissa` × 10^`exponent` where one rounding gives it.
fn exact(mantissa: u64, exponent: i64) -> Option<f64> {
    const TENS: [f64; 23] = [
        1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19,
        1e20, 1e21, 1e22,
    ];
    if mantissa >= 1 << 53 {
        return None;
    }
    let ten = TENS.get(usize::try_from(exponent.unsigned_abs()).ok()?)?;
    Some(if exponent < 0 { mantissa as f64 / ten } else { mantissa as f64 * ten })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::zero("0", Some((0.0, true, Some(0))))]
    #[case::minus_zero("-0", Some((0.0, true, Some(0))))]
    #[case::minus_zero_float("-0.0", Some((0.0, false, None)))]
    #[case::largest("18446744073709551615", Some((18_446_744_073_709_551_615.0, true, Some(u64::MAX))))]
    #[case::too_large("18446744073709551616", Some((18_446_744_073_709_551_616.0, true, None)))]
    #[case::negative("-7", Some((-7.0, true, None)))]
    #[case::fraction("512.25", Some((512.25, false, None)))]
    #[case::exponent("5e0", Some((5.0, false, None)))]
    #[case::endless("1e999", Some((f64::INFINITY, false, None)))]
    #[case::tiny("1e-400", Some((0.0, false, None)))]
    #[case::endless_exponent("0e99999999999999999999", Some((0.0, false, None)))]
    #[case::leading_zero("01", None)]
    #[case::no_digit("-", None)]
    #[case::no_fraction("1.", None)]
    #[case::no_exponent("1e+", None)]
    #[case::plus("+1", None)]
    #[case::point_first(".5", None)]
    #[case::word("NaN", None)]
    fn json_numbers_follow_their_grammar(#[case] text: &str, #[case] expected: Option<(f64, bool, Option<u64>)>) {
        let number = json(text.as_bytes(), 0);
        assert_eq!(number.map(|number| (number.value, number.integer, number.whole)), expected);
        assert!(number.is_none_or(|number| number.end == text.len() && !number.value.is_sign_negative()
            || number.value < 0.0));
    }

    #[rstest]
    #[case("+1", Some(1.0))]
    #[case(".5", Some(0.5))]
    #[case("5.", Some(5.0))]
    #[case("007", Some(7.0))]
    #[case("-1.5e3", Some(-1500.0))]
    #[case("inf", None)]
    #[case("nan", None)]
    #[case("", None)]
    #[case("-", None)]
    #[case("1-2", None)]
    #[case("e", None)]
    #[case("12:30", None)]
    fn other_sketches_may_write_numbers_more_freely(#[case] text: &str, #[case] expected: Option<f64>) {
        assert_eq!(loose(text), expected);
    }

    #[rstest]
    #[case("0,", Some((0, 1)))]
    #[case("00,", None)]
    #[case("1234567,", Some((1_234_567, 7)))]
    #[case("12345678,", Some((12_345_678, 8)))]
    #[case("4294967296", Some((4_294_967_296, 10)))]
    #[case("02345678,", None)]
    #[case("123456789012345,", Some((123_456_789_012_345, 15)))]
    #[case("1234567890123456,", None)]
    #[case("-1", None)]
    #[case("", None)]
    #[case("1\u{FF}2", Some((1, 1)))]
    fn whole_numbers_are_read_at_a_step(#[case] text: &str, #[case] expected: Option<(u64, usize)>) {
        assert_eq!(whole(text.as_bytes(), 0), expected);
        let later = format!("xyz{text}{}", if text.is_empty() { "" } else { ",more than eight" });
        assert_eq!(whole(later.as_bytes(), 3), expected.map(|(value, end)| (value, end + 3)));
    }

    proptest! {
        #[test]
        fn decimals_are_what_std_reads(text in "-?(0|[1-9][0-9]{0,20})(\\.[0-9]{1,22})?([eE][+-]?[0-9]{1,3})?") {
            let number = json(text.as_bytes(), 0).unwrap();
            prop_assert_eq!(number.end, text.len());
            prop_assert_eq!(number.value.abs().to_bits(), text.parse::<f64>().unwrap().abs().to_bits());
        }

        #[test]
        fn whole_numbers_are_what_std_reads(value in any::<u64>(), shift in 0..64_u32, after in ".{0,12}") {
            let value = value >> shift;
            let text = format!("{value}");
            let line = format!("{text},{after}");
            let read = whole(line.as_bytes(), 0);
            prop_assert_eq!(read, (text.len() < 16).then_some((value, text.len())));
        }

        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..20), at in 0..25_usize) {
            let _ = (whole(&bytes, at), json(&bytes, at));
            prop_assert!(loose(&String::from_utf8_lossy(&bytes)).is_none_or(|value| !value.is_nan()));
        }
    }
}
