//! The edit of the config text: a calibration or the points of a thermistor, and not one other byte.
//!
//! Owns where in the text these stand, however they were written. In: text. Out: candidates for the new text; whoever
//! asks loads each and takes the first that means what it should. Reads nothing of what the config means.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What a calibration table holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Factor.
    pub gain: f64,
    /// Put on, in the channel's unit.
    pub offset: f64,
    /// The date, `2026-05-01`.
    pub on: String,
    /// What it was compared with.
    pub against: String,
}

impl Table {
    /// Its keys with their values as the file has them.
    fn keys(&self) -> [(&'static str, String); 4] {
        let Self { gain, offset, on, against } = self;
        let against = format!("\"{}\"", against.replace('\\', "\\\\").replace('"', "\\\""));
        [("gain", format!("{gain:?}")), ("offset", format!("{offset:?}")), ("on", on.clone()), ("against", against)]
    }

    /// As a table of its own under `[channel.NAME.calibration]`.
    pub fn block(&self, channel: &str) -> String {
        let keys = self.keys().map(|(key, value)| format!("{key} = {value}\n"));
        format!("[channel.{channel}.calibration]\n{}", keys.concat())
    }

    /// As an entry of the channel's own table.
    pub fn entry(&self) -> String {
        format!("calibration = {}", self.inline())
    }

    fn inline(&self) -> String {
        let keys = self.keys().map(|(key, value)| format!("{key} = {value}"));
        format!("{{ {} }}", keys.join(", "))
    }
}

/// A stretch of the text and what takes its place.
type Edit = (Range<usize>, String);

/// Texts like `text` in which `channel` has the calibration `table`, the one that reads best first. None of them is sure
/// to mean that: a caller loads it.
pub fn with_calibration(text: &str, channel: &str, table: &Table) -> Vec<String> {
    let Some(root) = parsed(text) else { return Vec::new() };
    let Some(section) = inner(root.get_ref(), "channel").and_then(|channels| channels.get(channel)) else {
        return Vec::new();
    };
    let Some(keys) = section.get_ref().as_table() else { return Vec::new() };
    let edits = match keys.get("calibration") {
        Some(old) => vec![replaced(text, old, table)],
        None if is_inline(text, section) => {
            vec![put_into(text, &section.span(), keys, &table.entry())]
        }
        None => {
            let block = table.block(channel);
            let heads = headers(text, root.get_ref());
            let behind = end_of_section(text, section.span().end, &heads);
            vec![vec![own_block(text, behind, &block)], vec![own_block(text, text.len(), &block)]]
        }
    };
    edits.into_iter().filter_map(|edits| applied(text, edits)).collect()
}

/// Texts like `text` in which the thermistor of `channel` is described by `line` (`abc = […]` or `points = […]`) in place
/// of what it was described by.
pub fn with_curve(text: &str, channel: &str, line: &str) -> Vec<String> {
    let Some(root) = parsed(text) else { return Vec::new() };
    let Some(section) = sensor(root.get_ref(), channel) else { return Vec::new() };
    let Some(keys) = section.get_ref().as_table() else { return Vec::new() };
    let way = ["points", "abc", "beta"].into_iter().find_map(|key| keys.get_key_value(key));
    let Some((key, value)) = way else { return Vec::new() };
    let mut edits = vec![(key.span().start..value.span().end, line.to_owned())];
    if let Some((key, value)) = keys.get_key_value("at") {
        edits.push((without(text, key.span().start..value.span().end, is_inline(text, section)), String::new()));
    }
    applied(text, edits).into_iter().collect()
}

/// The table that describes the sensor of `channel`: its own, or the named one.
fn sensor<'a, 'i>(root: &'a DeTable<'i>, channel: &str) -> Option<&'a Spanned<DeValue<'i>>> {
    let own = inner(root, "channel")?.get(channel)?.get_ref().as_table()?.get("sensor")?;
    match own.get_ref().as_str() {
        Some(name) => inner(root, "sensor")?.get(name),
        None => Some(own),
    }
}

/// Other channels that have the same named sensor as `channel`.
pub(super) fn sharers(text: &str, channel: &str) -> Vec<String> {
    let Some(root) = parsed(text) else { return Vec::new() };
    let Some(channels) = inner(root.get_ref(), "channel") else { return Vec::new() };
    let named = |value: &Spanned<DeValue<'_>>| {
        value.get_ref().as_table().and_then(|table| Some(table.get("sensor")?.get_ref().as_str()?.to_owned()))
    };
    let Some(own) = channels.get(channel).and_then(named) else { return Vec::new() };
    let others =
        channels.iter().filter(|(name, value)| name.get_ref() != channel && named(value).as_ref() == Some(&own));
    others.map(|(name, _)| name.get_ref().to_string()).collect()
}

fn parsed(text: &str) -> Option<Spanned<DeTable<'_>>> {
    DeTable::parse(text).ok()
}

fn inner<'a, 'i>(table: &'a DeTable<'i>, key: &str) -> Option<&'a DeTable<'i>> {
    table.get(key)?.get_ref().as_table()
}

fn is_inline(text: &str, value: &Spanned<DeValue<'_>>) -> bool {
    text.get(value.span()).is_some_and(|text| text.starts_with('{'))
}

