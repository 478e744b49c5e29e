//! What is said to the controller: parsed as strictly as the firmware does.
//!
//! Owns the three commands of the counts format. In: one line. Out: [`Command`], or nothing: a line that is not exactly
//! right is ignored whole, so that noise switches nothing.

use crc::{CRC_16_IBM_3740, Crc, Table};

use crate::wire::COMMAND_MAX;

/// The checksum of the counts format.
pub(super) const CHECKSUM: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_3740);
/// The outputs that the controller has; the same as its hello says.
pub(super) const OUTPUTS: [&str; 4] = ["d7", "d12", "f9", "w6"];

/// A command that was understood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Command {
    /// Say hello.
    Hello,
    /// Send so many readings a second, 1 to 200.
    Rate(u32),
    /// Set outputs (index into [`OUTPUTS`], value) for so many milliseconds.
    Set(Vec<(usize, u32)>, u32),
}

/// The command in `line`, with or without its LF; `None` where it is not exactly one.
pub(super) fn parse(line: &[u8]) -> Option<Command> {
    let line = line.strip_suffix(b"\n").unwrap_or(line);
    if line.len() >= COMMAND_MAX {
        return None;
    }
    let text = std::str::from_utf8(line).ok()?;
    let (said, rest) = text.split_at_checked(text.len().checked_sub(r#","crc":"HHHH"}"#.len())?)?;
    let digits = rest.strip_prefix(r#","crc":""#)?.strip_suffix(r#""}"#)?;
    if digits != format!("{:04X}", CHECKSUM.checksum(said.as_bytes())) {
        return None;
    }
    let inside = said.strip_prefix('{')?;
    if inside == r#""ask":"hello""# {
        return Some(Command::Hello);
    }
    if let Some(rate) = inside.strip_prefix(r#""rate_hz":"#) {
        return number(rate).filter(|rate| (1..=200).contains(rate)).map(Command::Rate);
    }
    parse_set(inside)
}

fn parse_set(inside: &str) -> Option<Command> {
    let (members, lease) = inside.strip_prefix(r#""set":{"#)?.split_once(r#"},"lease_ms":"#)?;
    let lease = number(lease).filter(|lease| (10..=5000).contains(lease))?;
    let mut set = Vec::new();
    for member in members.split(',') {
        let (name, value) = member.strip_prefix('"')?.split_once("\":")?;
        let output = OUTPUTS.iter().position(|output| *output == name)?;
        let value = number(value).filter(|&value| allowed(name, value))?;
        if set.iter().any(|&(seen, _)| seen == output) {
            return None;
        }
        set.push((output, value));
    }
    Some(Command::Set(set, lease))
}

fn allowed(name: &str, value: u32) -> bool {
    match name.as_bytes().first() {
        Some(b'd') => value <= 1,
        Some(b'f') => value == 0 || (1000..=5_000_000).contains(&value),
        _ => value <= 1000,
    }
}

/// A whole number without sign or leading zero.
fn number(text: &str) -> Option<u32> {
    let plain = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    (plain && (text == "0" || !text.starts_with('0'))).then(|| text.parse().ok())?
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::{CHECKSUM, Command, parse};

    fn signed(body: &str) -> String {
        format!("{body},\"crc\":\"{:04X}\"}}", CHECKSUM.checksum(body.as_bytes()))
    }

    /// The check value of the catalogue of parametrised CRC algorithms for CRC-16/IBM-3740.
    #[test]
    fn the_checksum_of_the_nine_digits_is_that_of_the_catalogue() {
        assert_eq!(CHECKSUM.checksum(b"123456789"), 0x29B1);
    }

    /// Two whole lines of `tests/reference/04_wire_lines.jsonl`, whose checksums four other programs computed.
    #[test]
    fn the_lines_of_the_reference_are_understood() {
        assert_eq!(parse(br#"{"ask":"hello","crc":"ECC4"}"#), Some(Command::Hello));
        assert_eq!(parse(br#"{"set":{"d7":1},"lease_ms":1000,"crc":"4C98"}"#), Some(Command::Set(vec![(0, 1)], 1000)));
    }

    #[rstest]
    #[case::slowest(r#"{"rate_hz":1"#, Some(Command::Rate(1)))]
    #[case::fastest(r#"{"rate_hz":200"#, Some(Command::Rate(200)))]
    #[case::none(r#"{"rate_hz":0"#, None)]
    #[case::too_fast(r#"{"rate_hz":201"#, None)]
    #[case::leading_zero(r#"{"rate_hz":050"#, None)]
    #[case::sign(r#"{"rate_hz":+50"#, None)]
    #[case::blank(r#"{"rate_hz": 50"#, None)]
    #[case::shortest_lease(r#"{"set":{"w6":1000},"lease_ms":10"#, Some(Command::Set(vec![(3, 1000)], 10)))]
    #[case::lease_too_short(r#"{"set":{"w6":1000},"lease_ms":9"#, None)]
    #[case::lease_too_long(r#"{"set":{"w6":1000},"lease_ms":5001"#, None)]
    #[case::duty_too_high(r#"{"set":{"w6":1001},"lease_ms":10"#, None)]
    #[case::slow_square(r#"{"set":{"f9":999},"lease_ms":10"#, None)]
    #[case::twice(r#"{"set":{"d7":1,"d7":1},"lease_ms":10"#, None)]
    #[case::input(r#"{"set":{"d4":1},"lease_ms":10"#, None)]
    #[case::one_bad_member(r#"{"set":{"d7":1,"d12":2},"lease_ms":10"#, None)]
    #[case::empty(r#"{"set":{},"lease_ms":10"#, None)]
    fn only_what_is_exactly_right_is_understood(#[case] body: &str, #[case] expected: Option<Command>) {
        assert_eq!(parse(signed(body).as_bytes()), expected);
        assert_eq!(parse(format!("{}\n", signed(body)).as_bytes()), expected);
    }

    #[test]
    fn a_wrong_an_absent_and_a_lower_case_checksum_are_ignored() {
        assert_eq!(parse(br#"{"ask":"hello","crc":"ECC5"}"#), None);
        assert_eq!(parse(br#"{"ask":"hello"}"#), None);
        assert_eq!(parse(br#"{"ask":"hello","crc":"ecc4"}"#), None);
        assert_eq!(parse("{\"ask\":\"h\u{e4}llo\",\"crc\":\"ECC4\"}".as_bytes()), None);
    }
}
