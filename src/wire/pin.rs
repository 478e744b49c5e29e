//! Pins of the controller as the counts format names them: a letter for the kind, then the number.
//!
//! Owns the letters and the rule for the number, for the lines, the commands and the config alike. Parses no value.

use std::fmt;

/// What a pin gives or does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PinKind {
    /// `aN`: raw counts of an analog input.
    Analog,
    /// `pN`: edges on an input.
    Edges,
    /// `qN`: edges on an input that were ringing and not counted.
    Ringing,
    /// `dN`: a level, read or set: 0 or 1.
    Level,
    /// `fN`: an output with a frequency in mHz, 0 (steady low) or 1,000…5,000,000.
    Frequency,
    /// `wN`: an output with a duty in per mille, 0…1,000.
    Duty,
}

impl PinKind {
    /// Each kind with its letter.
    const LETTERS: [(char, Self); 6] = [
        ('a', Self::Analog),
        ('p', Self::Edges),
        ('q', Self::Ringing),
        ('d', Self::Level),
        ('f', Self::Frequency),
        ('w', Self::Duty),
    ];

    /// The kind that a name with this first letter means.
    pub fn of_letter(letter: char) -> Option<Self> {
        Self::LETTERS.iter().find(|(known, _)| *known == letter).map(|&(_, kind)| kind)
    }

    /// Whether a channel can read it as a signal: the format says what its value is.
    pub const fn is_input(self) -> bool {
        matches!(self, Self::Analog | Self::Edges | Self::Level)
    }

    /// Whether the controller can be told to drive it.
    pub const fn is_output(self) -> bool {
        matches!(self, Self::Level | Self::Frequency | Self::Duty)
    }

    fn letter(self) -> char {
        Self::LETTERS.iter().find(|(_, kind)| *kind == self).map_or('?', |&(letter, _)| letter)
    }
}

/// A pin of the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Pin {
    /// What it gives or does.
    pub kind: PinKind,
    /// Its number, at most [`Pin::HIGHEST`].
    pub number: u8,
}

impl Pin {
    /// The highest number of a pin; the largest boards of the trade have some seventy (common practice, no source).
    pub const HIGHEST: u8 = 99;

    /// The pin that `name` means: `a0`, `p2`, `d7`, `f9`. `None` for anything else, a sign or a leading zero among it.
    ///
    /// ```
    /// use kickpanel::wire::{Pin, PinKind};
    /// assert_eq!(Pin::parse("p2"), Some(Pin { kind: PinKind::Edges, number: 2 }));
    /// assert_eq!(Pin::parse("p02"), None);
    /// ```
    pub fn parse(name: &str) -> Option<Self> {
        let mut letters = name.chars();
        let kind = PinKind::of_letter(letters.next()?)?;
        let digits = letters.as_str();
        let is_plain = digits.bytes().all(|byte| byte.is_ascii_digit()) && (digits == "0" || !digits.starts_with('0'));
        let number = digits.parse().ok().filter(|&number| is_plain && number <= Self::HIGHEST)?;
        Some(Self { kind, number })
    }
}

impl fmt::Display for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", self.kind.letter(), self.number)
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case("a0", PinKind::Analog, 0)]
    #[case("p2", PinKind::Edges, 2)]
    #[case("q2", PinKind::Ringing, 2)]
    #[case("d13", PinKind::Level, 13)]
    #[case("f99", PinKind::Frequency, 99)]
    #[case("w6", PinKind::Duty, 6)]
    fn a_pin_is_read_and_written_as_the_wire_names_it(#[case] name: &str, #[case] kind: PinKind, #[case] number: u8) {
        let pin = Pin::parse(name).unwrap();
        assert_eq!((pin.kind, pin.number), (kind, number));
        assert_eq!(pin.to_string(), name);
    }

    #[rstest]
    #[case::beyond_the_highest("a100")]
    #[case::far_beyond("w256")]
    #[case::leading_zero("d07")]
    #[case::two_zeros("d00")]
    #[case::sign("d+7")]
    #[case::no_number("d")]
    #[case::nothing("")]
    #[case::no_letter("7")]
    #[case::another_letter("x7")]
    #[case::no_ascii("ä7")]
    #[case::capital("D7")]
    #[case::blank("d7 ")]
    #[case::other_digits("d٧")]
    fn what_is_no_pin_is_none(#[case] name: &str) {
        assert_eq!(Pin::parse(name), None);
    }

    #[test]
    fn only_a_level_is_read_and_driven() {
        let both = PinKind::LETTERS.iter().filter(|(_, kind)| kind.is_input() && kind.is_output());
        assert_eq!(both.map(|(letter, _)| *letter).collect::<String>(), "d");
    }
}
