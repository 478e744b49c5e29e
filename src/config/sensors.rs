//! Transfer functions: `[sensor.NAME]` or an inline table, resolved for the channel that uses it.
//!
//! Owns the sensors' keys, which sensor goes with which input, and the way from the sensor's own unit into the
//! channel's. A named sensor is read anew for each channel, since a bare number in it is in that channel's unit.

use super::curves;
use super::inputs::Gives;
use super::keys::{self, Group};
use super::model::{Cold, Sensor, Take};
use super::read::{Item, Section, is_name, short};
use super::settings::difference;
use super::sink::{Sink, Span};
use crate::circuit::Circuit;
use crate::sensor::{Curve, Thermocouple, ThermocoupleType};
use crate::unit::{self, Affine, Unit};

/// What the channel is that a sensor is read for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Site {
    pub gives: Gives,
    /// What of a pulse pin, where it is one.
    pub take: Option<Take>,
    pub circuit: Circuit,
    /// The channel's unit and where it stands, if one is given.
    pub unit: Option<(Unit, Span)>,
    /// The unit that the field comes in, where that is known.
    pub native: Option<Unit>,
}

/// A sensor that was read.
#[derive(Clone, Debug)]
pub(super) struct Built {
    pub sensor: Sensor,
    /// The channel's unit.
    pub unit: Unit,
    /// The values that it can give, in the channel's unit.
    pub range: Option<(f64, f64)>,
    pub words: Option<[String; 2]>,
    /// The channel of the cold junction, and where it is named.
    pub cold: Option<(String, Span)>,
}

/// The kind of a sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Linear,
    Table,
    Thermistor,
    Rtd,
    Thermocouple,
    Polynomial,
    Pulses,
    Switch,
    Number,
}

const KINDS: [(&str, Kind); 9] = [
    ("linear", Kind::Linear),
    ("table", Kind::Table),
    ("thermistor", Kind::Thermistor),
    ("rtd", Kind::Rtd),
    ("thermocouple", Kind::Thermocouple),
    ("polynomial", Kind::Polynomial),
    ("pulses", Kind::Pulses),
    ("switch", Kind::Switch),
    ("number", Kind::Number),
];

/// Longest word for off or on, in columns.
const WORD_COLUMNS: usize = 12;

impl Built {
    pub fn new(sensor: Sensor, unit: Unit, range: Option<(f64, f64)>) -> Self {
        Self { sensor, unit, range, words: None, cold: None }
    }
}

impl Site {
    /// The channel's unit for a sensor whose own unit is `own`, and the line from `own` into it.
    pub fn fit(&self, own: Unit, sink: &mut Sink) -> Option<(Unit, Affine)> {
        let Some((unit, span)) = self.unit else { return Some((own, Affine::IDENTITY)) };
        let line = own.affine(unit);
        if line.is_none() {
            let what = format!("`unit` {unit} does not fit what the channel measures");
            let own_words =
                if own == Unit::ONE { own.kind().name().to_owned() } else { format!("{own}, {}", own.kind().name()) };
            let hint = match (self.gives, unit.kind()) {
                (Gives::Hertz, unit::Kind::Speed | unit::Kind::Flow) => "; a sensor of kind `pulses` makes more of it",
                (Gives::Volts | Gives::Ohms, _)
                    if matches!(own.kind(), unit::Kind::Voltage | unit::Kind::Resistance) =>
                {
                    "; a `sensor` makes more of it"
                }
                _ => "",
            };
            sink.error(span, what, format!("it comes as {own_words}{hint}"));
        }
        line.map(|line| (unit, line))
    }

    /// The unit that bare numbers are in.
    pub fn bare(&self) -> Unit {
        self.unit.map_or(Unit::ONE, |(unit, _)| unit)
    }

    /// The unit of what a curve takes here.
    pub fn takes(&self) -> Unit {
        match self.gives {
            Gives::Volts | Gives::Supply => Unit::VOLT,
            Gives::Ohms => Unit::OHM,
            Gives::Hertz => Unit::HERTZ,
            Gives::Edges | Gives::Level | Gives::Number | Gives::Anything => Unit::ONE,
        }
    }
}

