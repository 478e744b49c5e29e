//! One channel as the widgets see it: label, unit, value or words, limits, alarm.
//!
//! Owns what is prepared once for a model ([`Labels`]) and what is put together for each frame ([`Item`]).

use std::hash::{Hash, Hasher};

use ratatui::layout::Rect;

use super::look::{Look, Tone};
use super::pen::{Pen, columns};
use super::words::{self, Said};
use crate::channel::Trust;
use crate::config::{Alarm, Channel, ChannelId, Level, Limit, LinkId, Model, Source};
use crate::state::{AlarmState, LinkState, Raised, Shown, Snapshot};

/// What is prepared once for each channel of a model on one look.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Labels {
    channels: Vec<Prepared>,
    outputs: u16,
}

#[derive(Clone, Debug, PartialEq)]
struct Prepared {
    label: String,
    unit: String,
    /// Columns of the widest value that is expected, so that a face keeps its size while the value changes.
    slot: u16,
    /// The links that its value comes from in the end.
    links: Vec<LinkId>,
    /// Places in `Model::alarms`.
    alarms: Vec<usize>,
}

impl Labels {
    /// Prepares every channel of `model`.
    pub fn new(model: &Model, look: &Look) -> Self {
        let prepare = |(index, channel): (u16, &Channel)| Prepared {
            label: look.text(&channel.label).into_owned(),
            unit: if channel.words.is_some() { String::new() } else { look.unit(channel.unit) },
            slot: slot(channel, look),
            links: links_of(model, ChannelId(index)),
            alarms: (0..model.alarms.len()).filter(|at| model.alarms[*at].channel == ChannelId(index)).collect(),
        };
        let outputs = u16::try_from(model.outputs.len()).unwrap_or(u16::MAX);
        Self { channels: (0_u16..).zip(&model.channels).map(prepare).collect(), outputs }
    }

    /// The unit of a channel in the look's glyph set, empty where there is none.
    pub fn unit(&self, id: ChannelId) -> &str {
        self.channels.get(id.index()).map_or("", |known| &known.unit)
    }

    /// How many outputs there are.
    pub const fn outputs(&self) -> u16 {
        self.outputs
    }

    /// Columns of the label, the widest value expected and its unit in one row; 0 for a channel that is not there.
    pub fn in_one_row(&self, id: ChannelId) -> u16 {
        let (value, unit) = self.width(id);
        let label = self.channels.get(id.index()).map_or(0, |known| columns(&known.label));
        label.saturating_add(1 + value).saturating_add(if unit > 0 { unit + 1 } else { 0 })
    }

    /// Columns of the widest value expected, and of the unit behind it; both 0 for a channel that is not there.
    pub fn width(&self, id: ChannelId) -> (u16, u16) {
        self.channels.get(id.index()).map_or((0, 0), |known| (known.slot, columns(&known.unit)))
    }
}

fn slot(channel: &Channel, look: &Look) -> u16 {
    if let Some(words) = &channel.words {
        return words.iter().map(|word| columns(&look.text(word))).max().unwrap_or(0);
    }
    let (low, high) = channel.span.unwrap_or((0.0, 1000.0));
    columns(&words::number(low, channel.digits)).max(columns(&words::number(high, channel.digits)))
}

/// The links that a channel's value comes from, through formulas too. Each channel is looked at once.
fn links_of(model: &Model, id: ChannelId) -> Vec<LinkId> {
    let mut links = Vec::new();
    let mut seen = vec![false; model.channels.len()];
    let mut waiting = vec![id];
    while let Some(next) = waiting.pop() {
        let Some(channel) = model.channels.get(next.index()) else { continue };
        if std::mem::replace(&mut seen[next.index()], true) {
            continue;
        }
        match &channel.source {
            Source::Input(input) if !links.contains(&input.link) => links.push(input.link),
            Source::Input(_) => {}
            Source::Formula(formula) => waiting.extend(&formula.terms),
        }
    }
    links
}

