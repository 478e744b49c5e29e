//! The last rows: troubles in sentences, the status line, the pages and the keys.
//!
//! Owns what the status line says and which parts of it give way first. Each key that is shown can be tapped: the same
//! function that lays the parts out says where they are.

use ratatui::layout::Rect;

use super::banner::wrapped;
use super::keys::{Act, ShownKey};
use super::look::{Look, Tone};
use super::pen::{Pen, columns};
use super::words;
use crate::channel::Trust;
use crate::config::{Channel, ChannelId, Field, Level, Model, Page, Source};
use crate::state::{
    ConfigTrouble, FaultShown, LinkState, MomentShown, PlayerShown, Problem, Raised, Recording, Shown, Snapshot,
    Subject,
};
use crate::time::SECOND;

/// A piece of a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// What it says.
    pub text: String,
    /// The same, shorter, for when there is no room; empty where there is no shorter way.
    pub short: String,
    /// How it looks.
    pub tone: Tone,
    /// The higher, the sooner it gives way; 0 never does.
    pub rank: u8,
    /// What a tap on it does.
    pub act: Option<Act>,
}

fn part(text: impl Into<String>, tone: Tone, rank: u8) -> Part {
    Part { text: text.into(), short: String::new(), tone, rank, act: None }
}

/// Columns between two parts.
const GAP: u16 = 2;

/// Everything that is to be told in sentences.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sentences {
    /// What is wrong, the worst first.
    pub troubles: Vec<String>,
    /// Answers to keys, gone after a while.
    pub notices: Vec<String>,
    /// The mark or alarm at which a replay stands.
    pub moment: Option<String>,
    /// It is a replay.
    pub replaying: bool,
}

impl Sentences {
    /// All that there is to tell, in lines of `width` columns.
    pub fn new(model: &Model, snapshot: &Snapshot, notices: &[String], width: u16) -> Self {
        let links = model.links.iter().zip(&snapshot.links);
        let links = links.filter_map(|(link, shown)| {
            let port = words::Port { link: &link.name, device: &link.device };
            words::link_trouble(port, shown, snapshot.now, width)
        });
        let troubles = links.chain(words::recording_trouble(snapshot.recording));
        let troubles = troubles.chain(snapshot.config_trouble.map(ConfigTrouble::sentence)).collect();
        let moment = snapshot.player.as_ref().and_then(|player| player.moment.as_ref());
        Self {
            troubles,
            notices: notices.to_vec(),
            moment: moment.map(|moment| told(model, moment)),
            replaying: snapshot.player.is_some(),
        }
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.troubles.len() + self.notices.len() + usize::from(self.moment.is_some())
    }

    /// What stands in `rows` rows, and how many have no room. An answer comes before what was told long ago.
    pub fn within(&self, rows: u16) -> (Vec<(String, Tone)>, usize) {
        let rows = usize::from(rows);
        let room = rows.saturating_sub(self.notices.len());
        let troubles = self.troubles.iter().map(|text| (text.clone(), Tone::Caution)).take(room);
        let notices = self.notices.iter().map(|text| (text.clone(), Tone::Plain));
        let moment = self.moment.iter().map(|text| (text.clone(), Tone::Notice));
        let shown: Vec<_> = troubles.chain(notices).chain(moment).take(rows).collect();
        // The moment has a place in the status line.
        let hidden = (self.troubles.len() + self.notices.len()).saturating_sub(shown.len());
        (shown, hidden)
    }

    /// Whether the moment stands in `rows` rows.
    pub fn has_moment_within(&self, rows: u16) -> bool {
        self.moment.is_some() && self.count() <= usize::from(rows)
    }
}

/// A mark, alarm or event in words.
fn told(model: &Model, moment: &MomentShown) -> String {
    let MomentShown { kind, number, of, at, text, level } = moment;
    let channel = model.channels.iter().find(|channel| channel.name == **text);
    let text = channel.filter(|_| *kind == "alarm").map_or(&**text, |channel| &channel.label);
    let behind = match (text, *level) {
        ("", _) => String::new(),
        (text, "") => format!(": {text}"),
        (text, level) => format!(": {level}, {text}"),
    };
    format!("{kind} {number} of {of} at {}{behind}", words::position(*at))
}

