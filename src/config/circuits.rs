//! What sits between pin and sensor: `circuit = { kind = … }`.
//!
//! Owns the circuits' keys and ranges.

use super::keys::{self, Group};
use super::read::{Item, Section};
use super::sink::Sink;
use crate::circuit::{Circuit, Rail};
use crate::unit::Unit;

const EXAMPLE: &str = "{ kind = \"pullup\", resistor = \"2.2 kohm\" }";

#[derive(Clone, Copy)]
enum Word {
    Direct,
    Divider,
    PullUp,
    PullDown,
    Amplifier,
}

/// The circuit that `item` describes; `None` with its mistakes.
pub(super) fn circuit(item: &Item<'_>, sink: &mut Sink) -> Option<Circuit> {
    let section = item.table(EXAMPLE, sink)?;
    let kinds = [
        ("direct", Word::Direct),
        ("divider", Word::Divider),
        ("pullup", Word::PullUp),
        ("pulldown", Word::PullDown),
        ("amplifier", Word::Amplifier),
    ];
    let kind = section.require("kind", "\"pullup\"", sink).and_then(|item| item.word(&kinds, sink));
    let Some(kind) = kind else {
        of_no_kind(&section, sink);
        return None;
    };
    section.only(group(kind), sink);
    match kind {
        Word::Direct => Some(Circuit::Direct),
        Word::Divider => {
            let (top, bottom) = (resistor(&section, "top", sink), resistor(&section, "bottom", sink));
            Some(Circuit::Divider { top: top?, bottom: bottom? })
        }
        Word::PullUp => {
            let (resistor, to) = (resistor(&section, "resistor", sink), rail(&section, sink));
            Some(Circuit::PullUp { resistor: resistor?, to: to? })
        }
        Word::PullDown => {
            let (resistor, to) = (resistor(&section, "resistor", sink), rail(&section, sink));
            Some(Circuit::PullDown { resistor: resistor?, to: to? })
        }
        Word::Amplifier => amplifier(&section, sink),
    }
}

/// Each key means the same in every kind of circuit: what is wrong with one comes to light whatever the kind is.
fn of_no_kind(section: &Section<'_>, sink: &mut Sink) {
    section.only_of_family(keys::DIRECT.family, sink);
    for key in ["top", "bottom", "resistor"].into_iter().filter(|key| section.has(key)) {
        resistor(section, key, sink);
    }
    rail(section, sink);
    section.get("gain", sink).and_then(|item| gain(&item, sink));
    section.get("offset", sink).and_then(|item| offset(&item, sink));
}

fn group(kind: Word) -> &'static Group {
    match kind {
        Word::Direct => &keys::DIRECT,
        Word::Divider => &keys::DIVIDER,
        Word::PullUp => &keys::PULLUP,
        Word::PullDown => &keys::PULLDOWN,
        Word::Amplifier => &keys::AMPLIFIER,
    }
}

fn resistor(section: &Section<'_>, key: &str, sink: &mut Sink) -> Option<f64> {
    section.require(key, "\"2.2 kohm\"", sink)?.quantity(Unit::OHM, 0.1, 1e8, sink)
}

fn rail(section: &Section<'_>, sink: &mut Sink) -> Option<Rail> {
    let Some(item) = section.get("to", sink) else { return Some(Rail::Supply) };
    if item.value.as_str() == Some("vcc") {
        return Some(Rail::Supply);
    }
    if item.unit_written().is_none() {
        item.needs("\"vcc\" or a voltage", "\"5 V\"", sink);
        return None;
    }
    item.quantity(Unit::VOLT, 0.5, 60.0, sink).map(Rail::Volts)
}

fn amplifier(section: &Section<'_>, sink: &mut Sink) -> Option<Circuit> {
    let gain = section.require("gain", "100", sink).and_then(|item| gain(&item, sink));
    let offset = section.get("offset", sink).map_or(Some(0.0), |item| offset(&item, sink));
    Some(Circuit::Amplifier { gain: gain?, offset: offset? })
}

fn gain(item: &Item<'_>, sink: &mut Sink) -> Option<f64> {
    let gain = item.number(-1e5, 1e5, "100", sink)?;
    if gain.abs() < 1e-5 {
        sink.error(item.span, "`gain` is out of range", "0.00001 to 100000, not 0");
        return None;
    }
    Some(gain)
}

fn offset(item: &Item<'_>, sink: &mut Sink) -> Option<f64> {
    item.quantity(Unit::VOLT, -60.0, 60.0, sink)
}
