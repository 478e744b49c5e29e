//! What came when: the newest alarms in rows, and before them what is silent on purpose.
//!
//! Owns the words of a row and where they stand. Knows no alarm rule: it draws from the snapshot's journal.

use super::attend::label;
use super::item::{Labels, alarm_shape};
use super::look::Tone;
use super::pen::{Pen, columns};
use super::words;
use crate::config::{Level, Model};
use crate::output::words::Told;
use crate::state::{AlarmState, Entry, FaultShown, Raised, Snapshot};

/// The page of the journal: beyond any that a config can have.
pub const PAGE: usize = usize::MAX;

/// Columns from which on an entry stands in one row.
const WIDE: u16 = 76;

/// One alarm that came, in words.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct JournalRow {
    level: Level,
    label: String,
    /// The worst value, or what is wrong.
    value: String,
    limit: String,
    state: &'static str,
    /// Somebody is still to say that it was seen, or it is put aside.
    stands: bool,
    ago: String,
    /// How long it lasted and when it was seen.
    more: String,
    first: bool,
}

/// All of it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Journal {
    /// What is silent on purpose, a sentence each.
    silent: Vec<String>,
    rows: Vec<JournalRow>,
}

impl Journal {
    /// What the snapshot knows, the newest first.
    pub fn of(model: &Model, labels: &Labels, snapshot: &Snapshot) -> Self {
        let rows =
            snapshot.calls.journal.iter().rev().filter_map(|entry| row(model, labels, snapshot, entry)).collect();
        Self { silent: silent(model, snapshot), rows }
    }
}

fn silent(model: &Model, snapshot: &Snapshot) -> Vec<String> {
    let calls = &snapshot.calls;
    let sentence = |place: usize| {
        let raised = calls.raised(place);
        let state = calls.list[place].state;
        let name = label(model, snapshot, raised)?;
        let level = snapshot.alarm_level(raised)?.name();
        match (state, raised) {
            (AlarmState::Shelved, _) => {
                let left = words::age(calls.list[place].until.map_or(0, |until| until.since(snapshot.now)));
                Some(format!("shelved, {left} left: {name} ({level})"))
            }
            (AlarmState::Suppressed, Raised::Limit(at)) => {
                let when = model.alarms.get(at)?.when.as_ref().map_or("", |when| when.text.as_str());
                Some(format!("asleep while not {when}: {name} ({level})"))
            }
            _ => None,
        }
    };
    // What a person put aside comes before what the config does.
    let of = |state: AlarmState| (0..calls.list.len()).filter(move |place| calls.list[*place].state == state);
    of(AlarmState::Shelved).chain(of(AlarmState::Suppressed)).filter_map(sentence).collect()
}

fn row(model: &Model, labels: &Labels, snapshot: &Snapshot, entry: &Entry) -> Option<JournalRow> {
    let call = snapshot.calls.get(entry.raised)?;
    let is_newest = call.number == entry.number;
    let state = if is_newest { call.state } else { AlarmState::Normal };
    let (label, value, limit) = match entry.raised {
        Raised::Limit(at) => limit_words(model, labels, at, entry)?,
        Raised::Fault(at) => {
            let now = *snapshot.faults.get(at)?;
            // What sensors show now says something of what stands, and nothing of what is over.
            let channels = if entry.ended.is_none() { snapshot.channels.as_slice() } else { &[] };
            let told = Told::of(model, channels, &FaultShown { problem: entry.problem?, ..now })?;
            (told.name, told.what, told.detail)
        }
    };
    let mut more = Vec::new();
    if entry.first {
        more.push("the first of several".to_owned());
    }
    if let Some(ended) = entry.ended {
        more.push(format!("lasted {}", words::age(ended.since(entry.began))));
    }
    if let Some(seen) = entry.seen {
        more.push(format!("seen after {}", words::age(seen.since(entry.began))));
    }
    Some(JournalRow {
        level: entry.level,
        label,
        value,
        limit,
        state: state.words(),
        stands: state.is_told() || state == AlarmState::Shelved,
        ago: format!("{} ago", words::age(snapshot.now.since(entry.began))),
        more: more.join(", "),
        first: entry.first,
    })
}