/// The parts of the status line; `page` is the one that is shown, `told` the alarm in the banner, and `moment` is wanted
/// where no sentence tells of it.
pub fn status(
    model: &Model,
    snapshot: &Snapshot,
    page: Option<&Page>,
    (told, moment): (Option<Raised>, bool),
) -> Vec<Part> {
    let mut parts = Vec::new();
    if let Some(player) = &snapshot.player {
        parts.extend(player_parts(player));
        let here = player.moment.as_ref().filter(|_| moment);
        parts.extend(here.map(|here| Part {
            short: format!("{} {}", here.kind, here.number),
            ..part(format!("{} {} of {}", here.kind, here.number, here.of), Tone::Notice, 1)
        }));
    }
    parts.extend(broken_elsewhere(model, snapshot, page, told));
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
        for (count, what) in [
            (shown.bad, "bad"),
            (shown.lost, "lost"),
            (shown.restarts, if shown.restarts == 1 { "restart" } else { "restarts" }),
        ] {
            // What never happened has nothing to say, but its place is shown where there is room.
            let (tone, rank) = if count > 0 { (Tone::Plain, 3) } else { (Tone::Faint, 6) };
            let what = if (count, what) == (1, "restarts") { "restart" } else { what };
            parts.push(part(format!("{name}{count} {what}"), tone, rank));
        }
        // Why, where it was told and there is room: a supply that falls and a watchdog are mended in other places.
        let reasons = shown.resets.known_words();
        if !reasons.is_empty() {
            parts.push(part(format!("({reasons})"), Tone::Plain, 5));
        }
    }
    let shelved = snapshot.calls.shelved();
    if shelved > 0 {
        parts.push(part(format!("{shelved} shelved"), Tone::Caution, 0));
    }
    parts.extend(recording(snapshot.recording));
    let config = snapshot.config_trouble;
    parts.extend(config.map(|trouble| part(format!("! {}", trouble.short()), Tone::Caution, 1)));
    parts
}

/// How long a link is given to send everything once before what is missing counts.
const SETTLED: i64 = 3 * SECOND;

/// Sensors of other pages that cannot be trusted, in as many words as there is room for. Those that the banner speaks of,
/// because of the alarm `told`, are not said twice.
fn broken_elsewhere(model: &Model, snapshot: &Snapshot, page: Option<&Page>, told: Option<Raised>) -> Option<Part> {
    let fault = match told {
        Some(Raised::Fault(at)) => snapshot.faults.get(at),
        _ => None,
    };
    let is_here =
        |id: ChannelId| page.is_some_and(|page| page.rows.iter().flatten().any(|cell| cell.show.contains(&id)));
    let channels = (0_u16..).map(ChannelId).zip(model.channels.iter().zip(&snapshot.channels));
    let mut broken = channels
        .filter(|(id, (channel, shown))| is_broken(channel, shown, snapshot) && !is_here(*id))
        .filter(|(id, (channel, shown))| !fault.is_some_and(|fault| is_told(fault, *id, channel, shown)))
        .map(|(_, (channel, shown))| (channel, shown.smooth.trust()));
    let (channel, trust) = broken.next()?;
    let others = broken.count();
    let short = match others {
        0 => "! 1 sensor fault".to_owned(),
        _ => format!("! {} sensor faults", others + 1),
    };
    let more = if others > 0 { format!(" +{others} more") } else { String::new() };
    Some(Part { short, ..part(format!("! {}: {}{more}", channel.label, trust.words()), Tone::Unsure, 1) })
}