/// The kind of the sensor in `section`; `None` with a mistake.
pub(super) fn kind(section: &Section<'_>, sink: &mut Sink) -> Option<Kind> {
    section.require("kind", "\"linear\"", sink)?.word(&KINDS, sink)
}

/// The kind, if it can be read, without a word about mistakes.
pub(super) fn kind_quietly(section: &Section<'_>, sink: &Sink) -> Option<Kind> {
    let word = section.get("kind", sink)?.value.as_str()?;
    KINDS.iter().find(|(name, _)| *name == word).map(|&(_, kind)| kind)
}

/// The sensor in `section` for a channel that is `site`; `named` is the key that chose it.
pub(super) fn sensor(section: &Section<'_>, chosen_at: Span, site: &Site, sink: &mut Sink) -> Option<Built> {
    let Some(kind) = kind(section, sink) else {
        of_no_kind(section, sink);
        return None;
    };
    section.only(group(kind), sink);
    if check_input(kind, chosen_at, site, sink).is_none() {
        // It may be right elsewhere, and then its own mistakes are still mistakes.
        of_kind(kind, section, &Site { gives: Gives::Anything, take: None, unit: None, native: None, ..*site }, sink);
        return None;
    }
    of_kind(kind, section, site, sink)
}

fn of_kind(kind: Kind, section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    match kind {
        Kind::Linear => curves::linear(section, site, sink),
        Kind::Table => curves::table(section, site, sink),
        Kind::Thermistor => curves::thermistor(section, site, sink),
        Kind::Rtd => curves::rtd(section, site, sink),
        Kind::Polynomial => curves::polynomial(section, site, sink),
        Kind::Thermocouple => thermocouple(section, site, sink),
        Kind::Pulses => pulses(section, site, sink),
        Kind::Switch => switch(section, site, sink),
        Kind::Number => number(section, site, sink),
    }
}

/// Where the kind cannot be read: what is wrong whatever the kind is, and where all keys that stand here go with one
/// kind only, what is wrong with them there.
fn of_no_kind(section: &Section<'_>, sink: &mut Sink) {
    section.only_of_family(keys::LINEAR.family, sink);
    let others = || section.keys().filter(|key| *key != "kind");
    let mut fitting = KINDS.iter().filter(|(_, kind)| others().all(|key| group(*kind).has(key)));
    if let (Some((_, kind)), None, Some(_)) = (fitting.next(), fitting.next(), others().next()) {
        let anything = Site { gives: Gives::Anything, take: None, circuit: Circuit::Direct, unit: None, native: None };
        of_kind(*kind, section, &anything, sink);
        return;
    }
    // The other keys of sensors hold quantities or numbers; these hold words.
    let quantities =
        others().filter(|key| !["type", "per", "between", "words", "of", "gives", "unit", "cold"].contains(key));
    for item in quantities.filter_map(|key| section.get(key, sink)).collect::<Vec<_>>() {
        item.only_units(sink);
    }
}

fn group(kind: Kind) -> &'static Group {
    match kind {
        Kind::Linear => &keys::LINEAR,
        Kind::Table => &keys::TABLE,
        Kind::Thermistor => &keys::THERMISTOR,
        Kind::Rtd => &keys::RTD,
        Kind::Thermocouple => &keys::THERMOCOUPLE,
        Kind::Polynomial => &keys::POLYNOMIAL,
        Kind::Pulses => &keys::PULSES,
        Kind::Switch => &keys::SWITCH,
        Kind::Number => &keys::NUMBER,
    }
}

