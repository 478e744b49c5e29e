//! All outputs in rows: what each is to be, what its pin really does, why, how much time is left, and whether it is armed.
//!
//! Owns the words of a row, how they wrap, and which of them give way. Whether it is armed always stands there in words.

use std::borrow::Cow;

use super::banner::wrapped;
use super::look::Tone;
use super::pen::{Pen, columns};
use crate::config::{Model, Output};
use crate::output::words;
use crate::state::{FaultShown, OutputShown, Snapshot, Subject, Why};

/// What stands below an output's first row is set in by so many columns.
const INDENT: u16 = 2;

/// One output in words.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct OutputRow {
    /// Its name.
    name: String,
    /// What its rule comes to, and what the pin really does where that is known and another.
    state: String,
    /// Which term decides, and the time left.
    why: String,
    /// What to do where it is locked; else empty.
    remedy: Cow<'static, str>,
    /// `armed` or `not armed`.
    armed: &'static str,
    /// The pin is on.
    on: bool,
    /// It is locked, or its pin does something else.
    wrong: bool,
}

/// The outputs of `model` in `snapshot`; those that are not in the snapshot rest.
pub fn rows(model: &Model, snapshot: &Snapshot) -> Vec<OutputRow> {
    let replaying = snapshot.player.is_some();
    let row = |(place, output): (usize, &Output)| {
        let unknown = OutputShown::resting(output.armed);
        let shown = snapshot.outputs.get(place).unwrap_or(&unknown);
        let why = words::why(model, &snapshot.channels, place, shown, snapshot.now);
        OutputRow { remedy: remedy(model, snapshot, place), ..row(output, shown, why, replaying) }
    };
    model.outputs.iter().enumerate().map(row).collect()
}

/// What to do about the alarm of the output at `place`. The banner has room for the worst one, and not always for all of it.
fn remedy(model: &Model, snapshot: &Snapshot, place: usize) -> Cow<'static, str> {
    let is_its = |fault: &&FaultShown| {
        fault.active && fault.subject == Subject::Output(u16::try_from(place).unwrap_or(u16::MAX))
    };
    let fault = snapshot.faults.iter().find(is_its);
    let told = |fault| words::Told::now(model, &snapshot.channels, fault, &snapshot.outputs);
    fault.and_then(told).map_or(Cow::Borrowed(""), |told| told.remedy)
}

fn row(output: &Output, shown: &OutputShown, why: String, replaying: bool) -> OutputRow {
    let wanted = words::value(output.pin, shown.wanted);
    let state = match (shown.armed, shown.there) {
        // Nobody may take for switched what is only worked out.
        (false, _) if shown.wanted > 0 => format!("would be {wanted}"),
        (false, _) => wanted,
        (true, Some(there)) => format!("{wanted}, pin {}", words::value(output.pin, there)),
        (true, None) => format!("{wanted}, pin ?"),
    };
    // What was armed on the road is not armed now: nothing is sent by a replay.
    let armed = match (shown.armed, replaying) {
        (true, false) => "armed",
        (true, true) => "was armed",
        (false, _) => "not armed",
    };
    let on = if shown.armed { shown.there.or(shown.sent).is_some_and(|is| is > 0) } else { shown.wanted > 0 };
    let wrong = shown.is_locked() || shown.why == Why::NoPin;
    OutputRow { name: output.name.clone(), state, why, remedy: Cow::Borrowed(""), armed, on, wrong }
}

/// Draws `rows` over the whole of the pen: each in one row, and in as many more as its words take where there is room.
pub fn draw(pen: &mut Pen<'_>, rows: &[OutputRow]) {
    let mut y = 0;
    for (place, (row, height)) in rows.iter().zip(heights(pen, rows)).enumerate() {
        let left = pen.height().saturating_sub(y);
        if left == 1 && place + 1 < rows.len() {
            return hidden(pen, y, &rows[place..]);
        }
        one(pen, y, height, row);
        y += height;
    }
}