/// The edits that make `table` of the calibration that is there.
fn replaced(text: &str, old: &Spanned<DeValue<'_>>, table: &Table) -> Vec<Edit> {
    let Some(keys) = old.get_ref().as_table().filter(|_| !is_inline(text, old)) else {
        return vec![(old.span(), table.inline())];
    };
    let mut edits: Vec<Edit> = Vec::new();
    let mut missing = String::new();
    // New keys follow the first one that is there, and are written as it is: bare, indented, or dotted.
    let first = keys.iter().min_by_key(|(key, _)| key.span().start);
    let (at, prefix) = match first {
        Some((key, value)) => (value.span().end, line_before(text, key.span().start)),
        None => (old.span().end, ""),
    };
    let feed = line_feed(text, at);
    for (key, value) in table.keys() {
        match keys.get(key) {
            Some(there) => edits.push((there.span(), value)),
            None => missing.push_str(&format!("{prefix}{key} = {value}{feed}")),
        }
    }
    if !missing.is_empty() {
        let end = end_of_line(text, at);
        let text = if text[..end].ends_with('\n') { missing } else { format!("{feed}{}", missing.trim_end()) };
        edits.push((end..end, text));
    }
    edits
}

/// `entry` as the last one of the inline table at `span`.
fn put_into(text: &str, span: &Range<usize>, keys: &DeTable<'_>, entry: &str) -> Vec<Edit> {
    let inside = text.get(span.start..span.end.saturating_sub(1)).unwrap_or_default();
    let at = span.start + inside.trim_end().len();
    let comma = if keys.is_empty() { " " } else { ", " };
    vec![(at..at, format!("{comma}{entry}"))]
}

/// `block` at `at`, which is the beginning of a line or the end of the text, with an empty line before it.
fn own_block(text: &str, at: usize, block: &str) -> Edit {
    let before = &text[..at];
    let feed = if before.contains("\r\n") { "\r\n" } else { "\n" };
    let gap = if before.is_empty() || before.ends_with("\n\n") || before.ends_with("\r\n\r\n") {
        ""
    } else if before.ends_with('\n') {
        feed
    } else {
        &feed.repeat(2)
    };
    (at..at, format!("{gap}{}", block.replace('\n', feed)))
}

/// Where the headers of the text begin, in any order.
fn headers(text: &str, table: &DeTable<'_>) -> Vec<usize> {
    fn look(text: &str, value: &Spanned<DeValue<'_>>, found: &mut Vec<usize>) {
        match value.get_ref() {
            DeValue::Table(table) => {
                if text[value.span().start..].starts_with('[') {
                    found.push(value.span().start);
                }
                table.values().for_each(|value| look(text, value, found));
            }
            DeValue::Array(list) => list.iter().for_each(|value| look(text, value, found)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    table.values().for_each(|value| look(text, value, &mut found));
    found
}

/// The beginning of the line behind the last one of the section whose header ends at `from`, ahead of blank lines and
/// remarks that belong to the next one.
fn end_of_section(text: &str, from: usize, headers: &[usize]) -> usize {
    let next = headers.iter().copied().filter(|&start| start >= from).min().unwrap_or(text.len());
    let mut end = end_of_line(text, from);
    let mut at = end;
    while at < next {
        let stop = end_of_line(text, at);
        let line = text[at..stop].trim();
        if !line.is_empty() && !line.starts_with('#') {
            end = stop;
        }
        at = stop;
    }
    end
}

/// The beginning of the line behind the one that `at` is on, or the end of the text.
fn end_of_line(text: &str, at: usize) -> usize {
    text[at..].find('\n').map_or(text.len(), |feed| at + feed + 1)
}

fn line_before(text: &str, at: usize) -> &str {
    let begin = text[..at].rfind('\n').map_or(0, |feed| feed + 1);
    &text[begin..at]
}

/// How the line that `at` is on ends.
fn line_feed(text: &str, at: usize) -> &'static str {
    if text[..end_of_line(text, at)].ends_with("\r\n") || text.contains("\r\n") { "\r\n" } else { "\n" }
}

/// What goes with an entry that is taken out: its line, or one comma of the inline table.
fn without(text: &str, entry: Range<usize>, inline: bool) -> Range<usize> {
    if !inline {
        let begin = entry.start - line_before(text, entry.start).len();
        return begin..end_of_line(text, entry.end);
    }
    let before = text[..entry.start].trim_end();
    if before.ends_with(',') {
        return before.len() - 1..entry.end;
    }
    let behind = &text[entry.end..];
    let comma = behind.find(',').map_or(0, |comma| comma + 1);
    let blanks = behind[comma..].len() - behind[comma..].trim_start_matches(' ').len();
    entry.start..entry.end + comma + blanks
}

/// `text` with all of `edits`; `None` where two of them overlap.
fn applied(text: &str, mut edits: Vec<Edit>) -> Option<String> {
    let mut out = String::with_capacity(text.len() + 200);
    let mut at = 0;
    while let Some(first) = (0..edits.len()).min_by_key(|&place| edits[place].0.start) {
        let (range, new) = edits.swap_remove(first);
        out.push_str(text.get(at..range.start)?);
        out.push_str(&new);
        at = range.end;
    }
    out.push_str(text.get(at..)?);
    Some(out)
}
