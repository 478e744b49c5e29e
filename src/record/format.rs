//! Lines of a recording, both ways: four columns in, one [`Entry`] out, and back.
//!
//! Owns the columns, the marks, the escaping and the sum. In and out: bytes. Opens no file, asks for no time, knows
//! nothing of what a payload means. Contract: the recording format, version 1.

use crc::{CRC_32_ISO_HDLC, Crc, Digest, Table};

use crate::time::{MILLISECOND, Micros, Stamp};

/// The polynomial of the sums: CRC-32/ISO-HDLC, with the table that takes sixteen bytes at a time.
pub(super) static CRC: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISO_HDLC);
/// A sum that is being worked out.
pub(super) type Sum = Digest<'static, u32, Table<16>>;

/// The most digits of a time before its decimal point: more would be over thirty years.
const MS_DIGITS_MAX: usize = 12;
/// The most bytes of a link's name.
const LINK_MAX: usize = 255;
const HEX: &[u8; 16] = b"0123456789ABCDEF";

/// What a line of a recording is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mark {
    /// `<`: a line that came over the link, without its line end.
    Received,
    /// `>`: a line that was sent.
    Sent,
    /// `!`: a note by the program, a JSON object.
    Note,
}

impl Mark {
    /// Every mark, in the order of the format's page.
    pub const ALL: [Self; 3] = [Self::Received, Self::Sent, Self::Note];

    /// The character in the third column.
    pub const fn byte(self) -> u8 {
        match self {
            Self::Received => b'<',
            Self::Sent => b'>',
            Self::Note => b'!',
        }
    }

    fn from_byte(byte: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|mark| mark.byte() == byte)
    }
}

/// Why a line of a recording cannot be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The four columns are not there, or a time, link or mark is none.
    Columns,
    /// The columns are there, but the payload holds a byte or an escape that is never written.
    Payload,
}

/// One line of a recording, in its four columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry<'a> {
    /// When, since the recording began. Written in milliseconds with up to three decimals.
    pub at: Stamp,
    /// The link's name; `-` where it concerns none.
    pub link: &'a str,
    /// What it is.
    pub mark: Mark,
    /// The payload as it stands in the file: escaped, unless it is a note.
    pub payload: &'a [u8],
}

impl<'a> Entry<'a> {
    /// Reads one line without its LF. Borrows everything; [`unescape`] gives the payload's own bytes.
    pub fn parse(line: &'a [u8]) -> Result<Self, Fault> {
        let entry = Self::columns(line).ok_or(Fault::Columns)?;
        if entry.mark == Mark::Note {
            let text = std::str::from_utf8(entry.payload).map_err(|_| Fault::Payload)?;
            if text.bytes().any(|byte| byte < b' ' || byte == 0x7F) {
                return Err(Fault::Payload);
            }
        } else if !is_printable(entry.payload) {
            return Err(Fault::Payload);
        }
        Ok(entry)
    }

    /// The columns alone, whatever the payload holds; `None` where they are not there. Also good for the beginning of
    /// a line whose end has not been read yet.
    pub(super) fn columns(text: &'a [u8]) -> Option<Self> {
        let (at, rest) = cut_at_tab(text, MS_DIGITS_MAX + 5)?;
        let (link, rest) = cut_at_tab(rest, LINK_MAX + 1)?;
        let (mark, rest) = rest.split_first()?;
        let (tab, payload) = rest.split_first()?;
        if *tab != b'\t' || link.is_empty() {
            return None;
        }
        let link = std::str::from_utf8(link).ok().filter(|link| !link.chars().any(char::is_control))?;
        Some(Self { at: parse_ms(at)?, link, mark: Mark::from_byte(*mark)?, payload })
    }

    /// Appends the line with its LF to `out`. `payload` is taken as it is; [`write_line`] escapes.
    pub fn write(&self, out: &mut impl Extend<u8>) {
        write_columns(self.at, self.link, self.mark, out);
        out.extend(self.payload.iter().copied());
        out.extend([b'\n']);
    }
}