/// How many rows each takes: what is wrong gets its words first, then what to do about it where that has room as a whole,
/// since half of it is of no use; then the others get their words.
fn heights(pen: &Pen<'_>, rows: &[OutputRow]) -> Vec<u16> {
    let mut heights = vec![1; rows.len()];
    let count = u16::try_from(rows.len()).unwrap_or(u16::MAX);
    let mut spare = pen.height().saturating_sub(count);
    let mut give = |which: &dyn Fn(&OutputRow) -> bool, wants: &dyn Fn(&OutputRow, u16, u16) -> u16| {
        for (height, row) in heights.iter_mut().zip(rows).filter(|(_, row)| which(row)) {
            let more = wants(row, spare, *height);
            *height += more;
            spare -= more;
        }
    };
    let words = |row: &OutputRow, spare: u16, _: u16| below(pen, row).min(spare);
    let remedy = |row: &OutputRow, spare: u16, height: u16| {
        let wants = lines(pen, &row.remedy);
        if wants <= spare && height > below(pen, row) { wants } else { 0 }
    };
    give(&|row| row.wrong, &words);
    give(&|row| row.wrong, &remedy);
    give(&|row| !row.wrong, &words);
    heights
}

/// Rows below its first one that its words take.
fn below(pen: &Pen<'_>, row: &OutputRow) -> u16 {
    if beside(pen.width(), row) {
        return 0;
    }
    lines(pen, &row.why)
}

/// Rows that `text` takes below an output's first one.
fn lines(pen: &Pen<'_>, text: &str) -> u16 {
    if text.is_empty() {
        return 0;
    }
    u16::try_from(wrapped(text, pen.width().saturating_sub(INDENT), u16::MAX).len()).unwrap_or(u16::MAX)
}

/// Whether all of it fits side by side.
fn beside(width: u16, row: &OutputRow) -> bool {
    let parts = [row.name.as_str(), &row.state, &row.why, row.armed];
    parts.iter().fold(0, |sum: u16, part| sum.saturating_add(columns(part) + 2)) <= width.saturating_add(2)
}

/// Says how many are not shown.
fn hidden(pen: &mut Pen<'_>, y: u16, rows: &[OutputRow]) {
    let wrong = rows.iter().any(|row| row.wrong);
    let locked = if wrong { ", one locked" } else { "" };
    let tone = if wrong { Tone::Caution } else { Tone::Quiet };
    pen.text(0, y, pen.width(), &format!("and {} more outputs{locked}", rows.len()), tone);
}

fn one(pen: &mut Pen<'_>, y: u16, height: u16, row: &OutputRow) {
    let width = pen.width();
    let armed = pen.text_before(0, width, y, row.armed, if row.armed == "armed" { Tone::Plain } else { Tone::Faint });
    // The name gives way first: what it does is shorter and matters more.
    let end = armed.saturating_sub(2);
    let room = end.saturating_sub(columns(&row.state) + 2);
    let mut x = match room {
        0..4 => 0,
        _ => pen.text(0, y, room, &row.name, Tone::Quiet) + 2,
    };
    let tone = match (row.wrong, row.on) {
        (true, _) => Tone::Caution,
        (false, true) => Tone::Strong,
        (false, false) => Tone::Plain,
    };
    x += pen.text(x, y, end.saturating_sub(x), &row.state, tone) + 2;
    let why = if row.wrong { Tone::Caution } else { Tone::Quiet };
    let end_row = y + height;
    let mut below = y + 1;
    if height == 1 || beside(width, row) {
        pen.text(x, y, end.saturating_sub(x), &row.why, why);
    } else {
        below += paragraph(pen, below, end_row - below, (&row.why, why));
    }
    paragraph(pen, below, end_row.saturating_sub(below), (&*row.remedy, Tone::Plain));
}

/// Writes `text` from the row `y` on, in at most `most` rows; gives how many it took.
fn paragraph(pen: &mut Pen<'_>, y: u16, most: u16, (text, tone): (&str, Tone)) -> u16 {
    if most == 0 || text.is_empty() {
        return 0;
    }
    let room = pen.width().saturating_sub(INDENT);
    let lines = wrapped(text, room, most);
    for (below, line) in (y..).zip(&lines) {
        pen.text(INDENT, below, room, line, tone);
    }
    u16::try_from(lines.len()).unwrap_or(most)
}
