//! What is wrong, across the top of the screen.
//!
//! Owns the order of the alarms that are told, and the banner of the first: level, label, value, limit, since when, and
//! what to do. Others are counted, so that nothing is hidden, and one that nobody has seen yet is named behind one that
//! was seen.

use std::borrow::Cow;
use std::cmp::Reverse;

use ratatui::layout::Rect;

use super::item::{Item, Labels, alarm_shape};
use super::look::Tone;
use super::pen::{Pen, columns};
use super::words::{self, Said};
use crate::config::{Level, Model};
use crate::output::words::Told;
use crate::state::{AlarmState, Call, Raised, Snapshot};
use crate::time::Stamp;

/// Where an alarm stands among others: what is over comes last, the worst first, of those what nobody has seen, of those
/// the oldest. No two are alike, and what is done about one moves no two others.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Rank {
    is_over: bool,
    level: Reverse<Level>,
    is_seen: bool,
    since: Stamp,
    raised: Raised,
}

/// The alarms that are told, in their order.
pub fn sounding(model: &Model, snapshot: &Snapshot) -> Vec<Raised> {
    let limits = (0..snapshot.alarms.len().min(model.alarms.len())).map(Raised::Limit);
    let all = limits.chain((0..snapshot.faults.len()).map(Raised::Fault));
    let mut ranks: Vec<_> = all.filter_map(|raised| rank(snapshot, raised)).collect();
    crate::order::by(&mut ranks, Rank::cmp);
    ranks.into_iter().map(|rank| rank.raised).collect()
}

fn rank(snapshot: &Snapshot, raised: Raised) -> Option<Rank> {
    let state = snapshot.alarm_state(raised);
    let since = match (raised, snapshot.calls.get(raised)) {
        (_, Some(call)) if call.number > 0 => call.began,
        (Raised::Limit(at), _) => snapshot.alarms.get(at)?.since,
        (Raised::Fault(at), _) => snapshot.faults.get(at)?.since,
    };
    state.is_told().then_some(Rank {
        is_over: state == AlarmState::Returned,
        level: Reverse(snapshot.alarm_level(raised)?),
        is_seen: !state.waits(),
        since,
        raised,
    })
}

/// Whether something dangerous is there that nobody has seen yet: only that blinks.
pub fn blinks(snapshot: &Snapshot) -> bool {
    let limits = (0..snapshot.alarms.len()).map(Raised::Limit);
    let mut all = limits.chain((0..snapshot.faults.len()).map(Raised::Fault));
    all.any(|raised| {
        snapshot.alarm_level(raised) == Some(Level::Danger)
            && snapshot.alarm_state(raised) == AlarmState::Unacknowledged
    })
}

/// The first that nobody has seen, where that is not the first of all.
fn hidden(snapshot: &Snapshot, alarms: &[Raised]) -> Option<Raised> {
    let waits = |raised: &Raised| snapshot.alarm_state(*raised).waits();
    let first = alarms.first()?;
    alarms.iter().copied().find(waits).filter(|raised| raised != first)
}

/// The level of the first of `alarms`, and the rows that its banner wants on a screen of `area`.
pub fn wanted(
    model: &Model,
    labels: &Labels,
    snapshot: &Snapshot,
    alarms: &[Raised],
    area: Rect,
) -> Option<(Level, u16)> {
    let banner = Banner::new(model, labels, snapshot, alarms)?;
    let more = u16::from(area.height >= 8 && banner.unseen.is_some());
    if banner.state == AlarmState::Returned {
        return Some((banner.level, more + area.height.min(1)));
    }
    // What to do is the most needed text of all: where there is room it is never cut.
    let text = u16::try_from(wrapped(&banner.text, area.width.saturating_sub(2), 4).len()).unwrap_or(1);
    let most = match area.height {
        1..8 => 1,
        8..14 => 2,
        14..20 => 3,
        _ => 5,
    };
    Some((banner.level, more + (1 + text).min(most)))
}

fn fault(model: &Model, snapshot: &Snapshot, at: usize) -> Option<(Level, Told)> {
    let fault = snapshot.faults.get(at)?;
    Some((fault.level, Told::now(model, &snapshot.channels, fault, &snapshot.outputs)?))
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

/// The first of the alarms that are told.
#[derive(Clone, Debug, Hash)]
pub struct Banner<'a> {
    /// How bad.
    pub level: Level,
    /// What it is about.
    pub label: Cow<'a, str>,
    /// The value, or what is wrong.
    pub value: String,
    /// The same where there is little room; empty where it is not shorter.
    pub short: String,
    /// Its limit in words, or more of what is wrong.
    pub limit: String,
    /// How long it has been there.
    pub since: String,
    /// What to do.
    pub text: Cow<'a, str>,
    /// How many others are told.
    pub others: usize,
    /// What stands of it.
    pub state: AlarmState,
    /// The first that nobody has seen, behind one that was seen.
    pub unseen: Option<(Level, String)>,
    /// What blinks is in the half of its time in which it is bright.
    pub lit: bool,
}

