//! Keys that any channel may have: its scale, its fastest change, its calibration.
//!
//! Owns their ranges and the way into the channel's unit.

use super::keys;
use super::model::Calibration;
use super::read::Item;
use super::sink::Sink;
use crate::unit::{self, Unit};

/// The ends of the scale.
pub(super) fn scale(item: &Item<'_>, unit: Option<Unit>, sink: &mut Sink) -> Option<(f64, f64)> {
    let ends = item.both("[40, 120]", sink, |_, end, sink| match unit {
        Some(unit) => end.value_in(unit, sink),
        // Without a unit two plain numbers can still be the wrong way round.
        None if end.is_number() => end.bare(sink),
        None => {
            end.only_units(sink);
            None
        }
    });
    let [low, high] = ends?;
    if low >= high {
        sink.error(item.span, "`span` needs the lower end first", "for example [40, 120]");
        return None;
    }
    unit.map(|_| (low, high))
}

/// A rate of change in the channel's unit per second. A length changes with a speed, a volume with a flow.
pub(super) fn fastest(item: &Item<'_>, unit: Option<Unit>, sink: &mut Sink) -> Option<f64> {
    let Some(unit) = unit else {
        item.only_units(sink);
        return None;
    };
    let speed = match (unit.kind(), item.unit_written()) {
        (unit::Kind::Length, Some(written)) if written.fits(Unit::METRE_PER_SECOND) => {
            let metres = item.value_in(Unit::METRE_PER_SECOND, sink)?;
            Unit::parse("m")?.convert(metres, unit)
        }
        (unit::Kind::Volume, Some(written)) if written.fits(Unit::LITRE_PER_HOUR) => {
            let litres = item.value_in(Unit::LITRE_PER_HOUR, sink)? / 3600.0;
            Unit::LITRE.convert(litres, unit)
        }
        _ if unit.is_per_second() => item.number(0.0, 1e12, "10", sink),
        _ => item.value_in(unit.per_second(), sink),
    };
    item.in_range(speed?, 1e-9, 1e12, || "more than 0".to_owned(), sink)
}

/// A difference in the channel's unit, where that is known.
pub(super) fn difference(item: &Item<'_>, unit: Option<Unit>, sink: &mut Sink) -> Option<f64> {
    if unit.is_none() {
        item.only_units(sink);
    }
    item.difference_in(unit?, sink)
}

/// A correction found against a trusted gauge.
pub(super) fn calibration(item: &Item<'_>, unit: Option<Unit>, sink: &mut Sink) -> Option<Calibration> {
    let section = item.table("[channel.NAME.calibration]", sink)?;
    section.only(&keys::CALIBRATION, sink);
    let gain = match section.get("gain", sink) {
        Some(item) => item
            .number(-1e6, 1e6, "1.02", sink)
            .and_then(|gain| item.in_range(gain.abs(), 1e-6, 1e6, || "not 0".to_owned(), sink).map(|_| gain)),
        None => Some(1.0),
    };
    let offset = match section.get("offset", sink) {
        Some(item) => difference(&item, unit, sink),
        None => Some(0.0),
    };
    let on = section.get("on", sink).and_then(|item| item.date(sink));
    let against = section.get("against", sink).and_then(|item| item.label(80, "\"gauge of the workshop\"", sink));
    Some(Calibration { gain: gain?, offset: offset?, on, against: against.map(str::to_owned) })
}