/// Whether a sensor of that kind goes with that input.
fn check_input(kind: Kind, chosen_at: Span, site: &Site, sink: &mut Sink) -> Option<()> {
    let gives = site.gives;
    let spread = site.take == Some(Take::Spread);
    let (fits, needs, remedy) = match kind {
        Kind::Linear | Kind::Table | Kind::Polynomial => (
            !matches!(gives, Gives::Level | Gives::Edges) && !spread,
            "an analog pin, a frequency or a number",
            "a digital pin takes a `switch`, a count takes `pulses`",
        ),
        Kind::Thermistor | Kind::Rtd => {
            (gives == Gives::Ohms, "a resistance", "give the channel a circuit of kind `pullup` or `pulldown`")
        }
        Kind::Thermocouple => {
            (gives == Gives::Volts, "volts of an analog pin", "a circuit of kind `amplifier` or `direct` gives them")
        }
        Kind::Pulses => (matches!(gives, Gives::Hertz | Gives::Edges), "a pulse pin", "for example input = \"p2\""),
        Kind::Switch => (gives == Gives::Level, "a digital pin or a field of a line", "for example input = \"d4\""),
        Kind::Number => (
            matches!(gives, Gives::Number | Gives::Supply),
            "a field that is a number",
            "an analog pin takes `linear`, a pulse pin `pulses`, a digital pin `switch`",
        ),
    };
    if fits || gives == Gives::Anything {
        return Some(());
    }
    let name = KINDS.iter().find(|(_, known)| *known == kind).map_or("", |(name, _)| name);
    sink.error(chosen_at, format!("a sensor of kind `{name}` needs {needs}"), remedy);
    None
}

/// What a channel is without a sensor.
pub(super) fn without(site: &Site, sink: &mut Sink) -> Option<Built> {
    match site.gives {
        Gives::Volts | Gives::Ohms => {
            let takes = site.takes();
            let (unit, into) = site.fit(takes, sink)?;
            let sensor = Sensor::Curve { curve: Curve::Same, ratiometric: None, takes, into, live_zero: None };
            Some(Built::new(sensor, unit, None))
        }
        Gives::Hertz => {
            let (unit, into) = site.fit(Unit::HERTZ, sink)?;
            Some(Built::new(Sensor::Pulses { times: into.at(1.0) }, unit, None))
        }
        Gives::Edges => {
            let (unit, into) = site.fit(Unit::ONE, sink)?;
            Some(Built::new(Sensor::Pulses { times: into.at(1.0) }, unit, None))
        }
        Gives::Level => {
            let (unit, _) = site.fit(Unit::ONE, sink)?;
            let words = Some(["off".to_owned(), "on".to_owned()]);
            Some(Built { words, ..Built::new(Sensor::Switch { on: true }, unit, Some((0.0, 1.0))) })
        }
        Gives::Supply => with_meaning(1.0, 0.0, Unit::VOLT, site, sink),
        Gives::Number | Gives::Anything => {
            let spread = site.take == Some(Take::Spread);
            let own = if spread { Unit::ONE } else { site.native.unwrap_or(site.bare()) };
            with_meaning(1.0, 0.0, own, site, sink)
        }
    }
}

fn with_meaning(times: f64, plus: f64, own: Unit, site: &Site, sink: &mut Sink) -> Option<Built> {
    let (unit, into) = site.fit(own, sink)?;
    Some(Built::new(Sensor::Number { times, plus, into }, unit, None))
}

fn number(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    let own = match section.get("unit", sink) {
        Some(item) => item.unit(sink),
        None if site.gives == Gives::Supply => Some(Unit::VOLT),
        None => Some(site.native.unwrap_or(site.bare())),
    };
    let times = match section.get("times", sink) {
        Some(item) => item.number(-1e12, 1e12, "0.1", sink),
        None => Some(1.0),
    };
    let plus = match section.get("plus", sink) {
        Some(item) => difference(&item, own, sink),
        None => Some(0.0),
    };
    with_meaning(times?, plus?, own?, site, sink)
}

