//! Alarms: `[[channel.NAME.alarm]]`.
//!
//! Owns their keys, the defaults by kind of quantity and level, and the warnings about alarms that will be a nuisance.

use super::keys;
use super::model::{Alarm, ChannelId, Level, Limit};
use super::names::{Bare, Names};
use super::read::{Item, Section};
use super::settings::difference;
use super::sink::{Sink, Span};
use crate::time::{MILLISECOND, Micros, SECOND};
use crate::unit::{Kind, Unit};

/// Longest text of an alarm, in columns.
const TEXT_COLUMNS: usize = 80;
/// Longest `after` and `until`.
const LONGEST: Micros = 86_400 * SECOND;
/// Two readings at the usual 50 a second: a shorter `after` is not one that anything must hold.
const TWO_READINGS: Micros = 40 * MILLISECOND;
/// Used where an alarm is read only for its mistakes.
const NOTHING: f64 = 0.0;

/// The channel that the alarms are of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Subject<'c> {
    pub id: ChannelId,
    pub label: &'c str,
    /// `None` where it could not be read.
    pub unit: Option<Unit>,
    /// The scale, or else what the sensor can give.
    pub range: Option<(f64, f64)>,
    /// Whether there would be a range, but for a mistake in it.
    pub lost_range: bool,
    pub place: &'c str,
}

/// What the defaults go by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sort {
    Pressure,
    Temperature,
    Voltage,
    /// A share or a volume: it sloshes.
    Content,
    Flow,
    Other,
}

impl Sort {
    fn of(unit: Unit) -> Self {
        if unit.is_per_second() {
            return if unit.kind() == Kind::Volume { Self::Flow } else { Self::Other };
        }
        match unit.kind() {
            Kind::Pressure => Self::Pressure,
            Kind::Temperature => Self::Temperature,
            Kind::Voltage => Self::Voltage,
            Kind::Volume => Self::Content,
            Kind::Flow => Self::Flow,
            Kind::Number if unit.name() == "%" => Self::Content,
            _ => Self::Other,
        }
    }

    /// How long it must hold before it sounds. A content or temperature moves slowly at any level; what else is a
    /// danger sounds as soon as a pressure does.
    fn after(self, level: Level) -> Micros {
        match (self, level) {
            (Self::Content, _) => 60 * SECOND,
            (Self::Temperature, _) => 3 * SECOND,
            (_, Level::Danger) => SECOND,
            (_, Level::Caution | Level::Notice) => 5 * SECOND,
        }
    }

    /// The deadband in per cent of the scale.
    fn per_cent(self) -> f64 {
        match self {
            Self::Temperature | Self::Voltage => 1.0,
            Self::Content | Self::Flow => 5.0,
            Self::Pressure | Self::Other => 2.0,
        }
    }
}

/// The alarms of one channel.
pub(super) fn read(
    section: &Section<'_>,
    subject: &Subject<'_>,
    names: &Names<'_>,
    text: &str,
    sink: &mut Sink,
) -> Vec<Alarm> {
    let list = section.list_of_tables("alarm", "[[channel.NAME.alarm]]", sink);
    sink.within(format!("{}.alarm", subject.place), |sink| {
        list.iter().filter_map(|section| alarm(section, subject, names, text, sink)).collect()
    })
}

fn alarm(
    section: &Section<'_>,
    subject: &Subject<'_>,
    names: &Names<'_>,
    text: &str,
    sink: &mut Sink,
) -> Option<Alarm> {
    section.only(&keys::ALARM, sink);
    let levels = [("notice", Level::Notice), ("caution", Level::Caution), ("danger", Level::Danger)];
    let level = section.require("level", "\"caution\"", sink).and_then(|item| item.word(&levels, sink));
    let limit = limit(section, subject.unit, sink);
    let sort = Sort::of(subject.unit.unwrap_or(Unit::ONE));
    let deadband = deadband(section, subject, sort, sink);
    let after = match section.get("after", sink) {
        Some(item) => after(&item, sink),
        None => Some(sort.after(level.unwrap_or(Level::Danger))),
    };
    let until = match section.get("until", sink) {
        Some(item) => item.time(0, LONGEST, sink),
        None => after.map(|after| 2 * after),
    };
    let when = section.get("when", sink).map(|item| names.condition(&item, text, Bare::Doubtful, sink));
    let latch = section.get("latch", sink).and_then(|item| item.boolean(sink)).unwrap_or(false);
    let words = section.get("text", sink);
    let words = words.and_then(|item| item.label(TEXT_COLUMNS, "\"Oil pressure low: stop the engine\"", sink));
    if !section.has("text") {
        let remedy = "for example text = \"Oil pressure low: stop the engine\"";
        sink.warn(section.span, "the alarm has no `text`: say what to do", remedy);
    }
    let limit = limit?;
    let words = words.map_or_else(|| default_text(subject, limit), str::to_owned);
    let channel = subject.id;
    Some(Alarm {
        channel,
        level: level?,
        limit,
        deadband: deadband?,
        after: after?,
        until: until?,
        when: when.map_or(Some(None), |formula| formula.map(Some))?,
        latch,
        text: words,
    })
}

