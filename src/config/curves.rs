//! Sensors that are curves: straight lines, tables, thermistors, platinum resistances, polynomials.
//!
//! Owns their keys and the checks of their points. The arithmetic is the sensor room's.

use super::inputs::Gives;
use super::model::Sensor;
use super::read::{Item, Section};
use super::sensors::{Built, Site};
use super::sink::{Sink, Span};
use crate::circuit::Circuit;
use crate::sensor::{Between, Curve, CurveError, Linear, Platinum, Polynomial, Table, Thermistor};
use crate::unit::{Affine, Unit};

/// Most points of a table.
const MOST_POINTS: usize = 200;
/// What a thermistor's curve is good for unless `valid` says less, in degC.
const THERMISTOR: (f64, f64) = (-55.0, 200.0);
/// What IEC 60751 covers, in degC.
const PLATINUM: (f64, f64) = (-200.0, 850.0);

/// The unit that a curve takes at `site`; where nothing is known of the site, that of `first`.
fn takes(site: &Site, first: &Item<'_>) -> Unit {
    if site.gives != Gives::Anything {
        return site.takes();
    }
    first.unit_written().map_or(Unit::ONE, |unit| super::quantity::base_of(unit.kind()))
}

/// A value at the curve's input, in `takes`.
fn input(item: &Item<'_>, takes: Unit, sink: &mut Sink) -> Option<f64> {
    if takes == Unit::ONE {
        item.value_in(takes, sink)
    } else {
        Some(item.quantity_as_written(takes, sink)?.in_unit(takes)?)
    }
}

/// The own unit of a curve: that of the first value that has one, else the channel's.
fn own_unit<'i>(site: &Site, outputs: impl IntoIterator<Item = &'i Item<'i>>) -> Unit {
    outputs.into_iter().find_map(Item::unit_written).unwrap_or(site.bare())
}

/// A value of the curve in `own`; a bare number is in the channel's unit.
fn output(item: &Item<'_>, own: Unit, channel: Unit, sink: &mut Sink) -> Option<f64> {
    if item.is_number() { channel.convert(item.value_in(channel, sink)?, own) } else { item.value_in(own, sink) }
}

fn refused(error: CurveError, span: Span, sink: &mut Sink) {
    let (what, remedy) = match error {
        CurveError::TooFewPoints { needs } => ("there are too few points", format!("at least {needs}")),
        CurveError::NotMonotone { at } => {
            ("the inputs do not all rise or all fall", format!("the {} point breaks it", ordinal(at)))
        }
        CurveError::NotAThermistor => (
            "these numbers make no thermistor",
            "its resistance must fall steadily as it gets warmer; look for swapped values".to_owned(),
        ),
        CurveError::SameInput => ("two inputs are the same", "they must differ".to_owned()),
        CurveError::OutOfRange => ("a number is outside of what can be worked with", "check the units".to_owned()),
    };
    sink.error(span, what, remedy);
}

fn ordinal(at: usize) -> String {
    match at + 1 {
        1 => "first".to_owned(),
        2 => "second".to_owned(),
        3 => "third".to_owned(),
        n => format!("{n}th"),
    }
}

fn made<T>(result: Result<T, CurveError>, span: Span, sink: &mut Sink) -> Option<T> {
    result.map_err(|error| refused(error, span, sink)).ok()
}

fn both(line: Affine, a: f64, b: f64) -> (f64, f64) {
    let (a, b) = (line.at(a), line.at(b));
    (a.min(b), a.max(b))
}

