//! What a line to the controller sets: read back from the line itself, so that a replay knows what the drive did.
//!
//! Owns the reading of `set` lines. Whatever else is in a line, and whatever is wrong with it, sets nothing.

use super::{LEASE_MS, Pin};
use crate::time::{MILLISECOND, Micros};

/// A `set`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Set<'a> {
    members: &'a str,
    /// How long it holds, µs.
    pub lease: Micros,
}

impl<'a> Set<'a> {
    /// The `set` that `line` is.
    pub fn parse(line: &'a [u8]) -> Option<Self> {
        let rest = std::str::from_utf8(line).ok()?.strip_prefix(r#"{"set":{"#)?;
        let (members, rest) = rest.split_once('}')?;
        let rest = rest.strip_prefix(r#","lease_ms":"#)?;
        let digits = rest.split(|c: char| !c.is_ascii_digit()).next()?;
        let lease: u32 = digits.parse().ok().filter(|lease| LEASE_MS.contains(lease))?;
        Some(Self { members, lease: Micros::from(lease) * MILLISECOND })
    }

    /// Its pins with what they are set to.
    pub fn members(self) -> impl Iterator<Item = (Pin, u32)> {
        self.members.split(',').filter_map(|member| {
            let (name, value) = member.split_once(':')?;
            let pin = Pin::parse(name.strip_prefix('"')?.strip_suffix('"')?)?;
            let value = value.parse().ok().filter(|value| pin.may_be(*value))?;
            Some((pin, value))
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::wire::set;

    #[test]
    fn what_is_written_is_read_back() {
        let outputs =
            ["d7", "d12", "f9", "w6"].map(|name| Pin::parse(name).unwrap()).into_iter().zip([1, 0, 133_333, 250]);
        let outputs: Vec<_> = outputs.collect();
        let lines = set(&outputs, 750).unwrap();
        let read = |line: &String| Set::parse(line.as_bytes()).unwrap().members().collect::<Vec<_>>();
        assert_eq!(lines.iter().flat_map(read).collect::<Vec<_>>(), outputs);
        assert_eq!(Set::parse(lines[0].as_bytes()).unwrap().lease, 750_000);
    }

    #[test]
    fn other_lines_set_nothing() {
        for line in [r#"{"ask":"hello","crc":"1234"}"#, r#"{"rate_hz":100}"#, "", r#"{"set":{"d7":1},"lease_ms":9}"#] {
            assert_eq!(Set::parse(line.as_bytes()), None, "{line}");
        }
        let line = br#"{"set":{"d7":2,"x":1,"p2":1,"d8":-1,d9:1,"d4":1},"lease_ms":10}"#;
        let read: Vec<_> = Set::parse(line).unwrap().members().map(|(pin, value)| (pin.to_string(), value)).collect();
        assert_eq!(read, [("d4".to_owned(), 1)]);
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_without_harm(bytes in proptest::collection::vec(any::<u8>(), 0..100)) {
            let mut line = br#"{"set":{"#.to_vec();
            line.extend(&bytes);
            for line in [&bytes, &line] {
                if let Some(set) = Set::parse(line) {
                    prop_assert!(set.members().all(|(pin, value)| pin.may_be(value)));
                }
            }
        }
    }
}