/// One channel at one instant.
#[derive(Clone, Debug)]
pub struct Item<'a> {
    /// The channel.
    pub channel: &'a Channel,
    /// Its label in the look's glyph set.
    pub label: &'a str,
    /// Its unit in the look's glyph set, empty where there is none.
    pub unit: &'a str,
    /// Columns of the widest value expected.
    pub slot: u16,
    /// What stands in the value's place.
    pub said: Said,
    /// The value, if it can be trusted.
    pub value: Option<f64>,
    /// The worst alarm that sounds on it.
    pub alarm: Option<Level>,
    /// The worst limit first.
    pub limits: Vec<(Level, Limit)>,
    /// The words have a cause that is named elsewhere (its link is down), so they need not stand out.
    pub excused: bool,
    /// Something else is wrong, so that this one steps back.
    pub aside: bool,
}

impl<'a> Item<'a> {
    /// The channel `id` in `snapshot`; `None` where the model has no such channel.
    pub fn new(model: &'a Model, labels: &'a Labels, snapshot: &Snapshot, id: ChannelId) -> Option<Self> {
        let channel = model.channels.get(id.index())?;
        let known = labels.channels.get(id.index())?;
        let shown = snapshot.channels.get(id.index()).unwrap_or(&Shown::UNKNOWN);
        let said = words::said(channel, shown, snapshot.now);
        let slot = match &said {
            Said::Value(text) => known.slot.max(columns(text)),
            Said::Doubt(..) => known.slot,
        };
        let mut limits: Vec<_> = known.alarms.iter().map(|at| of_alarm(&model.alarms[*at])).collect();
        crate::order::by_key(&mut limits, |(level, _)| std::cmp::Reverse(*level));
        Some(Self {
            channel,
            label: &known.label,
            unit: &known.unit,
            slot,
            said,
            value: shown.smooth.good(),
            alarm: sounding(known, snapshot),
            limits,
            excused: is_excused(known, shown, snapshot),
            aside: danger(snapshot),
        })
    }

    /// The tone of the value, small or large.
    pub fn tone(&self, calm: Tone) -> Tone {
        match (self.alarm, &self.said) {
            (Some(level), _) => Tone::of(level),
            (None, Said::Value(_)) if self.aside && calm == Tone::Strong => Tone::Plain,
            (None, Said::Value(_)) => calm,
            (None, Said::Doubt(..)) if self.excused => Tone::Quiet,
            (None, Said::Doubt(..)) => Tone::Unsure,
        }
    }

    /// Whether label and value, or the words in its place, have room side by side in `width` columns: by the widest value
    /// expected, so that nothing moves while it changes.
    pub fn fits_one_row(&self, width: u16) -> bool {
        let unit = if self.unit.is_empty() { 0 } else { columns(self.unit) + 1 };
        let value = match &self.said {
            Said::Value(_) => self.slot + unit,
            Said::Doubt(long, _) => columns(long),
        };
        let shape = self.alarm.map_or(0, |level| columns(alarm_shape(level)) + 1);
        shape.saturating_add(columns(self.label)).saturating_add(1 + value) <= width
    }

    /// The label in two rows of at most `width` columns, broken at a blank; `None` where it fits in one, or cannot be.
    pub fn label_in_two(&self, width: u16) -> Option<(&'a str, &'a str)> {
        let shape = self.alarm.map_or(0, |level| columns(alarm_shape(level)) + 1);
        if columns(self.label).saturating_add(shape) <= width {
            return None;
        }
        let breaks = self.label.match_indices(' ').map(|(at, _)| (&self.label[..at], &self.label[at + 1..]));
        breaks.rev().find(|(first, rest)| columns(first).saturating_add(shape) <= width && columns(rest) <= width)
    }

    /// Feeds `hasher` with everything that may change from frame to frame; with the value itself only where more than
    /// its text is shown.
    pub fn digest(&self, with_value: bool, hasher: &mut impl Hasher) {
        (&self.said, self.slot, self.alarm, self.excused, self.aside).hash(hasher);
        let (low, high) = self.scale();
        let value = self.value.filter(|_| with_value);
        (low.to_bits(), high.to_bits(), value.map(f64::to_bits)).hash(hasher);
    }

    /// The ends of the scale: the span; without one, 0 and what comes next above value and limits. Always apart.
    pub fn scale(&self) -> (f64, f64) {
        let (low, high) = self.channel.span.unwrap_or_else(|| self.guessed_scale());
        if high > low { (low, high) } else { (low, low + 1.0) }
    }

