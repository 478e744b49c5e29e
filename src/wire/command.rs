//! Lines to the controller: the three that the counts format knows.
//!
//! Owns their spelling, their ranges and the splitting of a long `set`. In: what is wanted. Out: whole lines with LF, each
//! of at most [`COMMAND_MAX`] bytes and with its checksum. Writes to no port and decides nothing: what is switched, and
//! for how long, comes from the output rules. The controller takes nothing else, and drops an output that is not renewed.

use std::fmt::{self, Write as _};
use std::ops::RangeInclusive;

use super::crc::{TRAILER, seal};
use super::pin::{Pin, PinKind};

/// The most bytes of a line to the controller, with its LF.
pub const COMMAND_MAX: usize = 96;
/// How long a `set` may hold, ms.
pub const LEASE_MS: RangeInclusive<u32> = 10..=5_000;
/// Readings per second that may be asked for.
pub const RATE_HZ: RangeInclusive<u32> = 1..=200;

impl Pin {
    /// Whether the pin can do `value`.
    pub fn may_be(self, value: u32) -> bool {
        match self.kind {
            PinKind::Level => value <= 1,
            PinKind::Frequency => value == 0 || (1_000..=5_000_000).contains(&value),
            PinKind::Duty => value <= 1_000,
            PinKind::Analog | PinKind::Edges | PinKind::Ringing => false,
        }
    }
}

/// Why no line can be made of what is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CommandError {
    /// A pin cannot do that.
    Value(Pin, u32),
    /// A pin stands twice.
    Twice(Pin),
    /// A lease outside of [`LEASE_MS`].
    Lease(u32),
    /// A rate outside of [`RATE_HZ`].
    Rate(u32),
}

impl fmt::Display for CommandError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Value(pin, value) => {
                let can = match pin.kind {
                    PinKind::Level => "0 or 1",
                    PinKind::Frequency => "0 or 1000 to 5000000 mHz",
                    PinKind::Duty => "0 to 1000 per mille",
                    PinKind::Analog | PinKind::Edges | PinKind::Ringing => "nothing, since it is an input",
                };
                write!(f, "output {pin} cannot be {value}: it takes {can}")
            }
            Self::Twice(pin) => write!(f, "output {pin} is set twice at once"),
            Self::Lease(lease) => write!(f, "a lease of {lease} ms is not possible: it is 10 to 5000 ms"),
            Self::Rate(rate) => write!(f, "{rate} readings per second are not possible: 1 to 200 are"),
        }
    }
}

impl std::error::Error for CommandError {}