/// Appends a whole line with its LF to `out`, escaping `bytes` as the mark asks. Nothing that is handed in can break
/// the columns: a control character in a link's name becomes `_`.
pub fn write_line(at: Stamp, link: &str, mark: Mark, bytes: &[u8], out: &mut impl Extend<u8>) {
    write_columns(at, link, mark, out);
    if mark == Mark::Note {
        // JSON text holds no raw control byte but DEL, which its own escape then stands for.
        for &byte in bytes {
            match byte {
                0x7F => out.extend(*b"\\u007f"),
                byte if byte < b' ' => out.extend([b' ']),
                byte => out.extend([byte]),
            }
        }
    } else {
        escape(bytes, out);
    }
    out.extend([b'\n']);
}

/// Appends `bytes` to `out`, each outside printable ASCII as `\xHH` and a backslash as `\x5C`.
pub fn escape(bytes: &[u8], out: &mut impl Extend<u8>) {
    let mut rest = bytes;
    while !rest.is_empty() {
        let plain = rest.iter().position(|byte| !is_plain(*byte)).unwrap_or(rest.len());
        out.extend(rest[..plain].iter().copied());
        if let Some(&byte) = rest.get(plain) {
            out.extend([b'\\', b'x', HEX[usize::from(byte >> 4)], HEX[usize::from(byte & 15)]]);
        }
        rest = rest.get(plain + 1..).unwrap_or_default();
    }
}

/// The bytes that an escaped payload stands for: `payload` itself where nothing is escaped, else written into
/// `scratch`. A backslash that begins no `\xHH` is a fault, since none is ever written.
pub fn unescape<'a>(payload: &'a [u8], scratch: &'a mut Vec<u8>) -> Result<&'a [u8], Fault> {
    if !payload.contains(&b'\\') {
        return Ok(payload);
    }
    scratch.clear();
    let mut rest = payload;
    while let Some(plain) = rest.iter().position(|byte| *byte == b'\\') {
        scratch.extend_from_slice(&rest[..plain]);
        let [b'\\', b'x', high, low, ..] = rest[plain..] else { return Err(Fault::Payload) };
        let (Some(high), Some(low)) = (hex_digit(high), hex_digit(low)) else { return Err(Fault::Payload) };
        scratch.push(high << 4 | low);
        rest = &rest[plain + 4..];
    }
    scratch.extend_from_slice(rest);
    Ok(scratch)
}

/// Appends a time in milliseconds, with as many of three decimals as it needs. Times before the beginning become 0.
pub fn write_ms(at: Stamp, out: &mut impl Extend<u8>) {
    let micros = at.0.max(0).unsigned_abs();
    let mut digits = [0_u8; 24];
    let mut place = digits.len();
    let fraction = micros % 1000;
    if fraction > 0 {
        let decimals = [fraction / 100, fraction / 10 % 10, fraction % 10];
        let used = decimals.iter().rposition(|digit| *digit != 0).map_or(0, |last| last + 1);
        for digit in decimals[..used].iter().rev() {
            place -= 1;
            digits[place] = ascii_digit(*digit);
        }
        place -= 1;
        digits[place] = b'.';
    }
    let mut whole = micros / 1000;
    loop {
        place -= 1;
        digits[place] = ascii_digit(whole % 10);
        whole /= 10;
        if whole == 0 {
            break;
        }
    }
    out.extend(digits[place..].iter().copied());
}

/// Reads a time in milliseconds with up to three decimals; `None` for anything else.
pub(super) fn parse_ms(text: &[u8]) -> Option<Stamp> {
    let (whole, fraction) = match text.iter().position(|byte| *byte == b'.') {
        Some(point) => (&text[..point], &text[point + 1..]),
        None => (text, &b"0"[..]),
    };
    if whole.is_empty() || whole.len() > MS_DIGITS_MAX || fraction.is_empty() || fraction.len() > 3 {
        return None;
    }
    let mut micros = decimal(fraction)?;
    for _ in fraction.len()..3 {
        micros *= 10;
    }
    Some(Stamp(decimal(whole)? * MILLISECOND + micros))
}

/// Where the line that begins `bytes` ends: the place of its LF.
pub(super) fn line_end(mut bytes: &[u8]) -> Option<usize> {
    use std::io::BufRead as _;
    let whole = bytes;
    // The standard library's own search for a byte, which takes many at a time; a slice cannot fail to be read.
    let taken = bytes.skip_until(b'\n').ok()?;
    let end = taken.checked_sub(1)?;
    (whole[end] == b'\n').then_some(end)
}