/// Whether a sensor is at fault. What is computed from one that is, and what a link does not bring that is down, is not.
fn is_broken(channel: &Channel, shown: &Shown, snapshot: &Snapshot) -> bool {
    let Source::Input(input) = &channel.source else { return false };
    let Some(link) = snapshot.links.get(input.link.index()) else { return false };
    let settled = snapshot.now.since(link.since) > SETTLED && link.lines_per_s > 0;
    match shown.smooth.trust() {
        Trust::Ok => false,
        // A wheel that never turned has no gaps between its teeth yet: no fault of the sensor.
        Trust::Missing if matches!(input.field, Field::Pulse { .. }) => false,
        Trust::Missing | Trust::Stale => link.state == LinkState::Up && settled,
        _ => link.state == LinkState::Up,
    }
}

/// Whether `fault` tells why the channel cannot be trusted.
fn is_told(fault: &FaultShown, id: ChannelId, channel: &Channel, shown: &Shown) -> bool {
    let Source::Input(input) = &channel.source else { return false };
    match (fault.subject, shown.smooth.trust()) {
        (Subject::Sensor(watched), _) => {
            watched == id || matches!(fault.problem, Problem::Untrusted { of, .. } if of == id)
        }
        (Subject::Supply(link), Trust::Supply)
        | (Subject::Ground(link), Trust::Ground)
        | (Subject::Link(link) | Subject::Controller(link), Trust::Missing | Trust::Stale) => input.link == link,
        _ => false,
    }
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

/// The parts of the last line: the pages, then the keys that work.
pub fn keys(model: &Model, page: usize, working: &[ShownKey]) -> Vec<Part> {
    let mut parts = Vec::new();
    for (index, known) in model.pages.iter().enumerate() {
        let here = index == page;
        let number = if index < 9 { format!("{} ", index + 1) } else { String::new() };
        let (tone, rank) = if here { (Tone::Plain, 0) } else { (Tone::Faint, 5) };
        parts.push(Part { act: Some(Act::Page(index)), ..part(format!("{number}{}", known.name), tone, rank) });
    }
    for ShownKey { key, word, rank, act, .. } in working {
        let tone = if act.is_of_alarms() { Tone::Plain } else { Tone::Faint };
        parts.push(Part { act: Some(*act), ..part(format!("{key} {word}"), tone, *rank) });
    }
    parts
}

/// Shortens parts and leaves parts out until the rest fits into `width`, the highest rank first, the last of equals
/// first. Gives each part that stays with the column where it begins and its text.
pub fn fitted<'a>(parts: &'a [Part], look: &Look, width: u16) -> Vec<(u16, usize, &'a str)> {
    let mut texts: Vec<Option<&str>> = parts.iter().map(|part| Some(part.text.as_str())).collect();
    let wide = |text: &str| columns(&look.text(text));
    let is_shortest = |at: usize, text: &str| parts[at].short.is_empty() || text == parts[at].short;
    loop {
        let kept = || texts.iter().enumerate().filter_map(|(at, text)| Some((at, (*text)?)));
        let total = kept().fold(0_u32, |sum, (_, text)| sum + u32::from(wide(text) + GAP));
        if total <= u32::from(width) + u32::from(GAP) {
            break;
        }
        let gives = kept().filter(|(at, text)| parts[*at].rank > 0 || !is_shortest(*at, text));
        // What can be said in fewer words gives way a little sooner by that, and as itself by its rank.
        let rank = |(at, text): &(usize, &str)| (parts[*at].rank + u8::from(!is_shortest(*at, text)), *at);
        let Some((at, text)) = gives.max_by_key(rank) else { break };
        texts[at] = if is_shortest(at, text) { None } else { Some(&parts[at].short) };
    }
    let mut x = 0;
    let mut placed = Vec::new();
    for (at, text) in texts.iter().enumerate() {
        let Some(text) = text else { continue };
        placed.push((x, at, *text));
        x += wide(text) + GAP;
    }
    placed
}

/// Draws a line of parts in row 0 of `pen`.
pub fn draw(pen: &mut Pen<'_>, parts: &[Part]) {
    for (x, at, text) in fitted(parts, pen.look, pen.width()) {
        pen.text(x, 0, pen.width(), text, parts[at].tone);
    }
}

