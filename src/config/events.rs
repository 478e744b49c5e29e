//! Events: `[event.NAME]`.
//!
//! Owns their keys and defaults.

use super::keys;
use super::model::Event;
use super::names::{Bare, Names};
use super::read::{Named, Section, check_name, short};
use super::sink::Sink;
use crate::time::{MILLISECOND, Micros, SECOND};

const HOUR: Micros = 3_600 * SECOND;

/// All events of the file.
pub(super) fn read(top: &Section<'_>, names: &Names<'_>, text: &str, sink: &mut Sink) -> Vec<Event> {
    let list = top.named("event", sink);
    list.iter()
        .filter_map(|entry| sink.within(format!("event.{}", short(entry.name)), |sink| event(entry, names, text, sink)))
        .collect()
}

fn event(entry: &Named<'_>, names: &Names<'_>, text: &str, sink: &mut Sink) -> Option<Event> {
    check_name(entry, sink);
    let section = &entry.section;
    section.only(&keys::EVENT, sink);
    let when = section.require("when", "\"rpm < 500 and speed > 5\"", sink);
    let when = when.and_then(|item| names.condition(&item, text, Bare::Doubtful, sink));
    let lasts = time(section, "lasts", 200 * MILLISECOND, sink);
    let apart = time(section, "apart", 10 * SECOND, sink);
    let before = time(section, "before", 20 * SECOND, sink);
    let after = time(section, "after", 5 * SECOND, sink);
    Some(Event {
        name: entry.name.to_owned(),
        when: when?,
        lasts: lasts?,
        apart: apart?,
        before: before?,
        after: after?,
    })
}

fn time(section: &Section<'_>, key: &str, default: Micros, sink: &mut Sink) -> Option<Micros> {
    match section.get(key, sink) {
        Some(item) => item.time(0, HOUR, sink),
        None => Some(default),
    }
}
