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

/// Rows that the banner takes on a screen of `rows` rows.
pub const fn rows(alarms: usize, rows: u16) -> u16 {
    match (alarms, rows) {
        (0, _) | (_, 0) => 0,
        (_, 1..8) => 1,
        (_, _) => 2,
    }
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
    if pen.height() >= 2 {
        pen.part(row(1)).text(0, 0, width, &banner.alarm.text, tone);
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