fn limit_words(model: &Model, labels: &Labels, at: usize, entry: &Entry) -> Option<(String, String, String)> {
    let alarm = model.alarms.get(at)?;
    let channel = model.channels.get(alarm.channel.index())?;
    let unit = labels.unit(alarm.channel);
    let value = match (entry.worst.is_nan(), unit) {
        (true, _) => "?".to_owned(),
        (false, "") => words::value_text(channel, entry.worst),
        (false, unit) => format!("{} {unit}", words::value_text(channel, entry.worst)),
    };
    Some((channel.label.clone(), value, words::limit(alarm.limit, channel.digits)))
}

/// Draws `journal` over the whole of the pen; what does not fit is counted.
pub fn draw(pen: &mut Pen<'_>, journal: &Journal) {
    let (width, height) = (pen.width(), pen.height());
    let mut y = 0;
    let silent = u16::try_from(journal.silent.len()).unwrap_or(u16::MAX).min((height / 2).max(1));
    for (at, sentence) in (0..silent).zip(&journal.silent) {
        let hidden = journal.silent.len() - usize::from(at);
        let text = format!("and {hidden} more that are shelved or asleep");
        let last = at + 1 == silent && hidden > 1;
        pen.text(0, at, width, if last { &text } else { sentence }, Tone::Notice);
        y = at + 1;
    }
    if journal.rows.is_empty() {
        pen.text(0, y, width, "no alarm came yet", Tone::Quiet);
        return;
    }
    let each: u16 = if width >= WIDE { 1 } else { 2 };
    for (at, row) in journal.rows.iter().enumerate() {
        let left = height.saturating_sub(y);
        let hidden = journal.rows.len() - at;
        if left < each || (left < 2 * each && hidden > 1) {
            let room = left > 0;
            if room {
                pen.text(0, y, width, &format!("and {hidden} earlier ones"), Tone::Faint);
            }
            return;
        }
        if each == 1 {
            wide(pen, y, row);
        } else {
            narrow(pen, y, row);
        }
        y += each;
    }
}

fn tones(row: &JournalRow) -> (Tone, Tone) {
    if row.stands { (Tone::of(row.level), Tone::Plain) } else { (Tone::Quiet, Tone::Quiet) }
}

/// Level, name, worst value, limit, state, when, and what else there is to say.
fn wide(pen: &mut Pen<'_>, y: u16, row: &JournalRow) {
    let (strong, plain) = tones(row);
    let width = pen.width();
    let label = (width / 5).clamp(14, 28);
    let columns = [
        (row.level.name(), 8, strong),
        (row.label.as_str(), label, plain),
        (row.value.as_str(), (width / 6).clamp(13, 28), plain),
        (row.limit.as_str(), 12, Tone::Quiet),
        (row.state, 15, strong),
        (row.ago.as_str(), 10, Tone::Quiet),
    ];
    let mut x = 0;
    for (text, room, tone) in columns {
        if x + room / 2 > width {
            return;
        }
        pen.text(x, y, room, text, tone);
        x += room + 1;
    }
    pen.text(x, y, width.saturating_sub(x), &row.more, Tone::Quiet);
}

/// The same in two rows, the most needed first.
fn narrow(pen: &mut Pen<'_>, y: u16, row: &JournalRow) {
    let (strong, plain) = tones(row);
    let width = pen.width();
    let begin = pen.text_before(0, width, y, &row.value, plain);
    let mut x = pen.text(0, y, 2, alarm_shape(row.level), strong).max(2) + 1;
    x += pen.text(x, y, begin.saturating_sub(x + 1), &row.label, plain) + 1;
    if begin == width {
        // It is words, and too long for a place beside the name.
        pen.text(x, y, width.saturating_sub(x), &row.value, plain);
    }
    let mut x = 3;
    let first = if row.first { "first" } else { "" };
    for (text, tone) in [(row.state, strong), (&row.ago, Tone::Quiet), (first, plain), (&row.limit, Tone::Quiet)] {
        if !text.is_empty() && x + columns(text) <= width {
            x += pen.text(x, y + 1, width, text, tone) + 2;
        }
    }
}
