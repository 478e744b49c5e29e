//! The names of one link's fields, and what the counts format says of each.
//!
//! Owns the table of names that the config uses, the names that came besides, and the rule which name is which kind of
//! field. In: names. Out: [`Target`]s. Parses no value.

use super::FieldId;
use super::pin::{Pin, PinKind};

/// The most distinct names that the config does not use and that are kept.
pub(super) const UNKNOWN_MAX: usize = 256;

/// What the counts format says of a member.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Class {
    /// `s`: integer 0…65,535.
    Sequence,
    /// `t`: integer 0…2^32 − 1.
    Clock,
    /// `ref`: number 1…`adc_max`.
    Reference,
    /// `aN`: number 0…`adc_max`.
    Analog,
    /// `dN`: integer 0 or 1.
    Level,
    /// `pN`: two or four integers.
    Pulse,
    /// A number that the format or the config knows.
    Number,
    /// A name that neither knows: what is no number is passed over.
    Unknown,
}

/// What to do with a member of some name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Target {
    /// What its value must be.
    pub class: Class,
    /// Where it goes; [`Target::NOWHERE`] where the config does not use it.
    pub slot: u16,
}

impl Target {
    /// No field of any link.
    pub(super) const NOWHERE: u16 = u16::MAX;
}

/// The names of one link.
#[derive(Clone, Debug)]
pub(super) struct Fields {
    /// By [`FieldId`].
    names: Vec<String>,
    unknown: Vec<String>,
    /// How many values came under names beyond [`UNKNOWN_MAX`].
    passed_over: u64,
}

impl Fields {
    /// The fields that every link has, then those that the config uses.
    pub(super) fn new(config: &[String]) -> Self {
        let names = FieldId::FIXED.into_iter().map(String::from).chain(config.iter().cloned()).collect();
        Self { names, unknown: Vec::new(), passed_over: 0 }
    }

    pub(super) fn names(&self) -> &[String] {
        &self.names
    }

    pub(super) fn unknown(&self) -> &[String] {
        &self.unknown
    }

    pub(super) fn passed_over(&self) -> u64 {
        self.passed_over
    }

    /// Where `name` goes, if the config uses it. The first of two equal names counts.
    pub(super) fn slot(&self, name: &str) -> Option<u16> {
        self.names.iter().position(|known| known == name).and_then(|slot| u16::try_from(slot).ok())
    }

    /// What to do with a member called `name` in the counts form.
    pub(super) fn target(&self, name: &str) -> Target {
        let slot = self.slot(name);
        let class = class(name).unwrap_or(if slot.is_some() { Class::Number } else { Class::Unknown });
        Target { class, slot: slot.unwrap_or(Target::NOWHERE) }
    }

    /// A value came under `name`, which the config does not use. True where the name is kept.
    pub(super) fn note_unknown(&mut self, name: &str) -> bool {
        if self.unknown.iter().any(|known| known == name) {
            return true;
        }
        if self.unknown.len() == UNKNOWN_MAX {
            self.passed_over = self.passed_over.saturating_add(1);
            return false;
        }
        self.unknown.push(name.to_owned());
        true
    }
}

/// What the format itself says of `name`.
fn class(name: &str) -> Option<Class> {
    match name {
        "s" => return Some(Class::Sequence),
        "t" => return Some(Class::Clock),
        "ref" => return Some(Class::Reference),
        "vcc" => return Some(Class::Number),
        _ => {}
    }
    Some(match Pin::parse(name)?.kind {
        PinKind::Analog => Class::Analog,
        PinKind::Edges => Class::Pulse,
        PinKind::Level => Class::Level,
        PinKind::Frequency | PinKind::Duty | PinKind::Ringing => Class::Number,
    })
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case("s", Class::Sequence, Target::NOWHERE)]
    #[case("ref", Class::Reference, 0)]
    #[case("vcc", Class::Number, 1)]
    #[case("oil", Class::Number, 2)]
    #[case("a0", Class::Analog, 3)]
    #[case("a15", Class::Analog, Target::NOWHERE)]
    #[case("a", Class::Unknown, Target::NOWHERE)]
    #[case("a01", Class::Unknown, Target::NOWHERE)]
    #[case("a99", Class::Analog, Target::NOWHERE)]
    #[case("a100", Class::Unknown, Target::NOWHERE)]
    #[case("p2", Class::Pulse, Target::NOWHERE)]
    #[case("d4", Class::Level, Target::NOWHERE)]
    #[case("f9", Class::Number, Target::NOWHERE)]
    #[case("w6", Class::Number, Target::NOWHERE)]
    #[case("q2", Class::Number, Target::NOWHERE)]
    #[case("ä1", Class::Unknown, Target::NOWHERE)]
    #[case("", Class::Unknown, Target::NOWHERE)]
    fn each_name_is_one_kind_of_field(#[case] name: &str, #[case] class: Class, #[case] slot: u16) {
        let fields = Fields::new(&["oil".into(), "a0".into()]);
        assert_eq!(fields.target(name), Target { class, slot });
    }

    #[test]
    fn the_257th_unknown_name_is_only_counted() {
        let mut fields = Fields::new(&[]);
        for number in 0..300 {
            assert_eq!(fields.note_unknown(&format!("x{number}")), number < 256);
        }
        assert!(fields.note_unknown("x255"));
        assert_eq!((fields.unknown().len(), fields.passed_over()), (256, 44));
    }
}