/// Where the JSON of a note of the program itself begins, if `line` is one: quick, since it is asked of every line.
pub(super) fn own_note(line: &[u8], kind: &str) -> bool {
    const BEFORE: &[u8] = b"-\t!\t{\"note\":\"";
    let Some((_, rest)) = cut_at_tab(line, MS_DIGITS_MAX + 5) else { return false };
    let Some(rest) = rest.strip_prefix(BEFORE) else { return false };
    rest.strip_prefix(kind.as_bytes()).is_some_and(|rest| rest.first() == Some(&b'"'))
}

fn write_columns(at: Stamp, link: &str, mark: Mark, out: &mut impl Extend<u8>) {
    write_ms(at, out);
    out.extend([b'\t']);
    let link = if link.is_empty() { "-" } else { link };
    out.extend(link.bytes().map(|byte| if byte < b' ' || byte == 0x7F { b'_' } else { byte }));
    out.extend([b'\t', mark.byte(), b'\t']);
}

fn cut_at_tab(bytes: &[u8], within: usize) -> Option<(&[u8], &[u8])> {
    let tab = bytes.iter().take(within).position(|byte| *byte == b'\t')?;
    Some((&bytes[..tab], &bytes[tab + 1..]))
}

fn is_plain(byte: u8) -> bool {
    (b' '..=b'~').contains(&byte) && byte != b'\\'
}

fn is_printable(bytes: &[u8]) -> bool {
    // Looks at every byte without leaving early, so that it is done many bytes at a time.
    !bytes.iter().fold(false, |bad, byte| bad | !(b' '..=b'~').contains(byte))
}

fn hex_digit(byte: u8) -> Option<u8> {
    HEX.iter().position(|digit| *digit == byte.to_ascii_uppercase()).and_then(|place| u8::try_from(place).ok())
}

fn decimal(digits: &[u8]) -> Option<Micros> {
    digits.iter().try_fold(0, |sum: Micros, byte| byte.is_ascii_digit().then(|| sum * 10 + Micros::from(byte - b'0')))
}

