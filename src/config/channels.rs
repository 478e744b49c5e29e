//! Channels: `[channel.NAME]`.
//!
//! Owns their keys and defaults, the finding of names, and the order in which channels are worked out. Alarms are read
//! by [`super::alarms`], sensors by [`super::sensors`].

use std::collections::{BTreeMap, BTreeSet};

use super::alarms::{self, Subject};
use super::circuits;
use super::formula::WORDS;
use super::inputs::{self, Around, Found, Gives};
use super::keys;
use super::links::Links;
use super::model::{Alarm, Calibration, Channel, ChannelId, Cold, Field, Input, Sensor, Source, Stuck, Take};
use super::names::{Bare, Names};
use super::order;
use super::read::{Item, Named, Section, check_name, short};
use super::sensors::{self, Built, Kind, Site};
use super::settings;
use super::sink::{Sink, Span, listed};
use crate::circuit::Circuit;
use crate::time::{MILLISECOND, Micros, SECOND};
use crate::unit::{self, Affine, Unit};
use crate::wire::{Form, Pin, PinKind};

/// Longest label, in columns.
pub(super) const LABEL_COLUMNS: usize = 24;
/// More channels than this no vehicle has.
const MOST_CHANNELS: usize = 4096;
/// Most decimals that are shown.
const MOST_DIGITS: i64 = 6;
/// A sensor with mistakes is read for so many channels, which brings all of them to light.
const MOST_FAILED: usize = 20;
const DAY: Micros = 86_400 * SECOND;

/// What the other rooms of the config must know of the channels.
pub(super) struct Channels<'a> {
    pub names: Names<'a>,
    /// In the order of the file; `None` where there is a mistake in it.
    pub list: Vec<Option<Channel>>,
    pub order: Vec<ChannelId>,
    pub alarms: Vec<Alarm>,
    /// The indices of those with a `span` that is a mistake.
    pub lost_span: BTreeSet<usize>,
}

impl Channels<'_> {
    /// The channel, if it could be read.
    pub fn get(&self, id: ChannelId) -> Option<&Channel> {
        self.list.get(id.index())?.as_ref()
    }
}

/// One dependency, and where it is written.
struct Need {
    on: ChannelId,
    span: Span,
}

/// Reads all channels.
pub(super) struct Reader<'a, 's> {
    text: &'a str,
    sink: &'s mut Sink,
    links: &'s mut Links,
    names: Names<'a>,
    sensors: BTreeMap<&'a str, Section<'a>>,
    used: BTreeSet<&'a str>,
    /// How often each named sensor could not be read.
    failed: BTreeMap<&'a str, usize>,
    needs: Vec<Vec<Need>>,
    colds: Vec<(usize, String, Span)>,
    alarms: Vec<Alarm>,
    lost_span: BTreeSet<usize>,
}

impl<'a, 's> Reader<'a, 's> {
    pub fn new(text: &'a str, links: &'s mut Links, sink: &'s mut Sink) -> Self {
        Self {
            text,
            sink,
            links,
            names: Names::default(),
            sensors: BTreeMap::new(),
            used: BTreeSet::new(),
            failed: BTreeMap::new(),
            needs: Vec::new(),
            colds: Vec::new(),
            alarms: Vec::new(),
            lost_span: BTreeSet::new(),
        }
    }