    fn guessed_scale(&self) -> (f64, f64) {
        let known = self.limits.iter().map(|(_, limit)| limit_at(*limit)).chain(self.value);
        let (low, high) = known.fold((0.0_f64, 0.0_f64), |(low, high), at| (low.min(at), high.max(at)));
        (round_out(low), round_out(high))
    }

    /// Where `at` lies on the scale, from 0 to 1; beyond its ends, the end.
    pub fn share(&self, at: f64) -> f64 {
        let (low, high) = self.scale();
        let share = (at - low) / (high - low);
        if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 }
    }

    /// The worst level whose limit lies on the near side of the place `share` of the scale.
    pub fn zone(&self, share: f64) -> Option<Level> {
        let beyond = |limit: Limit| match limit {
            Limit::Below(at) => share < self.share(at),
            Limit::Above(at) => share > self.share(at),
        };
        self.limits
            .iter()
            .filter(|(level, limit)| *level > Level::Notice && beyond(*limit))
            .map(|(level, _)| *level)
            .max()
    }
}

fn of_alarm(alarm: &Alarm) -> (Level, Limit) {
    (alarm.level, alarm.limit)
}

/// The number of a limit.
pub const fn limit_at(limit: Limit) -> f64 {
    match limit {
        Limit::Below(at) | Limit::Above(at) => at,
    }
}

/// Whether anything is dangerous.
fn danger(snapshot: &Snapshot) -> bool {
    let limits = (0..snapshot.alarms.len()).map(Raised::Limit);
    let mut all = limits.chain((0..snapshot.faults.len()).map(Raised::Fault));
    all.any(|raised| snapshot.alarm_level(raised) == Some(Level::Danger) && is_wrong(snapshot, raised))
}

fn sounding(known: &Prepared, snapshot: &Snapshot) -> Option<Level> {
    let those = known.alarms.iter().map(|at| Raised::Limit(*at)).filter(|raised| is_wrong(snapshot, *raised));
    those.filter_map(|raised| snapshot.alarm_level(raised)).max()
}

/// Whether it is there now and nobody put it aside.
fn is_wrong(snapshot: &Snapshot, raised: Raised) -> bool {
    matches!(snapshot.alarm_state(raised), AlarmState::Unacknowledged | AlarmState::Acknowledged)
}

/// Missing or stale is no news where a link that it comes from is down: the link says so once for all.
fn is_excused(known: &Prepared, shown: &Shown, snapshot: &Snapshot) -> bool {
    let silent = matches!(shown.smooth.trust(), Trust::Missing | Trust::Stale);
    let down = |link: &LinkId| snapshot.links.get(link.index()).is_none_or(|link| link.state != LinkState::Up);
    silent && known.links.iter().any(down)
}