impl<'a> Banner<'a> {
    /// The first of `alarms`; `None` where none is told.
    pub fn new(model: &'a Model, labels: &'a Labels, snapshot: &Snapshot, alarms: &[Raised]) -> Option<Self> {
        let others = alarms.len().checked_sub(1)?;
        let unseen = hidden(snapshot, alarms).and_then(|raised| {
            let Self { level, label, value, .. } = Self::one(model, labels, snapshot, raised)?;
            Some((level, format!("{label}  {value}")))
        });
        Some(Self { others, unseen, ..Self::one(model, labels, snapshot, *alarms.first()?)? })
    }

    fn one(model: &'a Model, labels: &'a Labels, snapshot: &Snapshot, raised: Raised) -> Option<Self> {
        let state = snapshot.alarm_state(raised);
        let call = snapshot.calls.get(raised).filter(|call| call.number > 0);
        let since = call.map_or(String::new(), |call| since(state, call, snapshot.now));
        let blank = Self {
            level: snapshot.alarm_level(raised)?,
            label: Cow::Borrowed(""),
            value: String::new(),
            short: String::new(),
            limit: String::new(),
            since,
            text: Cow::Borrowed(""),
            others: 0,
            state,
            unseen: None,
            lit: true,
        };
        match raised {
            Raised::Limit(at) => {
                let alarm = model.alarms.get(at)?;
                let item = Item::new(model, labels, snapshot, alarm.channel)?;
                let limit = words::limit(alarm.limit, item.channel.digits);
                let was = snapshot.channels.get(alarm.channel.index()).map_or(f64::NAN, |shown| shown.was);
                let (value, short) = value(&item, state, call, was);
                let text = alarm.text.as_str().into();
                Some(Self { label: item.label.into(), value, short, limit, text, ..blank })
            }
            Raised::Fault(at) => {
                let (_, Told { name, what, detail, remedy }) = fault(model, snapshot, at)?;
                Some(Self { label: name.into(), value: what, limit: detail, text: remedy, ..blank })
            }
        }
    }
}

fn since(state: AlarmState, call: &Call, now: Stamp) -> String {
    let age = words::age(now.since(call.began));
    match state {
        AlarmState::Acknowledged => format!("for {age}, seen"),
        AlarmState::Unacknowledged => format!("for {age}"),
        _ => format!("{age} ago"),
    }
}

/// What is said of the value, and the same in short. What is over tells its worst; what cannot be read any more what it
/// `was`: an alarm never ends by silence, and what made it sound is still the last that is known.
fn value(item: &Item<'_>, state: AlarmState, call: Option<&Call>, was: f64) -> (String, String) {
    let number = |value: f64| {
        let text = words::value_text(item.channel, value);
        if item.unit.is_empty() { text } else { format!("{text} {}", item.unit) }
    };
    let known = |value: f64| (!value.is_nan()).then(|| number(value));
    let is_over = state == AlarmState::Returned || state.is_latched();
    match (&item.said, call) {
        (_, Some(call)) if is_over => {
            (known(call.worst).map_or(String::new(), |worst| format!("was {worst}")), String::new())
        }
        (Said::Value(text), _) if item.unit.is_empty() => (text.clone(), String::new()),
        (Said::Value(text), _) => (format!("{text} {}", item.unit), String::new()),
        (Said::Doubt(long, short), _) => match call.and_then(|call| known(call.last)).or_else(|| known(was)) {
            Some(last) => (format!("was {last}, now {long}"), format!("was {last}, {short}")),
            None => (long.clone(), (*short).to_owned()),
        },
    }
}