    /// All channels of the file.
    pub fn read(mut self, top: &Section<'a>) -> Channels<'a> {
        for named in top.named("sensor", self.sink) {
            self.sink.within(format!("sensor.{}", short(named.name)), |sink| check_name(&named, sink));
            self.sensors.insert(named.name, named.section);
        }
        let mut named = top.named("channel", self.sink);
        if named.len() > MOST_CHANNELS {
            let span = named[MOST_CHANNELS].name_span;
            self.sink.error(span, "too many channels", format!("at most {MOST_CHANNELS}"));
            named.truncate(MOST_CHANNELS);
        }
        for (at, channel) in named.iter().enumerate() {
            let is_number = self.is_number(&channel.section);
            self.names.add(channel.name, id(at), is_number);
        }
        let mut list: Vec<Option<Channel>> = Vec::with_capacity(named.len());
        for (at, channel) in named.iter().enumerate() {
            list.push(self.channel(at, channel));
        }
        self.unused_sensors();
        self.join_colds(&named, &mut list);
        let order = self.order(&named);
        Channels { names: self.names, list, order, alarms: self.alarms, lost_span: self.lost_span }
    }

    /// Whether the channel of `section` is surely a number, neither on nor off. Of one with a mistake nothing is sure, and a
    /// formula may be a condition.
    fn is_number(&self, section: &Section<'_>) -> bool {
        let Some(input) = section.get("input", self.sink).filter(|_| !section.has("formula")) else { return false };
        if let Some(item) = section.get("sensor", self.sink) {
            let inline = item.value.as_table().map(|table| Section::new(table, item.span));
            let sensor = inline.or_else(|| self.sensors.get(item.value.as_str()?).copied());
            let kind = sensor.and_then(|sensor| sensors::kind_quietly(&sensor, self.sink));
            return kind.is_some_and(|kind| kind != Kind::Switch);
        }
        let split = |text| self.links.split(text, "input", input.span, |_| true, &mut Sink::default());
        let Some((link, name)) = input.value.as_str().and_then(split) else { return false };
        let has_pins = matches!(self.links.list[link.index()].form, Form::Counts { .. });
        let is_level = has_pins && Pin::parse(name).is_some_and(|pin| pin.kind == PinKind::Level);
        !is_level && !section.has("sensor")
    }

    fn channel(&mut self, at: usize, named: &Named<'a>) -> Option<Channel> {
        self.needs.push(Vec::new());
        let place = format!("channel.{}", short(named.name));
        let before = self.sink.enter(&place);
        let channel = self.whole_channel(at, named, &place);
        self.sink.enter(&before);
        channel
    }

    fn whole_channel(&mut self, at: usize, named: &Named<'a>, place: &str) -> Option<Channel> {
        check_name(named, self.sink);
        if WORDS.contains(&named.name) {
            let what = format!("`{}` means something in a formula", named.name);
            self.sink.error(named.name_span, what, "choose another name");
        }
        let section = named.section;
        let has_formula = section.has("formula");
        section.only(if has_formula { &keys::CHANNEL_FORMULA } else { &keys::CHANNEL_INPUT }, self.sink);
        let label = section.get("label", self.sink);
        let label = label.and_then(|item| item.label(LABEL_COLUMNS, "\"Coolant\"", self.sink));
        let label = label.map_or_else(|| named.name.chars().take(LABEL_COLUMNS).collect(), str::to_owned);
        let unit = section.get("unit", self.sink).and_then(|item| Some((item.unit(self.sink)?, item.span)));
        // A unit that cannot be read must not bring forth mistakes about everything that is written in it.
        let unit_is_readable = unit.is_some() || !section.has("unit");
        let made =
            if has_formula { self.formula_source(at, &section, unit) } else { self.input_source(at, &section, unit) };
        let known = made.as_ref().map(|made| made.unit).or(unit.map(|(unit, _)| unit)).filter(|_| unit_is_readable);
        let rest = self.rest(at, &section, known, made.as_ref());
        let range = rest.span.or(made.as_ref().and_then(|made| made.range));
        let lost_span = section.has("span") && rest.span.is_none();
        if lost_span {
            self.lost_span.insert(at);
        }
        let lost_range = lost_span || made.is_none();
        let subject = Subject { id: id(at), label: &label, unit: known, range, lost_range, place };
        let alarms = alarms::read(&section, &subject, &self.names, self.text, self.sink);
        self.alarms.extend(alarms);
        let made = made?;
        let digits = rest.digits.unwrap_or_else(|| default_digits(&made));
        Some(Channel {
            name: named.name.to_owned(),
            label,
            source: made.source,
            unit: made.unit,
            span: rest.span,
            digits,
            words: made.words,
            smooth: rest.smooth,
            fresh: rest.fresh,
            fastest: rest.fastest,
            stuck: rest.stuck,
            calibration: rest.calibration,
        })
    }

    fn formula_source(&mut self, at: usize, section: &Section<'a>, unit: Option<(Unit, Span)>) -> Option<Made> {
        let item = section.get("formula", self.sink)?;
        let formula = self.names.formula(&item, self.text, self.sink)?;
        self.needs[at].extend(formula.terms.iter().map(|&on| Need { on, span: item.span }));
        let unit = unit.map_or(Unit::ONE, |(unit, _)| unit);
        Some(Made { source: Source::Formula(formula), unit, range: None, words: None })
    }

    fn input_source(&mut self, at: usize, section: &Section<'a>, unit: Option<(Unit, Span)>) -> Option<Made> {
        let chosen = self.chosen_sensor(section);
        let Some((found, site)) = self.site(section, chosen.as_ref(), unit) else {
            // What the sensor is given is not known, but its own mistakes are to come to light all the same.
            let site = Site { gives: Gives::Anything, take: None, circuit: Circuit::Direct, unit, native: None };
            self.sensor(&chosen?, &site);
            return None;
        };
        let built =
            if section.has("sensor") { self.sensor(&chosen?, &site)? } else { sensors::without(&site, self.sink)? };
        if let Some((name, span)) = built.cold.clone()
            && let Some(on) = self.names.require(&name, span, self.sink)
        {
            self.needs[at].push(Need { on, span });
            self.colds.push((at, name, span));
        }
        let Built { sensor, unit, range, words, .. } = built;
        let source = Source::Input(Input { link: found.link, field: found.field, circuit: site.circuit, sensor });
        Some(Made { source, unit, range, words })
    }

    /// What the channel reads, and what its sensor is given.
    fn site(
        &mut self,
        section: &Section<'a>,
        chosen: Option<&Chosen<'a>>,
        unit: Option<(Unit, Span)>,
    ) -> Option<(Found, Site)> {
        let kind = chosen.and_then(|chosen| sensors::kind_quietly(&chosen.section, self.sink));
        let circuit_item = section.get("circuit", self.sink);
        let circuit = match &circuit_item {
            Some(item) => circuits::circuit(item, self.sink),
            None => Some(Circuit::Direct),
        };
        let around = Around {
            is_analog: circuit_item.is_some() || chosen.is_some_and(|chosen| self.takes_volts(chosen)),
            has_circuit: circuit_item.is_some(),
            is_switch: kind == Some(Kind::Switch),
        };
        if !section.has("input") {
            self.sink.absent(section.span, "a channel needs an `input` or a `formula`", "for example input = \"a0\"");
            return None;
        }
        let item = section.get("input", self.sink)?;
        let found = inputs::input(&item, section, around, self.links, self.sink)?;
        let circuit = circuit?;
        let is_analog = matches!(found.field, Field::Analog(_));
        if let (Some(item), false, true) = (&circuit_item, is_analog, circuit != Circuit::Direct) {
            let remedy = "only an analog pin measures; a pulse or digital pin has its circuit ahead of it";
            self.sink.error(item.span, "this input takes no circuit but `direct`", remedy);
            return None;
        }
        let gives = if is_analog && circuit.gives_ohms() { Gives::Ohms } else { found.gives };
        let take = match found.field {
            Field::Pulse { take, .. } => Some(take),
            _ => None,
        };
        Some((found, Site { gives, take, circuit, unit, native: found.native }))
    }

    /// The table of the channel's sensor, named or inline.
    fn chosen_sensor(&mut self, section: &Section<'a>) -> Option<Chosen<'a>> {
        let item = section.get("sensor", self.sink)?;
        if item.value.is_table() {
            let section = item.table("", self.sink)?;
            return Some(Chosen { section, name: None, span: item.span });
        }
        if item.value.as_str().is_none() {
            item.needs("the name of a sensor, or a table", "\"ntc_coolant\"", self.sink);
            return None;
        }
        let name = item.text("\"ntc_coolant\"", self.sink)?;
        if let Some((&name, &section)) = self.sensors.get_key_value(name) {
            self.used.insert(name);
            return Some(Chosen { section, name: Some(name), span: item.span });
        }
        let names = || self.sensors.keys().copied();
        let remedy = self.sink.did_you_mean(name, names(), || match self.sensors.len() {
            0 => format!("write a table [sensor.{}]", short(name)),
            _ => format!("there are {}", listed(names(), 8)),
        });
        self.sink.absent(item.span, format!("there is no sensor `{}`", short(name)), remedy);
        None
    }

    /// Whether the sensor takes volts or ohms, which only an analog pin has.
    fn takes_volts(&self, chosen: &Chosen<'_>) -> bool {
        let section = &chosen.section;
        let written = |item: Item<'_>| item.unit_written();
        let first = |item: Item<'_>, deep: bool| {
            let list = item.value.as_array()?;
            let first = list.iter().next()?.get_ref();
            let first = if deep { first.as_array()?.iter().next()?.get_ref() } else { first };
            Item { value: first, ..item }.unit_written()
        };
        let unit = match sensors::kind_quietly(section, self.sink) {
            Some(Kind::Thermistor | Kind::Rtd | Kind::Thermocouple) => return true,
            Some(Kind::Linear) => section.get("from", self.sink).and_then(|item| first(item, false)),
            Some(Kind::Table) => section.get("points", self.sink).and_then(|item| first(item, true)),
            Some(Kind::Polynomial) => section
                .get("of", self.sink)
                .and_then(|item| written(item).or_else(|| Unit::parse(item.value.as_str()?))),
            _ => None,
        };
        unit.is_some_and(|unit| matches!(unit.kind(), unit::Kind::Voltage | unit::Kind::Resistance))
    }

    fn sensor(&mut self, chosen: &Chosen<'a>, site: &Site) -> Option<Built> {
        let read = |sink: &mut Sink| sensors::sensor(&chosen.section, chosen.span, site, sink);
        let Some(name) = chosen.name else { return read(self.sink) };
        let failed = self.failed.entry(name).or_default();
        if *failed >= MOST_FAILED {
            return None;
        }
        let built = self.sink.within(format!("sensor.{}", short(name)), read);
        *failed += usize::from(built.is_none());
        built
    }

    /// A sensor that no channel uses has its mistakes all the same.
    fn unused_sensors(&mut self) {
        let anything = Site { gives: Gives::Anything, take: None, circuit: Circuit::Direct, unit: None, native: None };
        for (&name, section) in &self.sensors {
            if !self.used.contains(name) {
                self.sink.within(format!("sensor.{}", short(name)), |sink| {
                    sensors::sensor(section, section.span, &anything, sink);
                });
            }
        }
    }

    fn rest(&mut self, at: usize, section: &Section<'a>, unit: Option<Unit>, made: Option<&Made>) -> Rest {
        let sink = &mut *self.sink;
        let span = section.get("span", sink).and_then(|item| settings::scale(&item, unit, sink));
        let digits = section.get("digits", sink).and_then(|item| item.integer(0, MOST_DIGITS, "1", sink));
        let smooth = section.get("smooth", sink).and_then(|item| item.time(MILLISECOND, 600 * SECOND, sink));
        let fresh = section.get("fresh", sink).and_then(|item| item.time(10 * MILLISECOND, DAY, sink));
        let fastest = section.get("fastest", sink).and_then(|item| settings::fastest(&item, unit, sink));
        let calibration = section.get("calibration", sink).and_then(|item| settings::calibration(&item, unit, sink));
        let stuck = section.get("stuck", sink).and_then(|item| self.stuck(at, &item, made));
        let digits = digits.and_then(|digits| u8::try_from(digits).ok());
        Rest { span, digits, smooth, fresh, fastest, stuck, calibration }
    }

    fn stuck(&mut self, at: usize, item: &Item<'a>, made: Option<&Made>) -> Option<Stuck> {
        let sink = &mut *self.sink;
        let section = item.table("{ after = \"20 s\", band = 0, when = \"rpm > 600\" }", sink)?;
        section.only(&keys::STUCK, sink);
        if let Some(Made { source: Source::Input(input), .. }) = made
            && !matches!(input.field, Field::Analog(_) | Field::Pulse { .. } | Field::Number(_) | Field::Supply)
        {
            sink.error(item.span, "`stuck` has no place here", "a level or a total stands still when all is well");
        }
        let after = section.require("after", "\"20 s\"", sink).and_then(|item| item.time(10 * MILLISECOND, DAY, sink));
        let band = match section.get("band", sink) {
            Some(item) => item.number(0.0, 65_535.0, "2", sink),
            None => Some(0.0),
        };
        let when = section.get("when", sink);
        let when = match when {
            Some(item) => {
                let formula = self.names.condition(&item, self.text, Bare::Doubtful, self.sink)?;
                self.needs[at].extend(formula.terms.iter().map(|&on| Need { on, span: item.span }));
                Some(formula)
            }
            None => None,
        };
        Some(Stuck { after: after?, band: band?, when })
    }

    /// Puts the channels of cold junctions in, now that all units are known.
    fn join_colds(&mut self, named: &[Named<'a>], list: &mut [Option<Channel>]) {
        for (at, name, span) in std::mem::take(&mut self.colds) {
            let Some(id) = self.names.find(&name) else { continue };
            let Some(unit) = list.get(id.index()).and_then(|channel| Some(channel.as_ref()?.unit)) else { continue };
            let Some(line) = unit.affine(Unit::CELSIUS) else {
                let what = format!("`cold` needs a channel of temperature, and `{name}` is {}", unit.kind().name());
                self.sink.within(format!("channel.{}", short(named[at].name)), |sink| {
                    sink.error(span, what, "for example a channel with unit = \"degC\"");
                });
                continue;
            };
            set_cold(&mut list[at], id, &line);
        }
    }

    fn order(&mut self, named: &[Named<'a>]) -> Vec<ChannelId> {
        let needs: Vec<Vec<usize>> =
            self.needs.iter().map(|list| list.iter().map(|need| need.on.index()).collect()).collect();
        let (order, circles) = order::sort(&needs);
        for circle in circles {
            let (first, second) = (circle[0], circle[1 % circle.len()]);
            let span = self.needs[first].iter().find(|need| need.on.index() == second);
            let span = span.map_or(named[first].name_span, |need| need.span);
            let mut path: Vec<&str> = circle.iter().take(6).map(|&at| named[at].name).collect();
            if circle.len() > path.len() {
                path.push("…");
            }
            path.push(named[first].name);
            let place = format!("channel.{}", short(named[first].name));
            self.sink.within(place, |sink| {
                sink.error(span, "a channel needs itself", format!("{}; break this circle", path.join(" → ")));
            });
        }
        order.into_iter().map(id).collect()
    }
}

/// The sensor that a channel names.
struct Chosen<'a> {
    section: Section<'a>,
    name: Option<&'a str>,
    /// Where the channel names it.
    span: Span,
}

/// The source of a channel, and what follows from it.
struct Made {
    source: Source,
    unit: Unit,
    range: Option<(f64, f64)>,
    words: Option<[String; 2]>,
}

/// The keys that every channel may have.
struct Rest {
    span: Option<(f64, f64)>,
    digits: Option<u8>,
    smooth: Option<Micros>,
    fresh: Option<Micros>,
    fastest: Option<f64>,
    stuck: Option<Stuck>,
    calibration: Option<Calibration>,
}

fn id(at: usize) -> ChannelId {
    ChannelId(u16::try_from(at).unwrap_or(u16::MAX))
}

fn set_cold(channel: &mut Option<Channel>, from: ChannelId, line: &Affine) {
    if let Some(Channel { source: Source::Input(input), .. }) = channel
        && let Sensor::Thermocouple { cold, .. } = &mut input.sensor
    {
        *cold = Cold::Channel(from, *line);
    }
}

/// Decimals that are worth showing of such a value. Common practice, no source.
fn default_digits(made: &Made) -> u8 {
    if made.words.is_some() || made.source.is_a_total() {
        return 0;
    }
    match made.unit.name().as_str() {
        "1" | "kHz" | "kohm" => 2,
        "mV" | "mA" | "ohm" | "1/min" | "us" | "ms" | "min" | "Pa" | "kPa" | "mbar" | "psi" | "degC" | "degF" | "K"
        | "km/h" | "mph" | "m" | "L" | "%" => 0,
        _ => 1,
    }
}

impl Source {
    /// Whether it is a running number, such as of lost lines.
    fn is_a_total(&self) -> bool {
        let Self::Input(input) = self else { return false };
        let counts_edges = matches!(input.field, Field::Pulse { take: Take::Count, .. });
        let counts_lines = matches!(input.field, Field::LinkLost | Field::LinkBad | Field::LinkResets);
        counts_lines || (counts_edges && matches!(input.sensor, Sensor::Pulses { times } if times >= 1.0))
    }
}
