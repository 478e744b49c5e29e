//! What is wrong, across the top of the screen.
//!
//! Owns the choice of the worst alarm that sounds, and its banner: level, label, value, limit, and what to do. Others
//! are counted, so that nothing is hidden.

use std::borrow::Cow;

use ratatui::layout::Rect;

use super::item::{Item, Labels, alarm_shape};
use super::look::Tone;
use super::pen::{Pen, columns};
use super::words::{self, Said};
use crate::config::{Level, Model};
use crate::output::words::Told;
use crate::state::Snapshot;
use crate::watch::Raised;

/// The alarms that sound, worst and oldest first.
pub fn sounding(model: &Model, snapshot: &Snapshot) -> Vec<Raised> {
    let limits = snapshot.alarms.iter().take(model.alarms.len()).enumerate().filter(|(_, alarm)| alarm.active);
    let limits = limits.map(|(at, alarm)| (alarm.level, alarm.since, Raised::Limit(at)));
    let faults = snapshot.faults.iter().enumerate().filter(|(_, fault)| fault.active);
    let faults = faults.map(|(at, fault)| (fault.level, fault.since, Raised::Fault(at)));
    let mut all: Vec<_> = limits.chain(faults).collect();
    all.sort_by_key(|(level, since, raised)| (std::cmp::Reverse(*level), *since, *raised));
    all.into_iter().map(|(.., raised)| raised).collect()
}

/// The level of the worst of `alarms`, and the rows that its banner wants on a screen of `area`.
pub fn wanted(
    model: &Model,
    labels: &Labels,
    snapshot: &Snapshot,
    alarms: &[Raised],
    area: Rect,
) -> Option<(Level, u16)> {
    let banner = Banner::new(model, labels, snapshot, alarms)?;
    // What to do is the most needed text of all: where there is room it is never cut.
    let text = u16::try_from(wrapped(banner.text, area.width.saturating_sub(2), 4).len()).unwrap_or(1);
    let most = match area.height {
        1..8 => 1,
        8..14 => 2,
        14..20 => 3,
        _ => 5,
    };
    Some((banner.level, (1 + text).min(most)))
}

fn fault(model: &Model, snapshot: &Snapshot, at: usize) -> Option<(Level, Told)> {
    let fault = snapshot.faults.get(at)?;
    Some((fault.level, Told::now(model, fault, &snapshot.outputs)?))
}

/// `text` in lines of at most `width` columns, broken at blanks; the last of `most` lines takes what is left.
pub(super) fn wrapped(text: &str, width: u16, most: u16) -> Vec<String> {
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
    /// How bad.
    pub level: Level,
    /// What it is about.
    pub label: Cow<'a, str>,
    /// The value, or what is wrong.
    pub value: String,
    /// Its limit in words, or more of what is wrong.
    pub limit: String,
    /// What to do.
    pub text: &'a str,
    /// How many others sound.
    pub others: usize,
}

impl<'a> Banner<'a> {
    /// The first of `alarms`; `None` where none sounds.
    pub fn new(model: &'a Model, labels: &'a Labels, snapshot: &Snapshot, alarms: &[Raised]) -> Option<Self> {
        let others = alarms.len().checked_sub(1)?;
        match *alarms.first()? {
            Raised::Limit(at) => {
                let alarm = model.alarms.get(at)?;
                let item = Item::new(model, labels, snapshot, alarm.channel)?;
                let limit = words::limit(alarm.limit, item.channel.digits);
                let value = match item.said {
                    Said::Value(text) if item.unit.is_empty() => text,
                    Said::Value(text) => format!("{text} {}", item.unit),
                    Said::Doubt(long, _) => long,
                };
                Some(Self { level: alarm.level, label: item.label.into(), value, limit, text: &alarm.text, others })
            }
            Raised::Fault(at) => {
                let (level, Told { name, what, detail, remedy }) = fault(model, snapshot, at)?;
                Some(Self { level, label: name.into(), value: what, limit: detail, text: remedy, others })
            }
        }
    }
}

/// Draws `banner` over the whole of the pen.
pub fn draw(pen: &mut Pen<'_>, banner: &Banner<'_>) {
    let level = banner.level;
    let tone = Tone::fill(level);
    pen.clear(tone);
    let width = pen.width();
    let row = |y| Rect { x: 1, y, width: width.saturating_sub(2), height: 1 };
    if width < 6 {
        let shape = alarm_shape(level);
        pen.text(0, 0, width, if columns(shape) > width { "!" } else { shape }, tone);
        return;
    }
    let room = pen.height().saturating_sub(1);
    let inside = width.saturating_sub(2);
    let lines = wrapped(banner.text, inside, u16::MAX);
    if room >= 1 && lines.len() > usize::from(room) {
        // All in one go takes fewer rows; the limit can be seen on the gauge.
        let all = format!("{}  {} {}  {}", level.name().to_uppercase(), banner.label, banner.value, banner.text);
        let more = if banner.others > 0 { format!(" +{}", banner.others) } else { String::new() };
        for (y, line) in (0..=room).zip(wrapped(&(all + &more), inside, room + 1)) {
            pen.part(row(y)).text(0, 0, width, &line, tone);
        }
        return;
    }
    first_row(&mut pen.part(row(0)), banner, tone);
    for (y, line) in (1..=room).zip(lines) {
        pen.part(row(y)).text(0, 0, width, &line, tone);
    }
}

/// The level's word first, then what has room, the most needed first: label, value, limit, how many more.
fn first_row(pen: &mut Pen<'_>, banner: &Banner<'_>, tone: Tone) {
    let Banner { level, label, value, limit, others, .. } = banner;
    let width = pen.width();
    let mut end = width;
    if *others > 0 {
        let start = pen.text_before(columns(level.name()) + 1, end, 0, &format!("+{others} more"), tone);
        end = if start < end { start.saturating_sub(2) } else { end };
    }
    let mut x = pen.text(0, 0, end, &level.name().to_uppercase(), tone) + 2;
    // The label may be shortened, the value never.
    let room = end.saturating_sub(x).saturating_sub(columns(value) + 2);
    if room >= columns(label).min(4) {
        x += pen.text(x, 0, room, label, tone) + 2;
    }
    for part in [value.as_str(), limit.as_str()] {
        if x + columns(part) <= end {
            x += pen.text(x, 0, columns(part), part, tone) + 2;
        }
    }
}
