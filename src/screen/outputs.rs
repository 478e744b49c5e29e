//! All outputs in rows: what each is to be, what its pin really does, why, how much time is left, and whether it is armed.
//!
//! Owns the words of a row and which of them give way. Whether it is armed always stands there in words.

use super::look::Tone;
use super::pen::{Pen, columns};
use crate::config::{Model, Output};
use crate::output::words;
use crate::state::{OutputShown, Snapshot, Why};
use crate::time::Stamp;

/// One output in words.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct OutputRow {
    /// Its name.
    name: String,
    /// What its rule comes to, and what the pin really does where that is known and another.
    state: String,
    /// Which term decides, and the time left.
    why: String,
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
        row(model, output, snapshot.outputs.get(place).unwrap_or(&unknown), snapshot.now, replaying)
    };
    model.outputs.iter().enumerate().map(row).collect()
}

fn row(model: &Model, output: &Output, shown: &OutputShown, now: Stamp, replaying: bool) -> OutputRow {
    let wanted = words::value(output.pin, shown.wanted);
    let state = match (shown.armed, shown.there) {
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
    OutputRow { name: output.name.clone(), state, why: words::why(model, shown, now), armed, on, wrong }
}

/// Draws `rows` over the whole of the pen: each in one row, or in two where there is room and the width wants it.
pub fn draw(pen: &mut Pen<'_>, rows: &[OutputRow]) {
    let (height, count) = (usize::from(pen.height()), rows.len());
    let each = if count > 0 && height >= 2 * count { 2 } else { 1 };
    let fit = height / each;
    for (place, row) in rows.iter().take(fit).enumerate() {
        let y = u16::try_from(place * each).unwrap_or(u16::MAX);
        if place + 1 == fit && count > fit {
            let (wrong, hidden) = (rows[place..].iter().any(|row| row.wrong), count - place);
            let text = if wrong {
                format!("and {hidden} more outputs, one locked")
            } else {
                format!("and {hidden} more outputs")
            };
            pen.text(0, y, pen.width(), &text, if wrong { Tone::Caution } else { Tone::Quiet });
        } else {
            one(pen, y, each == 2, row);
        }
    }
}

fn one(pen: &mut Pen<'_>, y: u16, two: bool, row: &OutputRow) {
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
    let fits = x + columns(&row.why) <= end;
    if two && !fits {
        pen.text(2, y + 1, width.saturating_sub(2), &row.why, why);
    } else if x < end {
        pen.text(x, y, end - x, &row.why, why);
    }
}