/// Asks the controller to say what it is.
pub fn ask_hello() -> String {
    sealed(String::from(r#"{"ask":"hello""#))
}

/// Asks for `rate` readings per second, until the controller's next start. It answers with a hello.
pub fn set_rate(rate: u32) -> Result<String, CommandError> {
    if !RATE_HZ.contains(&rate) {
        return Err(CommandError::Rate(rate));
    }
    Ok(sealed(format!(r#"{{"rate_hz":{rate}"#)))
}

/// Sets outputs for `lease_ms`: as few lines as they fit into, in their order, each with the lease. None for no outputs.
/// One bad member, and there is no line at all.
pub fn set(outputs: &[(Pin, u32)], lease_ms: u32) -> Result<Vec<String>, CommandError> {
    if !LEASE_MS.contains(&lease_ms) {
        return Err(CommandError::Lease(lease_ms));
    }
    for (place, &(pin, value)) in outputs.iter().enumerate() {
        if !pin.may_be(value) {
            return Err(CommandError::Value(pin, value));
        }
        if outputs[..place].iter().any(|&(before, _)| before == pin) {
            return Err(CommandError::Twice(pin));
        }
    }
    let mut lines = Vec::new();
    let mut members = String::new();
    let end = format!(r#"}},"lease_ms":{lease_ms}"#);
    let room = COMMAND_MAX - SET.len() - end.len() - TRAILER - 1;
    for (pin, value) in outputs {
        let mut member = String::new();
        // Writing to a String cannot fail.
        let _ = write!(member, r#""{pin}":{value}"#);
        if !members.is_empty() {
            if members.len() + 1 + member.len() > room {
                lines.push(sealed(format!("{SET}{members}{end}")));
                members.clear();
            } else {
                members.push(',');
            }
        }
        members.push_str(&member);
    }
    if !members.is_empty() {
        lines.push(sealed(format!("{SET}{members}{end}")));
    }
    Ok(lines)
}

const SET: &str = r#"{"set":{"#;

fn sealed(mut line: String) -> String {
    seal(&mut line);
    line.push('\n');
    line
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    fn pin(name: &str) -> Pin {
        Pin::parse(name).unwrap()
    }

    #[test]
    fn a_set_is_spelled_as_the_format_shows_it() {
        let lines = set(&[(pin("d7"), 1), (pin("f9"), 133_333), (pin("w6"), 250)], 1000).unwrap();
        let [line] = &lines[..] else { panic!("{lines:?}") };
        let body = r#"{"set":{"d7":1,"f9":133333,"w6":250},"lease_ms":1000"#;
        assert_eq!(line, &format!("{body},\"crc\":\"{:04X}\"}}\n", crate::wire::checksum(body.as_bytes())));
        assert_eq!(set(&[], 1000), Ok(vec![]));
    }

    #[rstest]
    #[case("d7", 1, true)]
    #[case("d7", 2, false)]
    #[case("f9", 0, true)]
    #[case("f9", 999, false)]
    #[case("f9", 1_000, true)]
    #[case("f9", 5_000_000, true)]
    #[case("f9", 5_000_001, false)]
    #[case("w6", 1_000, true)]
    #[case("w6", 1_001, false)]
    #[case("a0", 0, false)]
    #[case("p2", 0, false)]
    fn each_output_has_its_range(#[case] name: &str, #[case] value: u32, #[case] good: bool) {
        assert_eq!(set(&[(pin(name), value)], 1000).is_ok(), good);
    }

    #[rstest]
    #[case(set(&[(Pin { kind: PinKind::Level, number: 7 }, 2)], 1000).unwrap_err(), "output d7 cannot be 2: it takes 0 or 1")]
    #[case(set(&[(pin("a0"), 1)], 1000).unwrap_err(), "output a0 cannot be 1: it takes nothing, since it is an input")]
    #[case(set(&[(Pin { kind: PinKind::Duty, number: 6 }, 0); 2], 10).unwrap_err(), "output w6 is set twice at once")]
    #[case(set(&[], 9).unwrap_err(), "a lease of 9 ms is not possible: it is 10 to 5000 ms")]
    #[case(set(&[], 5_001).unwrap_err(), "a lease of 5001 ms is not possible: it is 10 to 5000 ms")]
    #[case(set_rate(0).unwrap_err(), "0 readings per second are not possible: 1 to 200 are")]
    #[case(set_rate(201).unwrap_err(), "201 readings per second are not possible: 1 to 200 are")]
    fn what_is_not_possible_is_said(#[case] error: CommandError, #[case] text: &str) {
        assert_eq!(error.to_string(), text);
    }

    proptest! {
        #[test]
        fn every_line_fits_and_nothing_is_left_out(
            outputs in proptest::collection::btree_map((0..3_u8, any::<u8>()), 1_000..=5_000_000_u32, 0..40),
            lease in LEASE_MS,
        ) {
            let outputs: Vec<_> = outputs.into_iter().map(|((kind, number), value)| match kind {
                0 => (Pin { kind: PinKind::Level, number }, value % 2),
                1 => (Pin { kind: PinKind::Frequency, number }, value),
                _ => (Pin { kind: PinKind::Duty, number }, value % 1_001),
            }).collect();
            let lines = set(&outputs, lease).unwrap();
            let mut members = Vec::new();
            for line in &lines {
                prop_assert!(line.len() <= COMMAND_MAX, "{}", line);
                let value: serde_json::Value = serde_json::from_str(line.trim_end()).unwrap();
                prop_assert_eq!(value["lease_ms"].as_u64(), Some(u64::from(lease)));
                let set = value["set"].as_object().unwrap();
                prop_assert!(!set.is_empty());
                members.extend(set.iter().map(|(name, value)| (name.clone(), value.as_u64().unwrap())));
            }
            members.sort();
            let mut wanted: Vec<_> =
                outputs.iter().map(|(pin, value)| (pin.to_string(), u64::from(*value))).collect();
            wanted.sort();
            prop_assert_eq!(members, wanted);
        }
    }
}
