//! What the owner of a vehicle should know about each of its links.

use std::fmt;

use crate::config::{Field, Link, Model, Source};
use crate::wire::Form;

/// A link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Port {
    /// Its name.
    pub name: String,
    /// The path or pattern of its device; empty where none is given.
    pub device: String,
    /// Bits per second.
    pub baud: u32,
    /// What should be known about it.
    pub advice: Vec<Advice>,
}

/// Something that is no mistake and should be known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Advice {
    /// Lines without a checksum are taken although they could have one.
    ChecksumNotRequired,
    /// The form has no checksum.
    NoChecksum,
    /// The columns have no names in the config.
    NoNames,
    /// Channels are worked out from counts, and only the sketch can tell the supply.
    SupplyWanted {
        /// The name of the first of them.
        channel: String,
    },
}

impl fmt::Display for Advice {
    /// Sentences in lines of at most 118 columns.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ChecksumNotRequired => f.write_str(
                "Lines without a checksum are taken until 8 right ones came. Once the controller sends them, set\n\
                 checksum = \"required\": without, about four in ten lines that lost one byte give a wrong value.",
            ),
            Self::NoChecksum => f.write_str(
                "This form has no checksum: about four in ten lines that lost one byte give a wrong value.\n\
                 Good enough for the bench; for the road, let the sketch speak the counts format.",
            ),
            Self::NoNames => f.write_str(
                "It has no `names`, so nothing is read before the sketch sends a line with the names of its columns.",
            ),
            Self::SupplyWanted { channel } => write!(
                f,
                "{channel} is worked out from counts, for which the controller's supply must be known: let the sketch send it as\n\
                 `vcc`, in millivolts; until it does, the value is not trusted and its place says `supply`."
            ),
        }
    }
}

impl Port {
    /// What should be known about `link` of `model`.
    pub(super) fn of(model: &Model, link: &Link) -> Self {
        let advice = match &link.form {
            Form::Counts { checksum_required: true } | Form::Nmea => Vec::new(),
            Form::Counts { .. } => vec![Advice::ChecksumNotRequired],
            Form::Columns { names, .. } => {
                let unnamed = names.is_none().then_some(Advice::NoNames);
                let sends_it = |names: &Vec<String>| names.iter().any(|name| name == "vcc" || name == "ref");
                let wanted = supply_wanted(model, link).filter(|_| !names.as_ref().is_some_and(sends_it));
                [Advice::NoChecksum].into_iter().chain(unnamed).chain(wanted).collect()
            }
            Form::Pairs { .. } => [Advice::NoChecksum].into_iter().chain(supply_wanted(model, link)).collect(),
        };
        Self { name: link.name.clone(), device: link.device.clone(), baud: link.baud, advice }
    }
}

/// What a sketch of its own must send besides the values themselves.
fn supply_wanted(model: &Model, link: &Link) -> Option<Advice> {
    let from_counts = model.channels.iter().find(|channel| match &channel.source {
        Source::Input(input) => {
            matches!(input.field, Field::Analog(_)) && model.links[input.link.index()].name == link.name
        }
        Source::Formula(_) => false,
    });
    from_counts.map(|channel| Advice::SupplyWanted { channel: channel.name.clone() })
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;
    use crate::config::load;
    use crate::overview::Overview;

    #[rstest]
    #[case::counts("form = \"counts\"", "", &[Advice::ChecksumNotRequired])]
    #[case::required("checksum = \"required\"", "", &[])]
    #[case::receiver("form = \"nmea\"", "", &[])]
    #[case::named("form = \"columns\"\nnames = [\"oil\"]", "", &[Advice::NoChecksum])]
    #[case::no_names("form = \"columns\"", "", &[Advice::NoChecksum, Advice::NoNames])]
    #[case::pairs("form = \"pairs\"", "input = \"oil\"", &[Advice::NoChecksum])]
    #[case::counts_in_pairs(
        "form = \"pairs\"",
        "input = \"a0\"\ncircuit = { kind = \"direct\" }",
        &[Advice::NoChecksum, Advice::SupplyWanted { channel: "x".into() }]
    )]
    fn each_form_has_its_advice(#[case] link: &str, #[case] channel: &str, #[case] advice: &[Advice]) {
        let channel = if channel.is_empty() { String::new() } else { format!("[channel.x]\n{channel}\n") };
        let loaded = load(&format!("[link.engine]\n{link}\n{channel}"));
        let model = loaded.model.unwrap_or_else(|| panic!("{:?}", loaded.mistakes));
        assert_eq!(Overview::of(&model).links[0].advice, advice);
    }
}
