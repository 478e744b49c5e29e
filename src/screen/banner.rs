//! What is wrong, across the top of the screen.
//!
//! Owns the choice of the worst alarm that sounds, and its banner: level, label, value, limit, and what to do. Others
//! are counted, so that nothing is hidden.

use ratatui::layout::Rect;

use super::item::{Item, Labels, alarm_shape};
use super::look::Tone;
use super::pen::{Pen, columns};
use super::words::{self, Said};
use crate::config::{Alarm, Model};
use crate::state::Snapshot;

/// The alarms that sound, worst and oldest first, by their places in the model.
pub fn sounding(model: &Model, snapshot: &Snapshot) -> Vec<usize> {
    let known = snapshot.alarms.len().min(model.alarms.len());
    let mut alarms: Vec<usize> = (0..known).filter(|at| snapshot.alarms[*at].active).collect();
    alarms.sort_by_key(|at| (std::cmp::Reverse(snapshot.alarms[*at].level), snapshot.alarms[*at].since, *at));
    alarms
}

/// Rows that the banner of the worst of `alarms` takes on a screen of `area`.
pub fn rows(model: &Model, alarms: &[usize], area: Rect) -> u16 {
    let Some(alarm) = alarms.first().and_then(|at| model.alarms.get(*at)) else { return 0 };
    // What to do is the most needed text of all: where there is room it is never cut.
    let wraps = columns(&alarm.text) > area.width.saturating_sub(2);
    match area.height {
        0 => 0,
        1..8 => 1,
        14.. if wraps => 3,
        _ => 2,
    }
}

/// `text` in lines of at most `width` columns, broken at blanks; the last of `most` lines takes what is left.
fn wrapped(text: &str, width: u16, most: u16) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let count = lines.len();
        let Some(line) = lines.last_mut() else { break };
        let fits = columns(line) + 1 + columns(word) <= width;
        if line.is_empty() {
            line.push_str(word);
        } else if fits || count >= usize::from(most) {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

/// The worst alarm that sounds.
#[derive(Clone, Debug)]
pub struct Banner<'a> {
    /// The alarm.
    pub alarm: &'a Alarm,
    /// Its channel.
    pub item: Item<'a>,
    /// Its limit in words.
    pub limit: String,
    /// How many others sound.
    pub others: usize,
}

impl<'a> Banner<'a> {
    /// The first of `alarms`; `None` where none sounds.
    pub fn new(model: &'a Model, labels: &'a Labels, snapshot: &Snapshot, alarms: &[usize]) -> Option<Self> {
        let alarm = model.alarms.get(*alarms.first()?)?;
        let item = Item::new(model, labels, snapshot, alarm.channel)?;
        let limit = words::limit(alarm.limit, item.channel.digits);
        Some(Self { alarm, item, limit, others: alarms.len() - 1 })
    }
}

/// Draws `banner` over the whole of the pen.
pub fn draw(pen: &mut Pen<'_>, banner: &Banner<'_>) {
    let level = banner.alarm.level;
    let tone = Tone::fill(level);
    pen.clear(tone);
    let width = pen.width();
    let row = |y| Rect { x: 1, y, width: width.saturating_sub(2), height: 1 };
    if width < 6 {
        let shape = alarm_shape(level);
        pen.text(0, 0, width, if columns(shape) > width { "!" } else { shape }, tone);
        return;
    }
    first_row(&mut pen.part(row(0)), banner, tone);
    let room = pen.height().saturating_sub(1);
    for (y, line) in (1..=room).zip(wrapped(&banner.alarm.text, width.saturating_sub(2), room)) {
        pen.part(row(y)).text(0, 0, width, &line, tone);
    }
}

/// The level's word first, then what has room, the most needed first: label, value, limit, how many more.
fn first_row(pen: &mut Pen<'_>, Banner { alarm, item, limit, others }: &Banner<'_>, tone: Tone) {
    let (width, level) = (pen.width(), alarm.level);
    let mut end = width;
    if *others > 0 {
        let start = pen.text_before(columns(level.name()) + 1, end, 0, &format!("+{others} more"), tone);
        end = if start < end { start.saturating_sub(2) } else { end };
    }
    let mut x = pen.text(0, 0, end, &level.name().to_uppercase(), tone) + 2;
    let value = match &item.said {
        Said::Value(text) if item.unit.is_empty() => text.clone(),
        Said::Value(text) => format!("{text} {}", item.unit),
        Said::Doubt(long, _) => long.clone(),
    };
    let label = columns(item.label);
    // The label may be shortened, the value never.
    let room = end.saturating_sub(x).saturating_sub(columns(&value) + 2);
    if room >= label.min(4) {
        x += pen.text(x, 0, room, item.label, tone) + 2;
    }
    for part in [value.as_str(), limit.as_str()] {
        if x + columns(part) <= end {
            x += pen.text(x, 0, columns(part), part, tone) + 2;
        }
    }
}