/// Draws sentences, each in one row and in more while there are any to spare, and how many more there are.
pub fn tell(pen: &mut Pen<'_>, sentences: &[(String, Tone)], hidden: usize) {
    let (width, mut y) = (pen.width(), 0);
    let mut spare = usize::from(pen.height()).saturating_sub(sentences.len());
    for (at, (text, tone)) in sentences.iter().enumerate() {
        let lines = wrapped(text, width, u16::try_from(1 + spare).unwrap_or(u16::MAX));
        spare -= lines.len() - 1;
        let more = if at + 1 == sentences.len() && hidden > 0 { format!("+{hidden} more") } else { String::new() };
        for (index, line) in lines.iter().enumerate() {
            let is_last = index + 1 == lines.len();
            let end = if is_last { pen.text_before(0, width, y, &more, Tone::Caution) } else { width };
            let room = if end < width { end.saturating_sub(2) } else { width };
            pen.text(0, y, room, line, *tone);
            y += 1;
        }
    }
}

/// What a tap on column `x` of a line of parts does.
pub fn tapped(parts: &[Part], look: &Look, width: u16, x: u16) -> Option<Act> {
    let hit = |(start, _, text): &(u16, usize, &str)| {
        let end = start.saturating_add(columns(&look.text(text)));
        // A finger is wide: the gap on either side belongs to the part.
        (start.saturating_sub(1)..=end).contains(&x)
    };
    fitted(parts, look, width).iter().find(|place| hit(place)).and_then(|(_, at, _)| parts[*at].act)
}

/// Where everything lies that is not the page, and what is left for the page.
///
/// Gauges must not move because something is told: rows for sentences are kept free between page and status line, and
/// what is wrong at the level of caution or notice covers those and the status line, never the page. Only danger takes
/// rows at the top, and moves what is below. A terminal too low for gauges has a list, which may move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// The worst alarm.
    pub banner: Rect,
    /// The page.
    pub page: Rect,
    /// Sentences.
    pub told: Rect,
    /// The status line.
    pub status: Rect,
    /// Pages and keys.
    pub keys: Rect,
}

/// Fewer rows have a list in place of gauges.
const LOWEST: u16 = super::plan::LEAST.1;

impl Layout {
    /// The parts of `area`. `banner`: the worst level that sounds and the rows that it wants.
    pub fn new(area: Rect, banner: Option<(Level, u16)>, sentences: &Sentences) -> Self {
        let height = area.height;
        let keys = u16::from(height >= 8);
        let status = u16::from(height >= 5);
        let wanted = banner.map_or(0, |(_, rows)| rows).min(height);
        let at_top = height < LOWEST || banner.is_some_and(|(level, _)| level == Level::Danger);
        let top = if at_top { wanted } else { 0 };
        let kept = match height {
            0..8 => 0,
            8..LOWEST => u16::from(sentences.count() > 0),
            17.. if top == 0 => 2,
            _ => 1,
        };
        // With a single row there is either the alarm or a value; the alarm wins.
        let page = height.saturating_sub(top + kept + status + keys);
        // In a replay nobody needs to act, and the place that it stands at is always to be seen.
        let room = if sentences.replaying { kept } else { kept + status };
        let mut low = if at_top { 0 } else { wanted.min(room) };
        let rest = kept + status - low;
        let (mut told, mut line) = (rest.saturating_sub(status), rest.min(status));
        if told == 0 && !sentences.notices.is_empty() {
            // An answer to a key takes the least needed row: the status line, or the end of what to do.
            if line == 1 {
                (told, line) = (1, 0);
            } else if low >= 2 {
                (told, low) = (1, low - 1);
            }
        }
        let mut y = area.y + top;
        let mut next = |rows: u16| {
            let rect = Rect { y, height: rows, ..area };
            y += rows;
            rect.intersection(area)
        };
        let (page, foot) = (next(page), next(low));
        let (told, status, keys) = (next(told), next(line), next(keys));
        Self { banner: if at_top { Rect { height: top, ..area } } else { foot }, page, told, status, keys }
    }
}
