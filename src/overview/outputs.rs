//! What is driven, by which rule, and what the owner should know about it.
//!
//! Owns which pins kickpanel's own firmware switches as it is built, and the advice on outputs. In: a model. Out: plain structs.

use std::fmt;

use crate::config::{Drive, Model, Output};
use crate::output;
use crate::time::Micros;
use crate::unit::Unit;
use crate::wire::{Form, Pin, PinKind};

/// The pins that kickpanel's own firmware drives as it is built: on and off, a square wave, a share of the time. Held against
/// its header by a test.
const OWN: [(PinKind, &[u8]); 3] = [(PinKind::Level, &[7, 12]), (PinKind::Frequency, &[9]), (PinKind::Duty, &[6])];

/// An output.
#[derive(Clone, Debug, PartialEq)]
pub struct Driven {
    /// Its name.
    pub name: String,
    /// The name of the link whose controller has the pin.
    pub link: String,
    /// The pin.
    pub pin: Pin,
    /// Sent at all; else only computed and shown.
    pub armed: bool,
    /// What it does.
    pub rule: Ruled,
    /// How long what is sent holds, µs.
    pub lease: Micros,
    /// What should be known about it.
    pub advice: Vec<OutputAdvice>,
}

/// The rule of an output, as written.
#[derive(Clone, Debug, PartialEq)]
pub enum Ruled {
    /// Switched by conditions.
    Switched {
        /// On while this holds.
        on: String,
        /// Off while this holds or is not known.
        off_if: Option<String>,
        /// On at most so long in one go.
        longest: Option<Micros>,
        /// Off at least so long between two.
        rest: Micros,
    },
    /// A frequency (Hz) or a duty (a share) after a channel.
    Follows {
        /// The channel.
        from: String,
        /// Its unit.
        unit: Unit,
        /// Points with straight pieces between.
        points: Vec<(f64, f64)>,
        /// While the channel cannot be trusted.
        rest_at: f64,
    },
}

/// Something about an output that is no mistake and should be known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OutputAdvice {
    /// kickpanel's own firmware does not drive that pin as it is built.
    NotOwn(Pin),
    /// The rule looks at a link whose lines have no clock.
    NoClock {
        /// The link's name.
        link: String,
    },
}

impl fmt::Display for OutputAdvice {
    /// Sentences in lines of at most 118 columns.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotOwn(pin) => write!(
                f,
                "Warning: kickpanel's own firmware, as `kickpanel firmware` writes it, drives {} and not {pin}.\n\
                 Use one of those, change its board.h, or have a sketch of your own that names {pin} in its hello.",
                own()
            ),
            Self::NoClock { link } => write!(
                f,
                "Warning: the lines of {link} have no clock, so that old readings that waited in the computer cannot be told\n\
                 from new ones. Switch by the counts form, or let the sketch send its clock."
            ),
        }
    }
}

/// The pins of [`OWN`] in words.
fn own() -> String {
    let names =
        OWN.iter().flat_map(|(kind, numbers)| numbers.iter().map(|number| Pin { kind: *kind, number: *number }));
    let names: Vec<String> = names.map(|pin| pin.to_string()).collect();
    names.join(", ")
}

/// The outputs of `model`.
pub(super) fn all(model: &Model) -> Vec<Driven> {
    model.outputs.iter().map(|output| driven(model, output)).collect()
}

fn driven(model: &Model, output: &Output) -> Driven {
    Driven {
        name: output.name.clone(),
        link: model.links[output.link.index()].name.clone(),
        pin: output.pin,
        armed: output.armed,
        rule: ruled(model, &output.drive),
        lease: Micros::from(output::LEASE_MS) * crate::time::MILLISECOND,
        advice: advice(model, output),
    }
}

fn ruled(model: &Model, drive: &Drive) -> Ruled {
    match drive {
        Drive::Switch { on, off_if, longest, rest } => Ruled::Switched {
            on: on.text.clone(),
            off_if: off_if.as_ref().map(|formula| formula.text.clone()),
            longest: *longest,
            rest: *rest,
        },
        Drive::Follow { from, points, rest_at } => {
            let channel = &model.channels[from.index()];
            Ruled::Follows { from: channel.name.clone(), unit: channel.unit, points: points.clone(), rest_at: *rest_at }
        }
    }
}

