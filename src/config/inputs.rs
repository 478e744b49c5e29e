//! What of a line a channel reads: `input = "a0"`, with `take` and `slowest`.
//!
//! Owns the names of pins and fields in each form of line. In the counts form `aN`, `pN` and `dN` are pins, `vcc` the
//! supply, anything else a number. In the columns and pairs forms every name is a number, but for `vcc`, and for `aN`
//! where a circuit or a sensor for volts or ohms is given: those are counts of a converter of 10 bits then.

use super::links::{Links, is_field_name, which_column};
use super::model::{Field, LinkId, Take};
use super::read::{Item, Section, short};
use super::sink::{Sink, listed};
use crate::time::{MILLISECOND, Micros, SECOND};
use crate::unit::Unit;
use crate::wire::{FieldId, Form, NMEA_FIELDS, Pin, PinKind};

/// What the sensor's curve is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Gives {
    /// Volts of an analog pin, or of the sensor behind its circuit.
    Volts,
    /// Ohms of a sensor behind a pull-up or pull-down.
    Ohms,
    /// Edges for each second.
    Hertz,
    /// A number of edges.
    Edges,
    /// A level, 0 or 1.
    Level,
    /// Volts of the supply.
    Supply,
    /// A number.
    Number,
    /// A named sensor that no channel uses: whatever it takes.
    Anything,
}

/// An input that was read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub link: LinkId,
    pub field: Field,
    pub gives: Gives,
    /// The unit that a satellite receiver's field comes in.
    pub native: Option<Unit>,
}

/// What is known of the channel before its input is read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Around {
    /// It has a circuit, or a sensor that takes volts or ohms.
    pub is_analog: bool,
    /// It has a circuit: then whatever its field is called, it is counts.
    pub has_circuit: bool,
    /// Its sensor is a switch.
    pub is_switch: bool,
}

/// The default of `slowest`, as the counts format has it.
const SLOWEST: Micros = SECOND;
/// Names of the counts format that are no signals.
const NOT_SIGNALS: [(&str, &str); 5] = [
    ("s", "it is the number of the reading; lost ones are `link.lost`"),
    ("t", "it is the controller's clock"),
    ("crc", "it is the checksum; wrong ones are counted in `link.bad`"),
    ("hello", "it is no reading"),
    ("link", "write `link.lost`, `link.bad` or `link.resets`"),
];

/// Reads `input` of a channel.
pub(super) fn input(
    item: &Item<'_>,
    section: &Section<'_>,
    around: Around,
    links: &mut Links,
    sink: &mut Sink,
) -> Option<Found> {
    let text = item.short_text(128, "\"a0\"", sink);
    let split = text.and_then(|text| links.split(text, "input", item.span, |_| true, sink));
    let Some(found) = split.and_then(|(link, name)| field(item, section, link, name, around, links, sink)) else {
        // What is read is not known, but how it is read can be wrong all the same.
        pulse_keys(section, sink);
        return None;
    };
    if !matches!(found.field, Field::Pulse { .. }) {
        for key in ["take", "slowest"].into_iter().filter(|key| section.has(key)) {
            let what = format!("`{key}` has no place here");
            sink.error(section.key_span(key), what, "only a pulse pin has it; for example input = \"p2\"");
        }
    }
    Some(found)
}

fn field(
    item: &Item<'_>,
    section: &Section<'_>,
    link: LinkId,
    name: &str,
    around: Around,
    links: &mut Links,
    sink: &mut Sink,
) -> Option<Found> {
    let found = |field, gives| Some(Found { link, field, gives, native: None });
    if let Some(total) = name.strip_prefix("link.") {
        return found(link_total(item, total, sink)?, Gives::Number);
    }
    let form = links.list[link.index()].form.clone();
    match form {
        Form::Nmea => return receiver(item, link, name, around, links, sink),
        Form::Columns { names: Some(names), .. } if !names.iter().any(|known| known == name) => {
            let remedy = which_column(name, &names, sink);
            sink.absent(item.span, format!("there is no column `{}`", short(name)), remedy);
            return None;
        }
        Form::Counts { .. } => {
            if let Some(pin) = Pin::parse(name).filter(|pin| pin.kind.is_input()) {
                return pin_field(pin.kind, section, link, name, links, sink);
            }
            check_signal(item, name, sink)?;
        }
        _ => {
            let counts = around.has_circuit || (around.is_analog && is_analog_pin(name));
            if counts && name != "vcc" {
                return found(Field::Analog(links.field(link, name)), Gives::Volts);
            }
        }
    }
    if name == "vcc" {
        return found(Field::Supply, Gives::Supply);
    }
    if !is_field_name(name) {
        let what = format!("`{}` is no field of a line", short(name));
        sink.error(item.span, what, "for example \"a0\", \"p2\", \"d4\" or \"vcc\"");
        return None;
    }
    Some(number(links.field(link, name), link, around, None))
}

