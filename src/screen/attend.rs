//! What a person can do about alarms at the screen: which keys are shown, and the question before one is put aside.
//!
//! Owns the question and its words. In: the snapshot that is shown. Out: [`Attend`]s for the session's owner.

use super::banner::sounding;
use super::keys::{ALL_SEEN, JOURNAL, Key, RESET, SEEN, SHELVE, ShownKey};
use super::words;
use crate::config::{Level, Model};
use crate::output::words::Told;
use crate::state::{AlarmState, Raised, Snapshot};
use crate::time::{MINUTE, Micros};
use crate::watch::desk::Attend;

/// The keys that something can be done with now.
pub fn keys(model: &Model, snapshot: &Snapshot) -> Vec<ShownKey> {
    let told = sounding(model, snapshot);
    let state = |raised: &Raised| snapshot.alarm_state(*raised);
    let waiting = told.iter().filter(|raised| state(raised).waits()).count();
    let held = told.iter().any(|raised| state(raised).is_latched());
    let aside = !told.is_empty() || snapshot.calls.shelved() > 0;
    let all = [
        (waiting > 0, SEEN),
        (waiting > 1, ALL_SEEN),
        (held, RESET),
        (aside, SHELVE),
        (!snapshot.calls.journal.is_empty(), JOURNAL),
    ];
    all.into_iter().filter_map(|(now, key)| now.then_some(key)).collect()
}

/// The alarm that a key says was seen: the first that waits, which is shown.
pub fn seen(model: &Model, snapshot: &Snapshot) -> Option<Attend> {
    let first = sounding(model, snapshot).into_iter().find(|raised| snapshot.alarm_state(*raised).waits())?;
    Some(Attend::Acknowledge(Some(first)))
}

/// Its name for a person.
pub fn label(model: &Model, snapshot: &Snapshot, raised: Raised) -> Option<String> {
    match raised {
        Raised::Limit(at) => Some(model.channels.get(model.alarms.get(at)?.channel.index())?.label.clone()),
        Raised::Fault(at) => Some(Told::of(model, &snapshot.channels, snapshot.faults.get(at)?)?.name),
    }
}

/// The question which alarm is to be put aside, and for how long.
#[derive(Debug)]
pub struct Asking {
    raised: Raised,
    /// How many were asked about before.
    place: usize,
    /// What came after this was not there when it was asked.
    known: u32,
    level: Level,
    is_shelved: bool,
    /// The question in sentences.
    pub text: Vec<String>,
}

/// What an answer leads to.
#[derive(Debug)]
pub enum Answer {
    /// Do it.
    Do(Attend, u32),
    /// Ask about the next one.
    Next(usize),
    /// Nothing is done.
    No,
}

impl Asking {
    /// About the alarm at `place` of those that are told or put aside; `None` where there is none.
    pub fn about(model: &Model, snapshot: &Snapshot, place: usize) -> Option<Self> {
        let mut all = sounding(model, snapshot);
        let shelved = |raised: &Raised| snapshot.alarm_state(*raised) == AlarmState::Shelved;
        all.extend((0..snapshot.calls.list.len()).map(|place| snapshot.calls.raised(place)).filter(shelved));
        let place = place.checked_rem(all.len())?;
        let raised = *all.get(place)?;
        let (level, is_shelved) = (snapshot.alarm_level(raised)?, shelved(&raised));
        let name = label(model, snapshot, raised)?;
        let next = if all.len() > 1 { "s: another, " } else { "" };
        let question = if is_shelved {
            let until = snapshot.calls.get(raised).and_then(|call| call.until);
            let left = words::age(until.map_or(0, |until| until.since(snapshot.now)));
            format!("y: take back {name} ({left} left)")
        } else if level == Level::Danger {
            format!("2, 5, 0: quiet for 2, 5, 10 min: {name}")
        } else {
            format!("2, 5, 0, 6: quiet for 2, 5, 10, 60 min: {name}")
        };
        let text = vec![question, format!("{next}any other key: no")];
        Some(Self { raised, place, known: snapshot.calls.newest, level, is_shelved, text })
    }

    /// What `key` answers.
    pub fn answer(&self, key: Key) -> Answer {
        let quiet = |minutes: Micros| Answer::Do(Attend::Shelve(self.raised, minutes * MINUTE), self.known);
        match key {
            Key::Char(b's') => Answer::Next(self.place + 1),
            Key::Char(b'y') if self.is_shelved => Answer::Do(Attend::Unshelve(Some(self.raised)), self.known),
            _ if self.is_shelved => Answer::No,
            Key::Char(b'2') => quiet(2),
            Key::Char(b'5') => quiet(5),
            Key::Char(b'0') => quiet(10),
            Key::Char(b'6') if self.level < Level::Danger => quiet(60),
            _ => Answer::No,
        }
    }
}