fn advice(model: &Model, output: &Output) -> Vec<OutputAdvice> {
    let is_own = OWN.iter().any(|(kind, numbers)| *kind == output.pin.kind && numbers.contains(&output.pin.number));
    let counts = matches!(model.links[output.link.index()].form, Form::Counts { .. });
    let mut advice: Vec<_> = (counts && !is_own).then_some(OutputAdvice::NotOwn(output.pin)).into_iter().collect();
    let mut links: Vec<_> = output::looks_at(model, &output.drive).into_iter().map(|(_, link)| link).collect();
    crate::order::by(&mut links, Ord::cmp);
    links.dedup();
    for link in links.into_iter().map(|link| &model.links[link.index()]).filter(|link| !link.form.has_clock()) {
        advice.push(OutputAdvice::NoClock { link: link.name.clone() });
    }
    advice
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::load;
    use crate::overview::Overview;
    use crate::time::SECOND;

    const BOARD_HEADER: &str = include_str!("../controller/firmware/board.h");

    fn outputs(text: &str) -> Vec<Driven> {
        let loaded = load(text);
        Overview::of(&loaded.model.unwrap_or_else(|| panic!("{:?}", loaded.mistakes))).outputs
    }

    #[test]
    fn the_pins_of_the_own_firmware_are_those_of_its_header() {
        let list = |kind: PinKind| OWN.iter().find(|(own, _)| *own == kind).unwrap().1;
        let switched: Vec<String> = list(PinKind::Level).iter().map(ToString::to_string).collect();
        for line in [
            format!("#define SWITCH_PINS_TEXT \"{}\"", switched.join(",")),
            format!("#define FREQUENCY_PIN {}u", list(PinKind::Frequency)[0]),
            format!("#define DUTY_PIN {}u", list(PinKind::Duty)[0]),
        ] {
            assert!(BOARD_HEADER.contains(&line), "{line}");
        }
    }

    #[test]
    fn an_output_is_listed_with_its_pin_its_rule_and_whether_it_is_sent() {
        let text = "[link.front]\n[link.rear]\n[channel.x]\ninput = \"front:a0\"\nunit = \"V\"\n\
            [output.fan]\npin = \"rear:d7\"\non = \"x > 1\"\noff_if = \"x > 4\"\nlongest = \"30 s\"\nrest = \"10 s\"\n\
            [output.needle]\npin = \"front:f9\"\nfrom = \"x\"\npoints = [[0, \"0 Hz\"], [5, \"200 Hz\"]]\n\
            rest_at = \"20 Hz\"\narmed = true\n";
        let outputs = outputs(text);
        let rows: Vec<_> = outputs.iter().map(|it| (it.link.as_str(), it.pin.to_string(), it.armed)).collect();
        assert_eq!(rows, [("rear", "d7".to_owned(), false), ("front", "f9".to_owned(), true)]);
        let (on, off_if) = ("x > 1".to_owned(), Some("x > 4".to_owned()));
        assert_eq!(outputs[0].rule, Ruled::Switched { on, off_if, longest: Some(30 * SECOND), rest: 10 * SECOND });
        let Ruled::Follows { from, points, rest_at, .. } = &outputs[1].rule else { panic!("{outputs:?}") };
        assert_eq!((from.as_str(), points.len(), *rest_at), ("x", 2, 20.0));
        assert!(outputs.iter().all(|output| output.advice.is_empty()));
    }

    #[test]
    fn pins_that_the_own_firmware_does_not_drive_and_links_without_a_clock_are_told() {
        let head = "[link.own]\n[link.old]\nform = \"pairs\"\n[channel.x]\ninput = \"own:a0\"\nunit = \"V\"\n\
            [channel.y]\ninput = \"old:y\"\nsensor = { kind = \"number\" }\n[channel.z]\nformula = \"x + y\"\n";
        for (pin, on, wanted) in
            [("d7", "x > 1", ""), ("d12", "x > 1", ""), ("d8", "x > 1", "d8"), ("d12", "z > 1", "old")]
        {
            let outputs = outputs(&format!("{head}[output.o]\npin = \"own:{pin}\"\non = \"{on}\"\n"));
            let told: Vec<String> = outputs[0].advice.iter().map(ToString::to_string).collect();
            assert!(
                told.len() == usize::from(!wanted.is_empty()) && told.iter().all(|text| text.contains(wanted)),
                "{told:?}"
            );
            assert!(told.iter().flat_map(|text| text.lines()).all(|line| line.len() <= 118));
        }
        for (pin, is_own) in [("f9", true), ("f10", false), ("w6", true), ("w5", false), ("w11", false)] {
            let unit = if pin.starts_with('f') { "Hz" } else { "%" };
            let points = format!("[[0, \"0 {unit}\"], [5, \"100 {unit}\"]]");
            let text = format!("{head}[output.o]\npin = \"own:{pin}\"\nfrom = \"x\"\npoints = {points}\n");
            assert_eq!(outputs(&text)[0].advice.is_empty(), is_own, "{pin}");
        }
    }
}
