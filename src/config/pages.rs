//! Pages of the screen: `[[page]]`, and the automatic one where none is given.
//!
//! Owns their keys and defaults. How they are drawn is the screen's.

use super::channels::Channels;
use super::keys;
use super::model::{Cell, Channel, ChannelId, Face, Page};
use super::read::{Item, Section};
use super::sink::Sink;
use crate::time::{Micros, SECOND};
use crate::unit::Kind;

/// The stretch of time that a trend shows by default.
const LAST: Micros = 60 * SECOND;
/// Longest name of a page, in columns.
const NAME_COLUMNS: usize = 24;
const MOST_PAGES: usize = 32;
const MOST_ROWS: usize = 32;
const MOST_CELLS: usize = 16;
/// More lines than this in one trend cannot be told apart.
const MOST_LINES: usize = 8;
const EXAMPLE: &str = "[[{ show = \"rpm\", as = \"dial\" }]]";

/// All pages of the file; the automatic one where there is none.
pub(super) fn read(top: &Section<'_>, channels: &Channels<'_>, sink: &mut Sink) -> Vec<Page> {
    let list = top.list_of_tables("page", "[[page]]", sink);
    if list.len() > MOST_PAGES {
        sink.error(list[MOST_PAGES].span, "too many pages", format!("at most {MOST_PAGES}"));
    }
    let pages: Vec<Page> = list
        .iter()
        .take(MOST_PAGES)
        .enumerate()
        .map(|(at, section)| sink.within("page", |sink| page(at, section, channels, sink)))
        .collect();
    if pages.is_empty() { vec![automatic(&channels.list)] } else { pages }
}

/// Outputs are always to be seen: in rows of their own on the automatic page, else on a page of their own behind the
/// others, unless a page has them.
pub(super) fn show_outputs(pages: &mut Vec<Page>, is_automatic: bool) {
    let has = |page: &Page| page.rows.iter().flatten().any(|cell| cell.face == Face::Outputs);
    if pages.iter().any(has) {
        return;
    }
    let row = vec![Cell { show: Vec::new(), face: Face::Outputs, wide: 1, last: LAST }];
    match pages.last_mut().filter(|_| is_automatic) {
        Some(page) => page.rows.push(row),
        None => pages.push(Page { name: "Outputs".to_owned(), rows: vec![row] }),
    }
}

fn page(at: usize, section: &Section<'_>, channels: &Channels<'_>, sink: &mut Sink) -> Page {
    section.only(&keys::PAGE, sink);
    let name = section.get("name", sink).and_then(|item| item.label(NAME_COLUMNS, "\"Road\"", sink));
    let name = name.map_or_else(|| format!("Page {}", at + 1), str::to_owned);
    let rows = section.require("rows", EXAMPLE, sink).and_then(|item| item.list(1, MOST_ROWS, EXAMPLE, sink));
    let rows = rows.unwrap_or_default();
    let rows = rows.iter().map(|row| cells(row, channels, sink)).filter(|row| !row.is_empty()).collect();
    Page { name, rows }
}

fn cells(row: &Item<'_>, channels: &Channels<'_>, sink: &mut Sink) -> Vec<Cell> {
    let example = "[{ show = \"rpm\" }, { show = \"speed\" }]";
    let items = row.list(1, MOST_CELLS, example, sink).unwrap_or_default();
    items.iter().filter_map(|item| cell(item, channels, sink)).collect()
}