/// The next of 1, 2, 5 times a power of ten, away from 0.
fn round_out(value: f64) -> f64 {
    let size = value.abs();
    if size == 0.0 || !size.is_finite() {
        return 0.0;
    }
    let power = 10_f64.powf(size.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().find(|step| step * power >= size).unwrap_or(10.0);
    (step * power).copysign(value)
}

/// The row above a face: label left, its unit behind it if wanted, the word of an alarm right, or its shape before the
/// label where the word has no room.
pub fn header(pen: &mut Pen<'_>, item: &Item<'_>, with_unit: bool) {
    let (label, mut end) = (columns(item.label), pen.width());
    let mut start = 0;
    if let Some(level) = item.alarm {
        let word = format!(" {} ", level.name());
        let place = pen.text_before(label + 1, end, 0, &word, Tone::fill(level));
        if place < end {
            end = place - 1;
        } else {
            start = pen.text(0, 0, end, alarm_shape(level), Tone::of(level)) + 1;
        }
    }
    let tone = if start > 0 { item.tone(Tone::Quiet) } else { Tone::Quiet };
    let used = start + pen.text(start, 0, end.saturating_sub(start), item.label, tone);
    if with_unit && !item.unit.is_empty() && used + 1 + columns(item.unit) <= end {
        pen.text(used + 1, 0, end, item.unit, Tone::Faint);
    }
}

/// Value with its unit, or words, ending at column `end` of row `y` and beginning not before `start`. Never cuts a
/// number: what does not fit loses its unit, then is not shown. Gives the column where it begins.
pub fn value_before(pen: &mut Pen<'_>, item: &Item<'_>, (start, end): (u16, u16), y: u16, calm: Tone) -> u16 {
    let tone = item.tone(calm);
    match &item.said {
        Said::Value(text) => {
            let unit = columns(item.unit);
            let fits = start.saturating_add(columns(text)) < end.saturating_sub(unit) && unit > 0;
            let stop = if fits { pen.text_before(start, end, y, item.unit, Tone::Quiet) - 1 } else { end };
            let begin = pen.text_before(start, stop, y, text, tone);
            if begin == stop { no_room(pen, start, end, y, tone) } else { begin }
        }
        Said::Doubt(long, short) => {
            let begin = pen.text_before(start, end, y, long, tone);
            if begin < end {
                return begin;
            }
            let begin = pen.text_before(start, end, y, short, tone);
            if begin < end { begin } else { no_room(pen, start, end, y, tone) }
        }
    }
}

fn no_room(pen: &mut Pen<'_>, start: u16, end: u16, y: u16, tone: Tone) -> u16 {
    if start >= end {
        return end;
    }
    pen.mark(end - 1, y, pen.look.signs().more, tone);
    end - 1
}

/// One row: label, value, unit. The fall-back of every face.
pub fn list_row(pen: &mut Pen<'_>, item: &Item<'_>) {
    let width = pen.width();
    if pen.is_empty() {
        return;
    }
    // The value comes first: in a very narrow place it is the label that gives way.
    let begin = value_before(pen, item, (0, width), 0, Tone::Plain);
    let room = begin.saturating_sub(1);
    match item.alarm {
        Some(level) => {
            let shape = alarm_shape(level);
            pen.text(0, 0, room, shape, Tone::of(level));
            pen.text(columns(shape) + 1, 0, room.saturating_sub(columns(shape) + 1), item.label, Tone::of(level));
        }
        None => {
            pen.text(0, 0, room, item.label, Tone::Quiet);
        }
    }
}

/// Least columns of a list's column.
const LIST_COLUMN: u16 = 28;

/// Plain rows, in several columns where there is room. What alarms comes first where not all fit.
pub fn list(pen: &mut Pen<'_>, mut items: Vec<Item<'_>>) {
    if pen.is_empty() {
        return;
    }
    let (rows, width) = (usize::from(pen.height()), pen.width());
    let columns = (width / LIST_COLUMN).max(1);
    let columns = columns.min(u16::try_from(items.len().div_ceil(rows)).unwrap_or(u16::MAX).max(1));
    let slots = rows * usize::from(columns);
    if items.len() > slots {
        crate::order::by_key(&mut items, |item| std::cmp::Reverse(item.alarm));
    }
    let hidden = items.len().saturating_sub(slots);
    let each = width / columns;
    for (index, item) in items.iter().take(slots).enumerate() {
        let (column, row) = (index / rows, index % rows);
        let x = u16::try_from(column).unwrap_or(0) * each;
        let gutter = if columns > 1 { 2.min(each) } else { 0 };
        let area = Rect { x, y: u16::try_from(row).unwrap_or(0), width: each - gutter, height: 1 };
        if hidden > 0 && index + 1 == slots && slots > 1 {
            let text = format!("and {} more", hidden + 1);
            pen.part(area).text(0, 0, area.width, &text, Tone::Quiet);
        } else {
            list_row(&mut pen.part(area), item);
        }
    }
}

/// The shape that goes with a level where its word has no room.
pub const fn alarm_shape(level: Level) -> &'static str {
    match level {
        Level::Notice => "i",
        Level::Caution => "!",
        Level::Danger => "!!",
    }
}

/// `area` without its first `rows` rows, with the corner at the pen's own.
pub fn below(pen: &Pen<'_>, rows: u16) -> Rect {
    let rows = rows.min(pen.height());
    Rect { x: 0, y: rows, width: pen.width(), height: pen.height() - rows }
}