pub(super) fn linear(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    let from = section.require("from", "[\"0.5 V\", \"4.5 V\"]", sink);
    let to = section.require("to", "[\"0 bar\", \"7 bar\"]", sink);
    let supply = section.get("ratiometric", sink).map(|item| ratiometric(&item, site, sink));
    let inputs = from.and_then(|item| pair(&item, "[\"0.5 V\", \"4.5 V\"]", sink));
    let outputs = to.and_then(|item| pair(&item, "[\"0 bar\", \"7 bar\"]", sink));
    let takes = inputs.map_or(Unit::ONE, |pair| takes(site, &pair[0]));
    let inputs = inputs.map(|pair| pair.map(|item| input(&item, takes, sink)));
    let outputs = outputs?;
    let own = own_unit(site, &outputs);
    let fitted = site.fit(own, sink);
    let unit = fitted.map_or(own, |(unit, _)| unit);
    let [Some(a), Some(b)] = outputs.map(|item| output(&item, own, unit, sink)) else { return None };
    let (_, into) = fitted?;
    let [Some(low), Some(high)] = inputs? else { return None };
    let curve = made(Linear::new([low, high], [a, b]), from?.span, sink)?;
    // Wired straight to the pin, a sensor whose signal never comes down to 0 V shows a broken wire by doing so.
    let is_live_zero = site.gives == Gives::Volts && site.circuit == Circuit::Direct && low.min(high) > 0.0;
    let live_zero = is_live_zero.then_some((low.min(high), low.max(high)));
    let ratiometric = supply.map_or(Some(None), |supply| supply.map(Some))?;
    let sensor = Sensor::Curve { curve: Curve::Linear(curve), ratiometric, takes, into, live_zero };
    Some(Built::new(sensor, unit, Some(both(into, a, b))))
}

/// Two values; where there are more or fewer, their units are looked at all the same.
fn pair<'a>(item: &Item<'a>, example: &str, sink: &mut Sink) -> Option<[Item<'a>; 2]> {
    let found = item.pair(example, sink);
    if found.is_none() {
        item.only_units(sink);
    }
    found
}

fn ratiometric(item: &Item<'_>, site: &Site, sink: &mut Sink) -> Option<f64> {
    if !matches!(site.gives, Gives::Volts | Gives::Anything) {
        sink.error(item.span, "`ratiometric` needs a sensor that gives volts", "leave it out");
        return None;
    }
    item.quantity(Unit::VOLT, 0.5, 60.0, sink)
}

