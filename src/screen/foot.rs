//! The last rows: troubles in sentences, the status line, the pages and the keys.
//!
//! Owns what the status line says and which parts of it give way first. Each key that is shown can be tapped: the same
//! function that lays the parts out says where they are.

use ratatui::layout::Rect;

use super::attend;
use super::keys::{Act, FREE, shown_keys};
use super::look::{Look, Tone};
use super::pen::{Pen, columns};
use super::words;
use crate::config::Model;
use crate::state::{LinkState, OutputShown, PlayerShown, Recording, Snapshot};

/// A piece of a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// What it says.
    pub text: String,
    /// How it looks.
    pub tone: Tone,
    /// The higher, the sooner it gives way; 0 never does.
    pub rank: u8,
    /// What a tap on it does.
    pub act: Option<Act>,
}

fn part(text: impl Into<String>, tone: Tone, rank: u8) -> Part {
    Part { text: text.into(), tone, rank, act: None }
}

/// Columns between two parts.
const GAP: u16 = 2;

/// What was just asked or done, and troubles, the worst first, one sentence each with its tone.
pub fn sentences(model: &Model, snapshot: &Snapshot, notices: &[String]) -> Vec<(String, Tone)> {
    let links = model.links.iter().zip(&snapshot.links);
    let links = links.filter_map(|(link, shown)| words::link_trouble(&link.name, shown, snapshot.now));
    let troubles = links.chain(words::recording_trouble(snapshot.recording));
    let troubles = troubles.chain(words::config_trouble(snapshot.config_mistakes));
    let notices = notices.iter().cloned().map(|text| (text, Tone::Plain));
    // A notice answers a key and goes away by itself: the person waits for it, and the troubles come back after it.
    notices.chain(troubles.map(|text| (text, Tone::Caution))).collect()
}

/// The parts of the status line.
pub fn status(model: &Model, snapshot: &Snapshot) -> Vec<Part> {
    let mut parts = Vec::new();
    if let Some(player) = &snapshot.player {
        parts.extend(player_parts(player));
    }
    let several = model.links.len() > 1;
    for (link, shown) in model.links.iter().zip(&snapshot.links) {
        let name = if several { format!("{} ", link.name) } else { String::new() };
        if shown.state == LinkState::Up {
            parts.push(part(format!("{name}{} lines/s", shown.lines_per_s), Tone::Quiet, 2));
        } else if snapshot.player.is_none() {
            parts.push(part(format!("! {name}{}", words::link_word(shown)), Tone::Caution, 0));
        }
        // A supply that was measured a while ago is not what it is now.
        if let Some(volts) = shown.supply.filter(|_| shown.state == LinkState::Up && shown.lines_per_s > 0) {
            parts.push(part(format!("{name}supply {} V", words::number(volts, 2)), Tone::Quiet, 4));
        }
        for (count, what) in [(shown.bad, "bad"), (shown.lost, "lost"), (shown.restarts, "restarts")] {
            // What never happened has nothing to say, but its place is shown where there is room.
            let (tone, rank) = if count > 0 { (Tone::Plain, 3) } else { (Tone::Faint, 6) };
            parts.push(part(format!("{name}{count} {what}"), tone, rank));
        }
    }
    let shelved = snapshot.calls.shelved();
    if shelved > 0 {
        parts.push(part(format!("{shelved} shelved"), Tone::Caution, 0));
    }
    parts.extend(recording(snapshot.recording));
    if snapshot.config_mistakes > 0 {
        parts.push(part(format!("! config {} wrong", snapshot.config_mistakes), Tone::Caution, 1));
    }
    parts
}

fn recording(recording: Recording) -> Option<Part> {
    match recording {
        Recording::Off => None,
        Recording::On { drive } => Some(part(format!("drive {drive} recording"), Tone::Quiet, 1)),
        Recording::Stopped(_) => Some(part("! not recording", Tone::Caution, 0)),
    }
}

fn player_parts(player: &PlayerShown) -> Vec<Part> {
    let place = match player.length {
        Some(length) => format!("{} of {}", words::position(player.position), words::position(length)),
        None => words::position(player.position),
    };
    let state = match (player.ended, player.paused) {
        (true, _) => "end".to_owned(),
        (false, true) => "standing".to_owned(),
        (false, false) => format!("replay x{}", player.speed),
    };
    let mut parts = vec![part(state, Tone::Notice, 0), part(place, Tone::Plain, 0)];
    if player.looping {
        parts.push(part("over again", Tone::Plain, 2));
    }
    parts
}