/// Draws `banner` over the whole of the pen.
pub fn draw(pen: &mut Pen<'_>, banner: &Banner<'_>) {
    let level = banner.level;
    // What is over is no surface any more; what blinks is one half of its time.
    let is_quiet = banner.state == AlarmState::Returned || !banner.lit;
    let tone = if is_quiet { Tone::of(level) } else { Tone::fill(level) };
    pen.clear(if is_quiet { Tone::Ground } else { tone });
    let width = pen.width();
    let row = |y| Rect { x: 1, y, width: width.saturating_sub(2), height: 1 };
    if width < 6 {
        let shape = alarm_shape(level);
        pen.text(0, 0, width, if columns(shape) > width { "!" } else { shape }, tone);
        return;
    }
    let mut room = pen.height().saturating_sub(1);
    if let Some((level, text)) = banner.unseen.as_ref().filter(|_| room > 0) {
        let tone = Tone::fill(*level);
        let mut last = pen.part(Rect { x: 0, y: room, width, height: 1 });
        last.clear(tone);
        last.text(1, 0, width.saturating_sub(2), &format!("{}  {text}", level.name().to_uppercase()), tone);
        room -= 1;
    }
    let inside = width.saturating_sub(2);
    let lines = wrapped(&banner.text, inside, u16::MAX);
    if room >= 1 && lines.len() > usize::from(room) {
        // All in one go takes fewer rows; the limit can be seen on the gauge.
        let all = format!("{}  {} {}  {}", headword(banner), banner.label, banner.value, banner.text);
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

/// The level's word, and what became of it.
fn headword(banner: &Banner<'_>) -> String {
    let word = match banner.state {
        AlarmState::Returned => " over",
        state if state.is_latched() => " held",
        _ => "",
    };
    format!("{}{word}", banner.level.name().to_uppercase())
}

/// The level's word first, then what has room, the most needed first: label, value, limit, since when, how many more.
fn first_row(pen: &mut Pen<'_>, banner: &Banner<'_>, tone: Tone) {
    let Banner { level, label, value, short, limit, since, others, .. } = banner;
    let width = pen.width();
    let mut end = width;
    if *others > 0 {
        let start = pen.text_before(columns(level.name()) + 1, end, 0, &format!("+{others} more"), tone);
        end = if start < end { start.saturating_sub(2) } else { end };
    }
    let mut x = pen.text(0, 0, end, &headword(banner), tone) + 2;
    // The label may be shortened, the value never.
    let left = |value: &str| end.saturating_sub(x).saturating_sub(columns(value) + 2);
    let is_tight = left(value) < columns(label).min(8);
    let value = if is_tight && !short.is_empty() { short } else { value };
    let room = left(value);
    if room >= columns(label).min(4) {
        x += pen.text(x, 0, room, label, tone) + 2;
    }
    for part in [value.as_str(), limit.as_str(), since.as_str()] {
        if !part.is_empty() && x + columns(part) <= end {
            x += pen.text(x, 0, columns(part), part, tone) + 2;
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::state::{AlarmShown, Calls};

    /// Alarms with those levels, states and ages.
    fn snapshot(alarms: &[(u8, usize, i64)]) -> (Model, Snapshot) {
        let levels = [Level::Notice, Level::Caution, Level::Danger];
        let mut snapshot = Snapshot { calls: Calls::new(alarms.len(), 0), ..Snapshot::default() };
        let alarm = crate::config::load(
            "format = 1\n[link.a]\n[channel.a]\ninput = \"n_a\"\n[[channel.a.alarm]]\nlevel = \"notice\"\nabove = 1\n",
        );
        let mut model = alarm.model.unwrap();
        model.alarms = vec![model.alarms[0].clone(); alarms.len()];
        for (call, (level, state, began)) in snapshot.calls.list.iter_mut().zip(alarms) {
            let level = levels[usize::from(*level)];
            snapshot.alarms.push(AlarmShown { level, active: false, since: Stamp(0) });
            *call = Call { state: AlarmState::ALL[*state], number: 1, began: Stamp(*began), ..Call::NONE };
        }
        (model, snapshot)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]
        // I5 of the catalogue of faults.
        #[test]
        fn the_order_of_twenty_alarms_is_total_and_no_others_move_where_one_is_seen(
            alarms in proptest::collection::vec((0_u8..3, 0_usize..8, 0_i64..4), 20),
            one in 0_usize..20,
        ) {
            let (model, mut snapshot) = snapshot(&alarms);
            let before = sounding(&model, &snapshot);
            let told = alarms.iter().filter(|alarm| AlarmState::ALL[alarm.1].is_told()).count();
            prop_assert_eq!(before.len(), told, "none is lost");
            for pair in before.windows(2) {
                let ranks = [rank(&snapshot, pair[0]).unwrap(), rank(&snapshot, pair[1]).unwrap()];
                prop_assert!(ranks[0] < ranks[1]);
                prop_assert!(ranks[0].is_over || ranks[1].is_over || ranks[0].level <= ranks[1].level, "worst first");
            }
            let state = &mut snapshot.calls.list[one].state;
            *state = crate::watch::machine::next(*state, crate::watch::machine::Event::Acknowledge, false);
            let others = |list: Vec<Raised>| list.into_iter().filter(|raised| *raised != Raised::Limit(one)).collect::<Vec<_>>();
            prop_assert_eq!(others(before), others(sounding(&model, &snapshot)));
        }
    }
}