fn limit(section: &Section<'_>, unit: Option<Unit>, sink: &mut Sink) -> Option<Limit> {
    match (section.get("below", sink), section.get("above", sink)) {
        (Some(item), None) => value(&item, unit, sink).map(Limit::Below),
        (None, Some(item)) => value(&item, unit, sink).map(Limit::Above),
        (Some(_), Some(_)) => {
            let remedy = "two limits are two alarms";
            sink.error(section.key_span("above"), "an alarm has `below` or `above`, not both", remedy);
            None
        }
        (None, None) => {
            sink.absent(section.span, "an alarm needs `below` or `above`", "for example below = 0.8");
            None
        }
    }
}

fn value(item: &Item<'_>, unit: Option<Unit>, sink: &mut Sink) -> Option<f64> {
    if unit.is_none() {
        item.only_units(sink);
    }
    item.value_in(unit?, sink)
}

fn deadband(section: &Section<'_>, subject: &Subject<'_>, sort: Sort, sink: &mut Sink) -> Option<f64> {
    const CHATTER: &str = "a value that trembles at the limit will sound again and again";
    if let Some(item) = section.get("deadband", sink) {
        let deadband = difference(&item, subject.unit, sink)?;
        let deadband = item.in_range(deadband, 0.0, 1e12, || "0 or more".to_owned(), sink)?;
        if deadband == 0.0 {
            sink.warn(item.span, "a `deadband` of 0", CHATTER);
        }
        return Some(deadband);
    }
    let Some((low, high)) = subject.range else {
        if subject.unit.is_some() && !subject.lost_range {
            let what = "the `deadband` is 0, since the channel has no `span` to take it from";
            sink.warn(section.span, what, CHATTER);
        }
        return Some(NOTHING);
    };
    Some((high - low) * sort.per_cent() / 100.0)
}

fn after(item: &Item<'_>, sink: &mut Sink) -> Option<Micros> {
    let after = item.time(0, LONGEST, sink)?;
    if after < TWO_READINGS {
        sink.warn(item.span, "`after` is shorter than two readings", "one wrong reading will sound; \"40 ms\" or more");
    }
    Some(after)
}

fn default_text(subject: &Subject<'_>, limit: Limit) -> String {
    let (side, value) = match limit {
        Limit::Below(value) => ("below", value),
        Limit::Above(value) => ("above", value),
    };
    // Six decimals: a limit that was converted need not show what floating point left over.
    let value = (value * 1e6).round() / 1e6;
    let symbol = subject.unit.map(Unit::symbol).unwrap_or_default();
    format!("{} {side} {value} {symbol}", subject.label).trim_end().to_owned()
}

/// Where more than one alarm in five is a danger, none of them is one to a driver. A single one is always allowed. Alarms
/// with a mistake count as well: their number is as it stands in the file.
pub(super) fn check_share_of_danger(top: &Section<'_>, sink: &mut Sink) {
    let mut quiet = Sink::default();
    let channels = top.named("channel", &mut quiet);
    let alarms: Vec<_> =
        channels.iter().flat_map(|named| named.section.list_of_tables("alarm", "", &mut quiet)).collect();
    let levels = alarms.iter().filter_map(|alarm| alarm.get("level", sink));
    let dangers: Vec<Span> =
        levels.filter(|level| level.value.as_str() == Some("danger")).map(|level| level.span).collect();
    if dangers.len() >= 2 && dangers.len() * 5 > alarms.len() {
        let what = format!("{} of {} alarms are `danger`", dangers.len(), alarms.len());
        sink.warn(dangers[0], what, "more than one in five, and drivers stop believing them; make some `caution`");
    }
}