/// The parts of the last line: the pages, then the keys.
pub fn keys(model: &Model, snapshot: &Snapshot, page: usize, replaying: bool) -> Vec<Part> {
    let mut parts = Vec::new();
    for (index, known) in model.pages.iter().enumerate() {
        let here = index == page;
        let number = if index < 9 { format!("{} ", index + 1) } else { String::new() };
        parts.push(Part {
            text: format!("{number}{}", known.name),
            tone: if here { Tone::Plain } else { Tone::Faint },
            rank: if here { 0 } else { 3 },
            act: Some(Act::Page(index)),
        });
    }
    for (key, what, rank, act) in attend::keys(model, snapshot) {
        parts.push(Part { text: format!("{key} {what}"), tone: Tone::Plain, rank: *rank, act: *act });
    }
    let locked = !replaying && snapshot.outputs.iter().any(OutputShown::is_locked);
    for (key, what, rank, act) in locked.then_some(&FREE).into_iter().chain(shown_keys(replaying)) {
        parts.push(Part { text: format!("{key} {what}"), tone: Tone::Faint, rank: *rank, act: *act });
    }
    parts
}

/// Leaves parts out until the rest fits into `width`, the highest rank first, the last of equals first. Gives each
/// part that stays with the column where it begins.
pub fn fitted(parts: &[Part], look: &Look, width: u16) -> Vec<(u16, usize)> {
    let widths: Vec<u16> = parts.iter().map(|part| columns(&look.text(&part.text))).collect();
    let mut stay: Vec<bool> = vec![true; parts.len()];
    loop {
        let kept = || (0..parts.len()).filter(|at| stay[*at]);
        let total = kept().fold(0_u32, |sum, at| sum + u32::from(widths[at] + GAP));
        let weakest = kept().max_by_key(|at| (parts[*at].rank, *at)).filter(|at| parts[*at].rank > 0);
        match weakest {
            Some(at) if total > u32::from(width) + u32::from(GAP) => stay[at] = false,
            _ => break,
        }
    }
    let mut x = 0;
    let mut placed = Vec::new();
    for at in (0..parts.len()).filter(|at| stay[*at]) {
        placed.push((x, at));
        x += widths[at] + GAP;
    }
    placed
}

/// Draws a line of parts in row 0 of `pen`.
pub fn draw(pen: &mut Pen<'_>, parts: &[Part]) {
    for (x, at) in fitted(parts, pen.look, pen.width()) {
        pen.text(x, 0, pen.width(), &parts[at].text, parts[at].tone);
    }
}

/// What a tap on column `x` of a line of parts does.
pub fn tapped(parts: &[Part], look: &Look, width: u16, x: u16) -> Option<Act> {
    let hit = |(start, at): &(u16, usize)| {
        let end = start.saturating_add(columns(&look.text(&parts[*at].text)));
        // A finger is wide: the gap on either side belongs to the part.
        (start.saturating_sub(1)..=end).contains(&x)
    };
    fitted(parts, look, width).iter().find(|place| hit(place)).and_then(|(_, at)| parts[*at].act)
}

/// The rows at the foot of a screen of that size.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Foot {
    /// Sentences.
    pub sentences: Rect,
    /// The status line.
    pub status: Rect,
    /// Pages and keys.
    pub keys: Rect,
}

impl Foot {
    /// What the foot takes of `area` where `sentences` are to be told.
    pub fn new(area: Rect, sentences: usize) -> Self {
        let most = match area.height {
            0..8 => 0,
            8..16 => 1,
            _ => 2,
        };
        let told = u16::try_from(sentences).unwrap_or(u16::MAX).min(most);
        let status = u16::from(area.height >= 5);
        let keys = u16::from(area.height >= 8);
        let from = |rows: u16| area.bottom().saturating_sub(rows);
        let rect = |y, height| Rect { y, height, ..area };
        Self {
            sentences: rect(from(keys + status + told), told),
            status: rect(from(keys + status), status),
            keys: rect(from(keys), keys),
        }
    }

    /// Rows in all.
    pub const fn rows(&self) -> u16 {
        self.sentences.height + self.status.height + self.keys.height
    }
}
