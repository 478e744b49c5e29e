//! Outputs: `[output.NAME]`.
//!
//! Owns their keys, defaults and ranges, and that no pin has two masters.

use super::channels::Channels;
use super::keys;
use super::links::Links;
use super::model::{Drive, Field, Formula, LinkId, Output, Source};
use super::names::Bare;
use super::read::{Item, Named, Section, check_name, short};
use super::sink::Sink;
use crate::time::{MILLISECOND, Micros, SECOND};
use crate::unit::Unit;
use crate::wire::{FieldId, Form, Pin, PinKind};

const DAY: Micros = 86_400 * SECOND;
/// Off at least so long between two, unless given: no relay is to chatter.
const REST: Micros = SECOND;
/// The slowest and fastest square wave of the counts format, in Hz. 0 is a steady low.
const FREQUENCIES: (f64, f64) = (1.0, 5_000.0);
const MOST_POINTS: usize = 64;

/// All outputs of the file.
pub(super) fn read(
    top: &Section<'_>,
    channels: &Channels<'_>,
    links: &mut Links,
    text: &str,
    sink: &mut Sink,
) -> Vec<Output> {
    let list = top.named("output", sink);
    let mut taken: Vec<Taken> = inputs(channels, links);
    let mut outputs = Vec::new();
    for named in &list {
        let place = format!("output.{}", short(named.name));
        outputs.extend(sink.within(place, |sink| output(named, channels, links, &mut taken, text, sink)));
    }
    outputs
}

/// A pin that is used already.
struct Taken {
    link: LinkId,
    number: u8,
    /// Only its level is read.
    level: bool,
    who: String,
}

/// The pins that channels read, by link and number. The level of an output may be read: readings carry what each `d`
/// output really does, as `dN`.
fn inputs(channels: &Channels<'_>, links: &Links) -> Vec<Taken> {
    let mut taken = Vec::new();
    for channel in channels.list.iter().flatten() {
        let Source::Input(input) = &channel.source else { continue };
        let (Field::Digital(field) | Field::Pulse { field, .. }) = input.field else { continue };
        let name = field_name(links, input.link, field);
        let pin = name.and_then(Pin::parse);
        if let Some(pin) = pin.filter(|pin| matches!(pin.kind, PinKind::Level | PinKind::Edges)) {
            let who = format!("channel `{}` reads it", channel.name);
            taken.push(Taken { link: input.link, number: pin.number, level: pin.kind == PinKind::Level, who });
        }
    }
    taken
}

fn field_name(links: &Links, link: LinkId, field: FieldId) -> Option<&str> {
    let at = field.index().checked_sub(FieldId::FIXED.len())?;
    links.list.get(link.index())?.fields.get(at).map(String::as_str)
}

fn output(
    named: &Named<'_>,
    channels: &Channels<'_>,
    links: &mut Links,
    taken: &mut Vec<Taken>,
    text: &str,
    sink: &mut Sink,
) -> Option<Output> {
    check_name(named, sink);
    let section = &named.section;
    let pin = section.require("pin", "\"d7\"", sink).and_then(|item| pin(&item, named.name, links, taken, sink));
    let is_switch = match pin {
        Some((_, pin)) => pin.kind == PinKind::Level,
        None => section.has("on") || !section.has("from"),
    };
    let group = if is_switch { &keys::OUTPUT_SWITCH } else { &keys::OUTPUT_FOLLOW };
    if pin.is_some() || !section.has("pin") {
        section.only(group, sink);
    } else {
        section.only_of_family(group.family, sink);
    }
    let armed = section.get("armed", sink).and_then(|item| item.boolean(sink)).unwrap_or(false);
    let is_duty = pin.map(|(_, pin)| pin.kind == PinKind::Duty);
    let drive =
        if is_switch { switch(section, channels, text, sink) } else { follow(section, channels, is_duty, sink) };
    let (link, pin) = pin?;
    // Readings carry what the pin really does under its own name.
    let field = links.field(link, &pin.to_string());
    Some(Output { name: named.name.to_owned(), link, pin, field, drive: drive?, armed })
}