/// A number that comes with a meaning; a level where a switch is to read it.
fn number(field: FieldId, link: LinkId, around: Around, native: Option<Unit>) -> Found {
    if around.is_switch {
        Found { link, field: Field::Digital(field), gives: Gives::Level, native: None }
    } else {
        Found { link, field: Field::Number(field), gives: Gives::Number, native }
    }
}

fn link_total(item: &Item<'_>, name: &str, sink: &mut Sink) -> Option<Field> {
    match name {
        "lost" => Some(Field::LinkLost),
        "bad" => Some(Field::LinkBad),
        "resets" => Some(Field::LinkResets),
        _ => {
            let what = format!("a link does not count `{}`", short(name));
            let remedy = sink.did_you_mean(name, ["lost", "bad", "resets"], || {
                "there are `link.lost`, `link.bad`, `link.resets`".to_owned()
            });
            sink.error(item.span, what, remedy);
            None
        }
    }
}

fn receiver(
    item: &Item<'_>,
    link: LinkId,
    name: &str,
    around: Around,
    links: &mut Links,
    sink: &mut Sink,
) -> Option<Found> {
    if !NMEA_FIELDS.contains(&name) {
        let remedy = sink.did_you_mean(name, NMEA_FIELDS, || format!("there are {}", listed(NMEA_FIELDS, 18)));
        sink.error(item.span, format!("a satellite receiver gives no `{}`", short(name)), remedy);
        return None;
    }
    let unit = match name {
        "speed_m_per_s" => Unit::METRE_PER_SECOND,
        "speed_km_per_h" => Unit::KM_PER_HOUR,
        "altitude_m" | "geoid_separation_m" => Unit::parse("m")?,
        "utc_s" => Unit::SECOND,
        _ => Unit::ONE,
    };
    Some(number(links.field(link, name), link, around, Some(unit)))
}

fn is_analog_pin(name: &str) -> bool {
    Pin::parse(name).is_some_and(|pin| pin.kind == PinKind::Analog)
}

/// Names that have a meaning of their own in the counts format, and pins in capitals as boards have them printed on.
fn check_signal(item: &Item<'_>, name: &str, sink: &mut Sink) -> Option<()> {
    if let Some((_, why)) = NOT_SIGNALS.iter().find(|(known, _)| *known == name) {
        sink.error(item.span, format!("`{name}` is no signal"), *why);
        return None;
    }
    let small = name.to_ascii_lowercase();
    if small != name && (Pin::parse(&small).is_some_and(|pin| pin.kind.is_input()) || small == "vcc") {
        sink.error(item.span, format!("there is no field `{name}`"), format!("write \"{small}\""));
        return None;
    }
    let of_input = |letter: char| PinKind::of_letter(letter).is_some_and(PinKind::is_input);
    let number = name.strip_prefix(of_input).unwrap_or_default();
    if !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit()) {
        let remedy = format!("pins are numbered 0 to {}, without leading zeros", Pin::HIGHEST);
        sink.error(item.span, format!("there is no pin `{}`", short(name)), remedy);
        return None;
    }
    Some(())
}

fn pin_field(
    kind: PinKind,
    section: &Section<'_>,
    link: LinkId,
    name: &str,
    links: &mut Links,
    sink: &mut Sink,
) -> Option<Found> {
    let id = links.field(link, name);
    let (field, gives) = match kind {
        PinKind::Analog => (Field::Analog(id), Gives::Volts),
        PinKind::Level => (Field::Digital(id), Gives::Level),
        PinKind::Edges => {
            let (take, slowest) = pulse_keys(section, sink)?;
            let gives = match take {
                Take::Rate => Gives::Hertz,
                Take::Count => Gives::Edges,
                Take::Spread => Gives::Number,
            };
            (Field::Pulse { field: id, take, slowest }, gives)
        }
        PinKind::Ringing | PinKind::Frequency | PinKind::Duty => (Field::Number(id), Gives::Number),
    };
    Some(Found { link, field, gives, native: None })
}

fn pulse_keys(section: &Section<'_>, sink: &mut Sink) -> Option<(Take, Micros)> {
    let take = match section.get("take", sink) {
        Some(item) => item.word(&[("rate", Take::Rate), ("count", Take::Count), ("spread", Take::Spread)], sink),
        None => Some(Take::Rate),
    };
    let slowest = match section.get("slowest", sink) {
        // The controller never sends an edge as older than 30 min.
        Some(item) => item.time(MILLISECOND, 1_800 * SECOND, sink),
        None => Some(SLOWEST),
    };
    Some((take?, slowest?))
}