#[expect(clippy::cast_possible_truncation, reason = "a decimal digit is below ten")]
fn ascii_digit(digit: u64) -> u8 {
    b'0' + digit as u8
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    fn line(at: Stamp, link: &str, mark: Mark, bytes: &[u8]) -> Vec<u8> {
        let mut out = Vec::new();
        write_line(at, link, mark, bytes, &mut out);
        out
    }

    #[rstest]
    #[case::whole(Stamp(5_000), "5")]
    #[case::tenth(Stamp(5_100), "5.1")]
    #[case::hundredth(Stamp(5_010), "5.01")]
    #[case::thousandth(Stamp(5_001), "5.001")]
    #[case::zero(Stamp(0), "0")]
    #[case::below_one(Stamp(120), "0.12")]
    #[case::ten_days(Stamp(864_000_000_999), "864000000.999")]
    fn times_are_milliseconds_with_the_decimals_they_need(#[case] at: Stamp, #[case] text: &str) {
        let mut out = Vec::new();
        write_ms(at, &mut out);
        assert_eq!(String::from_utf8_lossy(&out), text);
        assert_eq!(parse_ms(text.as_bytes()), Some(at));
    }

    #[rstest]
    #[case::empty("")]
    #[case::no_digit_before(".5")]
    #[case::no_digit_behind("5.")]
    #[case::four_decimals("5.0001")]
    #[case::negative("-5")]
    #[case::letters("5a")]
    #[case::thirteen_digits("1000000000000")]
    fn what_is_no_time_is_refused(#[case] text: &str) {
        assert_eq!(parse_ms(text.as_bytes()), None);
    }

    #[rstest]
    #[case::plain(b"{\"t\":5}", b"{\"t\":5}")]
    #[case::backslash(b"a\\b", b"a\\x5Cb")]
    #[case::tab(b"1\t2", b"1\\x092")]
    #[case::first_printable(b" ", b" ")]
    #[case::last_printable(b"~", b"~")]
    #[case::del(b"\x7F", b"\\x7F")]
    #[case::noise(&[0, 0xFF, 0x1B, b'\n', b'\r'], b"\\x00\\xFF\\x1B\\x0A\\x0D")]
    #[case::nothing(b"", b"")]
    fn bytes_outside_printable_ascii_are_escaped(#[case] bytes: &[u8], #[case] text: &[u8]) {
        let mut out = Vec::new();
        escape(bytes, &mut out);
        assert_eq!(out, text);
        assert_eq!(unescape(text, &mut Vec::new()), Ok(bytes));
    }

    #[rstest]
    #[case::cut(b"a\\x4")]
    #[case::alone(b"\\")]
    #[case::other_letter(b"\\n")]
    #[case::no_hex(b"\\xG0")]
    fn a_backslash_that_begins_no_escape_is_a_fault(#[case] text: &[u8]) {
        assert_eq!(unescape(text, &mut Vec::new()), Err(Fault::Payload));
    }

    #[test]
    fn nothing_is_copied_where_nothing_is_escaped() {
        let payload = b"{\"s\":1}";
        let mut scratch = Vec::new();
        let bytes = unescape(payload, &mut scratch).map(<[u8]>::as_ptr);
        assert_eq!(bytes, Ok(payload.as_ptr()));
    }

    #[rstest]
    #[case::three_columns("5\tengine\t<", Fault::Columns)]
    #[case::no_link("5\t\t<\t{}", Fault::Columns)]
    #[case::unknown_mark("5\tengine\t?\t{}", Fault::Columns)]
    #[case::long_mark("5\tengine\t<<\t{}", Fault::Columns)]
    #[case::no_time("x\tengine\t<\t{}", Fault::Columns)]
    #[case::empty("", Fault::Columns)]
    #[case::tab_in_payload("5\tengine\t<\t{\t}", Fault::Payload)]
    #[case::nul_in_note("5\t-\t!\t{\0}", Fault::Payload)]
    #[case::utf8_in_received("5\tengine\t<\tgrün", Fault::Payload)]
    fn a_line_that_was_never_written_so_is_refused(#[case] line: &str, #[case] fault: Fault) {
        assert_eq!(Entry::parse(line.as_bytes()), Err(fault));
    }

    #[test]
    fn a_link_of_control_characters_cannot_break_the_columns() {
        let line = line(Stamp(0), "a\tb\n", Mark::Received, b"x");
        assert_eq!(String::from_utf8_lossy(&line), "0\ta_b_\t<\tx\n");
    }

    // The catalogue of parametrised CRC algorithms gives CBF43926 for the nine bytes 123456789 under CRC-32/ISO-HDLC.
    #[test]
    fn the_sum_is_the_one_of_the_catalogue() {
        assert_eq!(CRC.checksum(b"123456789"), 0xCBF4_3926);
    }

    #[test]
    fn a_line_end_is_found_or_not() {
        assert_eq!(line_end(b"ab\ncd\n"), Some(2));
        assert_eq!(line_end(b"\n"), Some(0));
        assert_eq!(line_end(b"abc"), None);
        assert_eq!(line_end(b""), None);
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(
            at in 0_i64..1_000_000_000_000_000, link in "[a-z][a-z0-9_]{0,31}", sent: bool,
            bytes in proptest::collection::vec(any::<u8>(), 0..300),
        ) {
            let mark = if sent { Mark::Sent } else { Mark::Received };
            let line = line(Stamp(at), &link, mark, &bytes);
            let (end, text) = line.split_last().unwrap();
            prop_assert_eq!(*end, b'\n');
            let entry = Entry::parse(text).unwrap();
            prop_assert_eq!((entry.at, entry.link, entry.mark), (Stamp(at), link.as_str(), mark));
            let mut scratch = Vec::new();
            prop_assert_eq!(unescape(entry.payload, &mut scratch), Ok(&bytes[..]));
            let mut again = Vec::new();
            entry.write(&mut again);
            prop_assert_eq!(again, line);
        }

        #[test]
        fn no_bytes_make_the_parser_fail_badly(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            if let Ok(entry) = Entry::parse(&bytes) {
                let _ = unescape(entry.payload, &mut Vec::new());
            }
        }
    }
}