pub(super) fn table(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    const EXAMPLE: &str = "[[\"10 ohm\", \"100 %\"], [\"180 ohm\", \"0 %\"]]";
    let between = match section.get("between", sink) {
        Some(item) => item.word(&[("straight", Between::Straight), ("smooth", Between::Smooth)], sink),
        None => Some(Between::Straight),
    };
    let item = section.require("points", EXAMPLE, sink)?;
    let list = item.list(2, MOST_POINTS, EXAMPLE, sink);
    // Those that are no pairs are left out first, so that the mistakes in the others come to light as well.
    let parts = if item.value.is_array() { item.parts() } else { Vec::new() };
    let pairs: Vec<[Item<'_>; 2]> =
        parts.iter().take(MOST_POINTS).filter_map(|point| pair(point, "[\"10 ohm\", \"100 %\"]", sink)).collect();
    let takes = takes(site, &pairs.first()?[0]);
    let own = own_unit(site, pairs.iter().map(|pair| &pair[1]));
    let fitted = site.fit(own, sink);
    let unit = fitted.map_or(own, |(unit, _)| unit);
    let points: Vec<Option<(f64, f64)>> = pairs
        .iter()
        .map(|[x, y]| {
            let (x, y) = (input(x, takes, sink), output(y, own, unit, sink));
            Some((x?, y?))
        })
        .collect();
    let points: Vec<(f64, f64)> = points.into_iter().collect::<Option<_>>()?;
    let list = list.filter(|list| list.len() == points.len())?;
    let (_, into) = fitted?;
    check_monotone(&points, &list, sink)?;
    let curve = made(Table::new(&points, between?), item.span, sink)?;
    let low = points.iter().map(|point| point.1).fold(f64::INFINITY, f64::min);
    let high = points.iter().map(|point| point.1).fold(f64::NEG_INFINITY, f64::max);
    let sensor = Sensor::Curve { curve: Curve::Table(curve), ratiometric: None, takes, into, live_zero: None };
    Some(Built::new(sensor, unit, Some(both(into, low, high))))
}

/// Points at the place of the first input that breaks the row.
fn check_monotone(points: &[(f64, f64)], items: &[Item<'_>], sink: &mut Sink) -> Option<()> {
    let rises = points[0].0 < points[1].0;
    for (at, pair) in points.windows(2).enumerate() {
        let fits = if rises { pair[0].0 < pair[1].0 } else { pair[0].0 > pair[1].0 };
        if !fits {
            let what = "the inputs of `points` must all rise or all fall";
            sink.error(items[at + 1].span, what, "this one does not follow from the one before");
            return None;
        }
    }
    Some(())
}

pub(super) fn thermistor(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    let valid = section.get("valid", sink).map(|item| celsius_range(&item, sink));
    let given: Vec<&str> = ["points", "abc", "beta"].into_iter().filter(|key| section.has(key)).collect();
    let [way] = given[..] else {
        for item in given.iter().filter_map(|way| section.get(way, sink)).collect::<Vec<_>>() {
            let _ = match item.key {
                "points" => three_points(&item, sink).is_some(),
                "abc" => constants(&item, sink).is_some(),
                _ => beta(&item, sink).is_some(),
            };
        }
        let span = given.get(1).map_or(section.span, |key| section.key_span(key));
        let remedy = "give three `points`, or `abc`, or `beta` with `at`";
        sink.absent(span, "a thermistor is described in one of three ways", remedy);
        return None;
    };
    if way != "beta" && section.has("at") {
        sink.error(section.key_span("at"), "`at` goes with `beta` only", "leave it out");
    }
    let fitted = site.fit(Unit::CELSIUS, sink);
    let ends = valid.flatten().unwrap_or(THERMISTOR);
    let result = described(way, section, valid.flatten(), sink)?;
    let (unit, into) = fitted?;
    // Limits that could not be read are a mistake already.
    valid.map_or(Some(()), |limits| limits.map(|_| ()))?;
    let curve = Curve::Thermistor(made(result, section.get(way, sink)?.span, sink)?);
    let sensor = Sensor::Curve { curve, ratiometric: None, takes: Unit::OHM, into, live_zero: None };
    Some(Built::new(sensor, unit, Some(both(into, ends.0, ends.1))))
}

/// The thermistor that the key `way` describes; `None` where a value of it cannot be read.
fn described(
    way: &str,
    section: &Section<'_>,
    limits: Option<(f64, f64)>,
    sink: &mut Sink,
) -> Option<Result<Thermistor, CurveError>> {
    let item = section.get(way, sink)?;
    Some(match way {
        "points" => Thermistor::from_points(three_points(&item, sink)?, limits),
        "abc" => Thermistor::from_constants(constants(&item, sink)?, limits),
        _ => {
            let at = section.require("at", "[\"25 degC\", \"10 kohm\"]", sink).and_then(|item| point(&item, sink));
            Thermistor::from_beta(beta(&item, sink)?, at?, limits)
        }
    })
}

fn celsius_range(item: &Item<'_>, sink: &mut Sink) -> Option<(f64, f64)> {
    let [low, high] = item
        .both("[\"-40 degC\", \"150 degC\"]", sink, |_, end, sink| end.quantity(Unit::CELSIUS, -55.0, 200.0, sink))?;
    rising(item, low, high, sink)
}

fn rising(item: &Item<'_>, low: f64, high: f64, sink: &mut Sink) -> Option<(f64, f64)> {
    if low < high {
        return Some((low, high));
    }
    sink.error(item.span, format!("`{}` needs the lower end first", item.key), "swap them, or look for equal ends");
    None
}

fn point(item: &Item<'_>, sink: &mut Sink) -> Option<(f64, f64)> {
    let [temperature, resistance] = item.both("[\"25 degC\", \"10 kohm\"]", sink, |at, value, sink| match at {
        0 => value.quantity(Unit::CELSIUS, -100.0, 400.0, sink),
        _ => value.quantity(Unit::OHM, 0.01, 1e9, sink),
    })?;
    Some((temperature, resistance))
}

fn three_points(item: &Item<'_>, sink: &mut Sink) -> Option<[(f64, f64); 3]> {
    const EXAMPLE: &str = "[[\"0 degC\", \"32.65 kohm\"], [\"25 degC\", \"10 kohm\"], [\"85 degC\", \"1.07 kohm\"]]";
    item.all(3, 3, EXAMPLE, sink, |_, item, sink| point(item, sink))?.try_into().ok()
}

fn constants(item: &Item<'_>, sink: &mut Sink) -> Option<[f64; 3]> {
    const EXAMPLE: &str = "[1.129e-3, 2.341e-4, 8.775e-8]";
    item.all(3, 3, EXAMPLE, sink, |_, item, sink| item.number(-1.0, 1.0, "1.129e-3", sink))?.try_into().ok()
}

/// Beta is a factor in kelvin, no temperature: in degC it would be another number.
fn beta(item: &Item<'_>, sink: &mut Sink) -> Option<f64> {
    if item.unit_written() != Some(Unit::KELVIN) {
        sink.error(item.span, "`beta` needs kelvin", "for example \"3950 K\"");
        return None;
    }
    item.quantity(Unit::KELVIN, 500.0, 10_000.0, sink)
}

pub(super) fn rtd(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    let item = section.require("r0", "\"100 ohm\"", sink)?;
    let r0 = item.quantity(Unit::OHM, 1.0, 1e5, sink);
    let (unit, into) = site.fit(Unit::CELSIUS, sink)?;
    let r0 = r0?;
    let curve = Curve::Platinum(made(Platinum::new(r0), item.span, sink)?);
    let sensor = Sensor::Curve { curve, ratiometric: None, takes: Unit::OHM, into, live_zero: None };
    Some(Built::new(sensor, unit, Some(both(into, PLATINUM.0, PLATINUM.1))))
}

pub(super) fn polynomial(section: &Section<'_>, site: &Site, sink: &mut Sink) -> Option<Built> {
    let of = section.require("of", "\"V\"", sink).and_then(|item| {
        let unit = item.unit(sink)?;
        if site.gives != Gives::Anything && !unit.fits(site.takes()) {
            let what = format!("`of` {unit} does not fit what the channel reads");
            sink.error(item.span, what, format!("it gives {}", site.takes()));
            return None;
        }
        Some(unit)
    });
    let gives = section.require("gives", "\"degC\"", sink).and_then(|item| item.unit(sink));
    let terms = section.require("terms", "[1.5, 0.25]", sink).and_then(|item| terms(&item, sink));
    let valid = section.require("valid", "[\"0.1 V\", \"4.9 V\"]", sink);
    let valid_range = valid.and_then(|item| {
        let [low, high] = item.both("[\"0.1 V\", \"4.9 V\"]", sink, |_, end, sink| {
            if of.is_none() {
                end.only_units(sink);
            }
            end.value_in(of?, sink)
        })?;
        rising(&item, low, high, sink)
    });
    let (unit, into) = site.fit(gives?, sink)?;
    let takes = of?;
    let (terms, valid_range) = (terms?, valid_range?);
    let curve = made(Polynomial::new(&terms, valid_range), section.span, sink)?;
    let at = |x: f64| terms.iter().rev().fold(0.0, |sum, term| sum * x + term);
    let sensor = Sensor::Curve { curve: Curve::Polynomial(curve), ratiometric: None, takes, into, live_zero: None };
    Some(Built::new(sensor, unit, Some(both(into, at(valid_range.0), at(valid_range.1)))))
}

fn terms(item: &Item<'_>, sink: &mut Sink) -> Option<Vec<f64>> {
    item.all(1, 16, "[1.5, 0.25]", sink, |_, item, sink| item.number(-1e30, 1e30, "0.25", sink))
}
