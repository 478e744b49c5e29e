//! The checksum of the counts format: CRC-16/IBM-3740, and the trailer that carries it.
//!
//! Owns the algorithm's choice, the trailer's spelling, and the sealing of lines that are sent. In: bytes. Out: sums,
//! trailers. Judges no line: whether a checksum must be there is the business of [`super::counts`].

use std::fmt::Write as _;

use crc::{CRC_16_IBM_3740, Crc, Table};

/// Sixteen bytes at a step: the table of one byte at a step costs as much as all the rest of a line.
static CRC: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_3740);

/// How many bytes the usual trailer has, from its comma to the closing brace.
pub(super) const TRAILER: usize = br#","crc":"29B1"}"#.len();

/// CRC-16/IBM-3740 of `bytes`: polynomial 0x1021, initial value 0xFFFF, not reflected, no final exclusive-or.
///
/// Source: the catalogue of parametrised CRC algorithms, whose check value this is:
/// ```
/// assert_eq!(kickpanel::wire::checksum(b"123456789"), 0x29B1);
/// ```
pub fn checksum(bytes: &[u8]) -> u16 {
    CRC.checksum(bytes)
}

/// Ends a line of the counts format with its checksum. `line` is the object without its closing brace.
///
/// ```
/// let mut line = String::from(r#"{"t":1"#);
/// kickpanel::wire::seal(&mut line);
/// assert_eq!(line, r#"{"t":1,"crc":"6817"}"#);
/// ```
pub fn seal(line: &mut String) {
    let sum = checksum(line.as_bytes());
    // Writing to a String cannot fail.
    let _ = write!(line, r#","crc":"{sum:04X}"}}"#);
}

/// What stands at the end of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Trailer {
    /// No checksum as the last member.
    None,
    /// A last member `"crc"` whose text is not four upper-case hex digits.
    Spoilt,
    /// A checksum.
    Says {
        /// Where the comma before it is: the sum covers everything ahead of it.
        comma: usize,
        /// What it says.
        sum: u16,
    },
}

/// The trailer in its usual spelling, without blanks: where its comma is, and the sum. `None` for anything else.
pub(super) fn usual_trailer(line: &[u8]) -> Option<(usize, u16)> {
    let comma = line.len().checked_sub(TRAILER)?;
    let (name, rest) = line.get(comma..)?.split_first_chunk::<8>()?;
    let [a, b, c, d, b'"', b'}'] = *rest else { return None };
    (name == br#","crc":""#).then_some(())?;
    Some((comma, sum([a, b, c, d])?))
}

/// The trailer of `line`, with JSON's blanks wherever they may stand.
///
/// It is read from the end backwards. In a valid object that is unambiguous: a quotation mark that follows a colon or
/// a blank is never an escaped one. In anything else the answer only chooses between two reasons to refuse the line.
pub(super) fn trailer(line: &[u8]) -> Trailer {
    let Some((comma, text)) = last_member(line) else { return Trailer::None };
    match <[u8; 4]>::try_from(text).ok().and_then(sum) {
        Some(sum) => Trailer::Says { comma, sum },
        None => Trailer::Spoilt,
    }
}

/// Where the comma before a last member `"crc"` with a text is, and that text.
fn last_member(line: &[u8]) -> Option<(usize, &[u8])> {
    let rest = trim(line.strip_suffix(b"}")?).strip_suffix(b"\"")?;
    let quote = rest.iter().rposition(|&byte| byte == b'"')?;
    let (rest, text) = (&rest[..quote], &rest[quote + 1..]);
    let rest = trim(trim(rest).strip_suffix(b":")?);
    let rest = trim(rest.strip_suffix(br#""crc""#)?).strip_suffix(b",")?;
    Some((rest.len(), text))
}

/// `bytes` without JSON's blanks at the end.
fn trim(bytes: &[u8]) -> &[u8] {
    let end = bytes.iter().rposition(|byte| !matches!(byte, b' ' | b'\t' | b'\r' | b'\n')).map_or(0, |last| last + 1);
    &bytes[..end]
}

/// The number that four upper-case hex digits say.
#[inline]
fn sum(digits: [u8; 4]) -> Option<u16> {
    let [a, b, c, d] = digits.map(|digit| u16::from(HEX[usize::from(digit)]));
    ((a | b | c | d) < 16).then_some(a << 12 | b << 8 | c << 4 | d)
}

/// What each character says as an upper-case hex digit, over 15 where it is none.
static HEX: [u8; 256] = {
    let mut table = [0xFF; 256];
    let mut digit = 0;
    while digit < 16 {
        table[b"0123456789ABCDEF"[digit as usize] as usize] = digit;
        digit += 1;
    }
    table
};

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::usual(r#"{"t":1,"crc":"6817"}"#, Trailer::Says { comma: 6, sum: 0x6817 })]
    #[case::blanks("{\"t\":1 ,\t\"crc\" : \"6817\" }", Trailer::Says { comma: 7, sum: 0x6817 })]
    #[case::lower_case(r#"{"t":1,"crc":"a204"}"#, Trailer::Spoilt)]
    #[case::three_digits(r#"{"t":1,"crc":"681"}"#, Trailer::Spoilt)]
    #[case::five_digits(r#"{"t":1,"crc":"68170"}"#, Trailer::Spoilt)]
    #[case::number(r#"{"t":1,"crc":6817}"#, Trailer::None)]
    #[case::alone(r#"{"crc":"6817"}"#, Trailer::None)]
    #[case::not_last(r#"{"crc":"6817","t":1}"#, Trailer::None)]
    #[case::within(r#"{"x":{"t":1,"crc":"6817"}}"#, Trailer::None)]
    #[case::after_the_brace("{\"t\":1,\"crc\":\"6817\"} ", Trailer::None)]
    #[case::escaped(r#"{"t":1,\"crc\":\"6817"}"#, Trailer::None)]
    #[case::empty("", Trailer::None)]
    fn the_trailer_is_read_from_the_end(#[case] line: &str, #[case] expected: Trailer) {
        assert_eq!(trailer(line.as_bytes()), expected);
        let usual = usual_trailer(line.as_bytes()).map(|(comma, sum)| Trailer::Says { comma, sum });
        assert!(usual.is_none() || usual == Some(expected));
    }
}