fn pulses(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    let count = section.require("count", "2", sink).and_then(|item| item.number(1e-3, 1e9, "2", sink));
    let words = [("rev", 0_u8), ("km", 1), ("mi", 2), ("L", 3)];
    let per = section.require("per", "\"rev\"", sink).and_then(|item| item.word(&words, sink));
    let (count, per) = (count?, per?);
    // One edge each second makes so many of the own unit: 3,600 edges of 1 km each in an hour are 3,600 km/h.
    let (rate, for_rate, total) = match per {
        0 => ("1/min", 60.0, "1"),
        1 => ("km/h", 3600.0, "km"),
        2 => ("mph", 3600.0, "mi"),
        _ => ("L/h", 3600.0, "L"),
    };
    let (own, each) = if site.gives == Gives::Edges { (total, 1.0) } else { (rate, for_rate) };
    let (unit, into) = site.fit(Unit::parse(own)?, sink)?;
    Some(Built::new(Sensor::Pulses { times: into.at(each / count) }, unit, None))
}

fn switch(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    let on = match section.get("on", sink) {
        Some(item) => item.integer(0, 1, "1", sink).map(|level| level == 1),
        None => Some(true),
    };
    let words = match section.get("words", sink) {
        Some(item) => words(&item, sink),
        None => Some(["off".to_owned(), "on".to_owned()]),
    };
    let (unit, _) = site.fit(Unit::ONE, sink)?;
    Some(Built { words: Some(words?), ..Built::new(Sensor::Switch { on: on? }, unit, Some((0.0, 1.0))) })
}

fn words(item: &Item<'_>, sink: &mut Sink) -> Option<[String; 2]> {
    item.both("[\"off\", \"on\"]", sink, |at, word, sink| {
        let example = if at == 0 { "\"off\"" } else { "\"on\"" };
        word.label(WORD_COLUMNS, example, sink).map(str::to_owned)
    })
}

fn thermocouple(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    let letters = [
        ("K", ThermocoupleType::K),
        ("B", ThermocoupleType::B),
        ("E", ThermocoupleType::E),
        ("J", ThermocoupleType::J),
        ("N", ThermocoupleType::N),
        ("R", ThermocoupleType::R),
        ("S", ThermocoupleType::S),
        ("T", ThermocoupleType::T),
    ];
    let letter = section.require("type", "\"K\"", sink).and_then(|item| item.word(&letters, sink));
    let cold = section.require("cold", "\"box_temperature\"", sink).and_then(|item| cold(&item, sink));
    let (unit, into) = site.fit(Unit::CELSIUS, sink)?;
    let ((cold, name), letter) = (cold?, letter?);
    let (least, most) = celsius_range(letter);
    let sensor = Sensor::Thermocouple { curve: Thermocouple::new(letter), cold, into };
    Some(Built { cold: name, ..Built::new(sensor, unit, Some((into.at(least), into.at(most)))) })
}

/// Ranges of the reference functions in degC (IEC 60584-1).
fn celsius_range(letter: ThermocoupleType) -> (f64, f64) {
    match letter {
        ThermocoupleType::B => (0.0, 1820.0),
        ThermocoupleType::E => (-270.0, 1000.0),
        ThermocoupleType::J => (-210.0, 1200.0),
        ThermocoupleType::K => (-270.0, 1372.0),
        ThermocoupleType::N => (-270.0, 1300.0),
        ThermocoupleType::R | ThermocoupleType::S => (-50.0, 1768.1),
        ThermocoupleType::T => (-270.0, 400.0),
    }
}

/// A temperature, or the name of a channel: which channel is found once all have been read.
fn cold(item: &Item<'_>, sink: &mut Sink) -> Option<(Cold, Option<(String, Span)>)> {
    if let Some(name) = item.value.as_str().filter(|text| is_name(text)) {
        return Some((Cold::Celsius(0.0), Some((name.to_owned(), item.span))));
    }
    if item.value.as_str().is_some() && item.unit_written().is_none() {
        let text = short(item.value.as_str().unwrap_or_default());
        sink.error(item.span, format!("`cold` cannot be `{text}`"), "a channel, or a temperature such as \"25 degC\"");
        return None;
    }
    let celsius = item.quantity(Unit::CELSIUS, -100.0, 200.0, sink)?;
    Some((Cold::Celsius(celsius), None))
}