fn cell(item: &Item<'_>, channels: &Channels<'_>, sink: &mut Sink) -> Option<Cell> {
    let section = item.table("{ show = \"rpm\" }", sink)?;
    section.only(&keys::CELL, sink);
    let faces = [
        ("digits", Face::Digits),
        ("dial", Face::Dial),
        ("bar", Face::Bar),
        ("trend", Face::Trend),
        ("lamp", Face::Lamp),
        ("outputs", Face::Outputs),
    ];
    let face_item = section.get("as", sink);
    let face = face_item.map(|item| item.word(&faces, sink));
    let is_outputs = face == Some(Some(Face::Outputs));
    let show = if is_outputs { Some(Vec::new()) } else { shown(&section, channels, sink) };
    if is_outputs && section.has("show") {
        sink.error(section.key_span("show"), "`show` has no place here", "a cell of outputs shows all of them");
    }
    let wide = section.get("wide", sink).map_or(Some(1), |item| item.integer(1, 16, "2", sink));
    let last = section.get("last", sink).map_or(Some(LAST), |item| item.time(SECOND, 86_400 * SECOND, sink));
    let show = show?;
    let face = match face {
        Some(face) => face?,
        None => default_face(&show, channels),
    };
    check_face(&section, face, &show, channels, sink);
    Some(Cell { show, face, wide: u16::try_from(wide?).unwrap_or(1), last: last? })
}

fn shown(section: &Section<'_>, channels: &Channels<'_>, sink: &mut Sink) -> Option<Vec<ChannelId>> {
    let item = section.require("show", "\"rpm\"", sink)?;
    show(&item, channels, sink)
}

fn show(item: &Item<'_>, channels: &Channels<'_>, sink: &mut Sink) -> Option<Vec<ChannelId>> {
    if item.value.as_str().is_some() {
        return Some(vec![channels.names.named_by(item, sink)?]);
    }
    if !item.value.is_array() {
        item.needs("a channel or a list of channels", "\"rpm\"", sink);
        return None;
    }
    item.all(1, MOST_LINES, "[\"feed\", \"rpm\"]", sink, |_, item, sink| channels.names.named_by(item, sink))
}

fn default_face(show: &[ChannelId], channels: &Channels<'_>) -> Face {
    let [only] = show else { return Face::Trend };
    let is_switch = channels.get(*only).is_some_and(|channel| channel.words.is_some());
    if is_switch { Face::Lamp } else { Face::Digits }
}

fn check_face(section: &Section<'_>, face: Face, show: &[ChannelId], channels: &Channels<'_>, sink: &mut Sink) {
    if show.len() > 1 && face != Face::Trend {
        sink.error(section.key_span("as"), "several channels go on a `trend` only", "write as = \"trend\"");
        return;
    }
    if section.has("last") && face != Face::Trend {
        sink.error(section.key_span("last"), "`last` has no place here", "only a `trend` has it");
    }
    let Some((id, channel)) = show.first().and_then(|id| Some((id, channels.get(*id)?))) else { return };
    if matches!(face, Face::Dial | Face::Bar) && channel.span.is_none() && !channels.lost_span.contains(&id.index()) {
        let what = format!("`{}` has no `span`, so its scale has no ends", channel.name);
        sink.warn(
            section.key_span("as"),
            what,
            format!("give [channel.{}] one, for example span = [0, 100]", channel.name),
        );
    }
}

/// One page that shows everything: what turns first, then all numbers, then all switches.
fn automatic(list: &[Option<Channel>]) -> Page {
    let all = || list.iter().flatten().enumerate();
    let is_switch = |channel: &Channel| channel.words.is_some();
    let turns = |channel: &Channel| channel.unit.kind() == Kind::Rate && !channel.unit.is_per_second();
    let numbers = all().filter(|(_, c)| turns(c)).chain(all().filter(|(_, c)| !turns(c) && !is_switch(c)));
    let numbers: Vec<Cell> = numbers.map(|(at, channel)| automatic_cell(at, channel)).collect();
    let switches: Vec<Cell> = all().filter(|(_, c)| is_switch(c)).map(|(at, c)| automatic_cell(at, c)).collect();
    let wide = match numbers.len() {
        0..=2 => 1,
        3..=6 => 2,
        7..=12 => 3,
        _ => 4,
    };
    let rows = numbers.chunks(wide).chain(switches.chunks(2 * wide)).map(<[Cell]>::to_vec).collect();
    Page { name: "All".to_owned(), rows }
}

fn automatic_cell(at: usize, channel: &Channel) -> Cell {
    let face = if channel.words.is_some() { Face::Lamp } else { Face::Digits };
    Cell { show: vec![ChannelId(u16::try_from(at).unwrap_or(u16::MAX))], face, wide: 1, last: LAST }
}