fn pin(item: &Item<'_>, name: &str, links: &Links, taken: &mut Vec<Taken>, sink: &mut Sink) -> Option<(LinkId, Pin)> {
    let written = item.text("\"d7\"", sink)?;
    let (link, text) = links.split(written, "pin", item.span, |form| matches!(form, Form::Counts { .. }), sink)?;
    if !matches!(links.list[link.index()].form, Form::Counts { .. }) {
        sink.error(item.span, "only a link of form `counts` has outputs", "the other forms send nothing back");
        return None;
    }
    let Some(pin) = Pin::parse(text).filter(|pin| pin.kind.is_output()) else {
        let what = format!("`{}` is no output pin", short(text));
        sink.error(item.span, what, "d, f or w with the number of the pin; for example \"d7\"");
        return None;
    };
    let number = pin.number;
    let reads_back = |taken: &Taken| taken.level && pin.kind == PinKind::Level;
    if let Some(other) = taken.iter().find(|other| (other.link, other.number) == (link, number) && !reads_back(other)) {
        sink.error(item.span, format!("pin {number} is taken"), other.who.clone());
    }
    taken.push(Taken { link, number, level: false, who: format!("output `{}` drives it", short(name)) });
    Some((link, pin))
}

fn switch(section: &Section<'_>, channels: &Channels<'_>, text: &str, sink: &mut Sink) -> Option<Drive> {
    let on = section.require("on", "\"coolant < 5 and rpm > 0\"", sink);
    let on: Option<Formula> = on.and_then(|item| channels.names.condition(&item, text, Bare::Wrong, sink));
    let off_if = section.get("off_if", sink).map(|item| channels.names.condition(&item, text, Bare::Wrong, sink));
    let longest = section.get("longest", sink).map(|item| item.time(100 * MILLISECOND, DAY, sink));
    let rest = section.get("rest", sink).map_or(Some(REST), |item| item.time(0, DAY, sink));
    Some(Drive::Switch {
        on: on?,
        off_if: off_if.map_or(Some(None), |formula| formula.map(Some))?,
        longest: longest.map_or(Some(None), |time| time.map(Some))?,
        rest: rest?,
    })
}

fn follow(section: &Section<'_>, channels: &Channels<'_>, is_duty: Option<bool>, sink: &mut Sink) -> Option<Drive> {
    let from = section.require("from", "\"rpm\"", sink).and_then(|item| channels.names.named_by(&item, sink));
    let unit = from.and_then(|id| channels.get(id)).map(|channel| channel.unit);
    let example =
        if is_duty == Some(true) { "[[0, \"0 %\"], [100, \"80 %\"]]" } else { "[[0, \"0 Hz\"], [6000, \"200 Hz\"]]" };
    let points = section.require("points", example, sink);
    let points = points.and_then(|item| {
        let points = item.all(2, MOST_POINTS, example, sink, |_, item, sink| point(item, unit, is_duty, sink));
        rising(points?, &item, sink)
    });
    let rest_at = section.get("rest_at", sink).map_or(Some(0.0), |item| drive_level(&item, is_duty, sink));
    Some(Drive::Follow { from: from?, points: points?, rest_at: rest_at? })
}

fn rising(points: Vec<(f64, f64)>, item: &Item<'_>, sink: &mut Sink) -> Option<Vec<(f64, f64)>> {
    for (at, pair) in points.windows(2).enumerate() {
        if pair[0].0 >= pair[1].0 {
            let span = item.parts().get(at + 1).map_or(item.span, |item| item.span);
            sink.error(span, "the inputs of `points` must rise", "this one is not above the one before");
            return None;
        }
    }
    Some(points)
}

fn point(item: &Item<'_>, unit: Option<Unit>, is_duty: Option<bool>, sink: &mut Sink) -> Option<(f64, f64)> {
    let example = if is_duty == Some(true) { "[100, \"80 %\"]" } else { "[6000, \"200 Hz\"]" };
    let [x, y] = item.both(example, sink, |at, value, sink| match (at, unit) {
        (0, Some(unit)) => value.value_in(unit, sink),
        (0, None) => {
            value.only_units(sink);
            None
        }
        _ => drive_level(value, is_duty, sink),
    })?;
    Some((x, y))
}

/// A frequency in Hz or a duty as a share. Where the pin could not be read, nothing can be said against it.
fn drive_level(item: &Item<'_>, is_duty: Option<bool>, sink: &mut Sink) -> Option<f64> {
    if is_duty.is_none() {
        item.only_units(sink);
    }
    if is_duty? {
        let share = item.written(Unit::ONE, sink)?.in_unit(Unit::ONE)?;
        return item.in_range(share, 0.0, 1.0, || "0 % to 100 %".to_owned(), sink);
    }
    let hertz = item.written(Unit::HERTZ, sink)?.in_unit(Unit::HERTZ)?;
    if hertz == 0.0 {
        return Some(0.0);
    }
    item.in_range(hertz, FREQUENCIES.0, FREQUENCIES.1, || "0 Hz, or 1 Hz to 5000 Hz".to_owned(), sink)
}
