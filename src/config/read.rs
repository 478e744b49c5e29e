//! Reading single values of a TOML table, each with its place.
//!
//! Owns the typed readers and the sentences for values of the wrong type. In: parsed TOML. Out: plain values, or `None`
//! with the mistake in the sink. Knows no key by name.

use toml::Spanned;
use toml::de::{DeTable, DeValue};
use unicode_width::UnicodeWidthStr;

use super::keys::{self, Group};
use super::sink::{Sink, Span, listed};
use crate::text::is_showable;

/// A table of the file.
#[derive(Clone, Copy, Debug)]
pub(super) struct Section<'a> {
    table: &'a DeTable<'a>,
    /// Its header, or the whole of it where it is inline.
    pub span: Span,
}

/// One value with its key.
#[derive(Clone, Copy, Debug)]
pub(super) struct Item<'a> {
    /// The key.
    pub key: &'a str,
    /// The value.
    pub value: &'a DeValue<'a>,
    /// Where the value stands.
    pub span: Span,
}

/// A named table, such as `[channel.coolant]`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Named<'a> {
    /// Its name.
    pub name: &'a str,
    /// Where the name stands.
    pub name_span: Span,
    /// The table.
    pub section: Section<'a>,
}

impl<'a> Section<'a> {
    /// The table `table` that stands at `span`.
    pub fn new(table: &'a DeTable<'a>, span: Span) -> Self {
        Self { table, span }
    }

    /// The value of `key`, if it is there and can be taken as it was read.
    pub fn get(&self, key: &str, sink: &Sink) -> Option<Item<'a>> {
        let (key, value) = self.table.get_key_value(key)?;
        let span = Span::from(value.span());
        (!sink.is_wounded(span)).then(|| Item { key: key.get_ref(), value: value.get_ref(), span })
    }

    /// The same, a mistake where it is not there.
    pub fn require(&self, key: &str, example: &str, sink: &mut Sink) -> Option<Item<'a>> {
        if !self.table.contains_key(key) {
            sink.absent(self.span, format!("`{key}` is missing"), format!("for example {key} = {example}"));
        }
        self.get(key, sink)
    }

    /// Whether there is such a key.
    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Where the key itself stands; the whole table where it is not there.
    pub fn key_span(&self, key: &str) -> Span {
        self.table.get_key_value(key).map_or(self.span, |(key, _)| key.span().into())
    }

    /// Reports every key that `group` does not have.
    pub fn only(&self, group: &Group, sink: &mut Sink) {
        for key in self.table.keys() {
            let (name, span) = (key.get_ref().as_ref(), Span::from(key.span()));
            if group.has(name) {
                continue;
            }
            if let Some(sibling) = group.sibling_with(name) {
                let what = format!("`{name}` has no place in {}", group.title);
                sink.error(span, what, format!("it belongs to {}", sibling.title));
            } else {
                unknown_key(name, span, &group.names().collect::<Vec<_>>(), sink);
            }
        }
    }

    /// The same where it could not be read which of its family this table is: every key that none of them has.
    pub fn only_of_family(&self, family: &str, sink: &mut Sink) {
        let names = keys::of_family(family);
        for key in self.table.keys().filter(|key| !names.contains(&key.get_ref().as_ref())) {
            unknown_key(key.get_ref(), key.span().into(), &names, sink);
        }
    }

    /// Its keys.
    pub fn keys(&self) -> impl Iterator<Item = &'a str> {
        self.table.keys().map(|key| key.get_ref().as_ref())
    }

    /// The tables inside of `key`, each with its name, in the order of the file.
    pub fn named(&self, key: &str, sink: &mut Sink) -> Vec<Named<'a>> {
        let Some(item) = self.get(key, sink) else { return Vec::new() };
        let Some(table) = item.value.as_table() else {
            sink.error(item.span, format!("`{key}` needs tables with names"), format!("write [{key}.NAME]"));
            return Vec::new();
        };
        let mut found = Vec::new();
        for (name, value) in table {
            let name_span = Span::from(name.span());
            let Some(inner) = value.get_ref().as_table() else {
                if !sink.is_wounded(value.span().into()) {
                    let remedy = format!("write [{key}.NAME] above its keys");
                    sink.error(name_span, format!("`{key}` needs tables with names"), remedy);
                }
                continue;
            };
            found.push(Named { name: name.get_ref(), name_span, section: Section::new(inner, value.span().into()) });
        }
        crate::order::by_key(&mut found, |named| named.name_span.start);
        found
    }

    /// The tables of the list `key`, as `[[key]]` makes one.
    pub fn list_of_tables(&self, key: &str, example: &str, sink: &mut Sink) -> Vec<Section<'a>> {
        let Some(item) = self.get(key, sink) else { return Vec::new() };
        let Some(list) = item.value.as_array() else {
            sink.error(item.span, format!("`{key}` needs a list of tables"), format!("write {example}"));
            return Vec::new();
        };
        list.iter().filter_map(|value| Item::of(item.key, value).table(example, sink)).collect()
    }
}

impl<'a> Item<'a> {
    fn of(key: &'a str, value: &'a Spanned<DeValue<'a>>) -> Self {
        Self { key, value: value.get_ref(), span: value.span().into() }
    }

    /// Says that this needs `what`, and what it is instead.
    pub fn needs(&self, what: &str, example: &str, sink: &mut Sink) {
        let remedy = format!("{}; for example {example}", self.found());
        sink.error(self.span, format!("`{}` needs {what}", self.key), remedy);
    }

    /// What the value is, in words.
    pub fn found(&self) -> &'static str {
        match self.value {
            DeValue::String(_) => "a text",
            DeValue::Integer(_) | DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        }
    }

    /// A text without characters that must not reach a terminal.
    pub fn text(&self, example: &str, sink: &mut Sink) -> Option<&'a str> {
        let DeValue::String(text) = self.value else {
            self.needs("a text", example, sink);
            return None;
        };
        if let Some(c) = text.chars().find(|&c| !is_showable(c)) {
            let what = format!("`{}` has a control or invisible character in it", self.key);
            sink.error(self.span, what, format!("U+{:04X}; leave it out", u32::from(c)));
            return None;
        }
        Some(text)
    }

    /// A text that is not empty and takes at most `columns` columns on a screen.
    pub fn label(&self, columns: usize, example: &str, sink: &mut Sink) -> Option<&'a str> {
        let text = self.text(example, sink)?;
        let width = text.width();
        if text.trim().is_empty() {
            sink.error(self.span, format!("`{}` is empty", self.key), format!("for example {example}"));
            return None;
        }
        if width > columns {
            let what = format!("`{}` is too long", self.key);
            sink.error(self.span, what, format!("{width} columns, at most {columns} fit"));
            return None;
        }
        Some(text)
    }

    /// A text of 1 to `bytes` bytes.
    pub fn short_text(&self, bytes: usize, example: &str, sink: &mut Sink) -> Option<&'a str> {
        let text = self.text(example, sink)?;
        if text.is_empty() || text.len() > bytes {
            let what = format!("`{}` must have 1 to {bytes} bytes", self.key);
            sink.error(self.span, what, format!("{} bytes; for example {example}", text.len()));
            return None;
        }
        Some(text)
    }

    /// One of some words, each with what it stands for.
    pub fn word<T: Copy>(&self, words: &[(&str, T)], sink: &mut Sink) -> Option<T> {
        let names = || words.iter().map(|&(name, _)| name);
        let example = format!("\"{}\"", words.first().map_or("", |word| word.0));
        let DeValue::String(text) = self.value else {
            self.needs("a word", &example, sink);
            return None;
        };
        let found = words.iter().find(|(name, _)| name == text).map(|&(_, meaning)| meaning);
        if found.is_none() {
            let remedy = sink.did_you_mean(text, names(), || format!("one of {}", listed(names(), 16)));
            sink.error(self.span, format!("`{}` cannot be `{}`", self.key, short(text)), remedy);
        }
        found
    }

    /// True or false.
    pub fn boolean(&self, sink: &mut Sink) -> Option<bool> {
        let found = self.value.as_bool();
        if found.is_none() {
            self.needs("true or false", "true", sink);
        }
        found
    }

    /// A whole number in `least..=most`.
    pub fn integer(&self, least: i64, most: i64, example: &str, sink: &mut Sink) -> Option<i64> {
        let DeValue::Integer(number) = self.value else {
            self.needs("a whole number", example, sink);
            return None;
        };
        let found = i64::from_str_radix(&number.as_str().replace('_', ""), number.radix()).ok();
        let found = found.filter(|n| (least..=most).contains(n));
        if found.is_none() {
            sink.error(self.span, format!("`{}` is out of range", self.key), format!("{least} to {most}"));
        }
        found
    }

    /// A finite number as written, without a look at its range. `None` with a mistake; `None` without where this is
    /// no number at all: see [`Item::is_number`].
    pub fn bare(&self, sink: &mut Sink) -> Option<f64> {
        let number = match self.value {
            DeValue::Integer(n) => i64::from_str_radix(&n.as_str().replace('_', ""), n.radix()).ok().map(|n| n as f64),
            DeValue::Float(n) => n.as_str().replace('_', "").parse().ok(),
            _ => return None,
        };
        match number {
            // Adding 0 makes 0 of -0, which reads badly on a screen.
            Some(number) if f64::is_finite(number) => Some(number + 0.0),
            Some(number) if number.is_nan() => {
                sink.error(self.span, format!("`{}` is not a number", self.key), "nan cannot be worked with");
                None
            }
            _ => {
                sink.error(self.span, format!("`{}` is out of range", self.key), "too large to be worked with");
                None
            }
        }
    }

    /// Whether it is a number without unit.
    pub fn is_number(&self) -> bool {
        matches!(self.value, DeValue::Integer(_) | DeValue::Float(_))
    }

    /// A pure number in `least..=most`.
    pub fn number(&self, least: f64, most: f64, example: &str, sink: &mut Sink) -> Option<f64> {
        if !self.is_number() {
            self.needs("a pure number", example, sink);
            return None;
        }
        let number = self.bare(sink)?;
        self.in_range(number, least, most, || format!("{} to {}", plain(least), plain(most)), sink)
    }

    /// `number` where it is in `least..=most`; else a mistake with `range` in words.
    pub fn in_range(
        &self,
        number: f64,
        least: f64,
        most: f64,
        range: impl FnOnce() -> String,
        sink: &mut Sink,
    ) -> Option<f64> {
        if (least..=most).contains(&number) {
            return Some(number);
        }
        sink.error(self.span, format!("`{}` is out of range", self.key), range());
        None
    }

    /// A list of `least..=most` values.
    pub fn list(&self, least: usize, most: usize, example: &str, sink: &mut Sink) -> Option<Vec<Item<'a>>> {
        let Some(list) = self.value.as_array() else {
            self.needs("a list", example, sink);
            return None;
        };
        if !(least..=most).contains(&list.len()) {
            let wanted = if least == most { least.to_string() } else { format!("{least} to {most}") };
            let what = format!("`{}` needs {wanted} values", self.key);
            sink.error(self.span, what, format!("there are {}; for example {example}", list.len()));
            return None;
        }
        Some(list.iter().map(|value| Item::of(self.key, value)).collect())
    }

    /// What `read` makes of each value of a list, of which there are to be `least..=most`. All are read, so that a value
    /// that is missing hides nothing of what is wrong with the others. `read` is told which one it is, counted from 0.
    pub fn all<T>(
        &self,
        least: usize,
        most: usize,
        example: &str,
        sink: &mut Sink,
        mut read: impl FnMut(usize, &Self, &mut Sink) -> Option<T>,
    ) -> Option<Vec<T>> {
        let complete = self.list(least, most, example, sink).is_some();
        let list = self.value.as_array()?.iter().take(most).enumerate();
        let found: Vec<Option<T>> = list.map(|(at, value)| read(at, &Item::of(self.key, value), sink)).collect();
        found.into_iter().collect::<Option<Vec<T>>>().filter(|_| complete)
    }

    /// The same for a list of two.
    pub fn both<T>(
        &self,
        example: &str,
        sink: &mut Sink,
        read: impl FnMut(usize, &Self, &mut Sink) -> Option<T>,
    ) -> Option<[T; 2]> {
        <[T; 2]>::try_from(self.all(2, 2, example, sink, read)?).ok()
    }

    /// Its values, where it is a list; itself where it is none.
    pub fn parts(&self) -> Vec<Self> {
        match self.value.as_array() {
            Some(list) => list.iter().map(|value| Item::of(self.key, value)).collect(),
            None => vec![*self],
        }
    }

    /// A list of exactly two values.
    pub fn pair(&self, example: &str, sink: &mut Sink) -> Option<[Item<'a>; 2]> {
        <[Item<'a>; 2]>::try_from(self.list(2, 2, example, sink)?).ok()
    }

    /// A table.
    pub fn table(&self, example: &str, sink: &mut Sink) -> Option<Section<'a>> {
        let found = self.value.as_table();
        if found.is_none() && !sink.is_wounded(self.span) {
            self.needs("a table", example, sink);
        }
        found.map(|table| Section::new(table, self.span))
    }

    /// Where the bytes `part` of the decoded text `decoded` stand in the file; the whole value where that cannot be
    /// said, because the text was written with escapes.
    pub fn inside(&self, decoded: &str, file: &str, part: std::ops::Range<usize>) -> Span {
        let raw = file.get(self.span.start..self.span.end).unwrap_or_default();
        for quotes in ["\"\"\"\n", "'''\n", "\"\"\"", "'''", "\"", "'"] {
            let inner = raw.strip_prefix(quotes).and_then(|rest| rest.strip_suffix(quotes.trim_end()));
            if inner == Some(decoded) {
                let begin = self.span.start + quotes.len();
                return Span { start: begin + part.start, end: begin + part.end };
            }
        }
        self.span
    }

    /// A date without time, as written.
    pub fn date(&self, sink: &mut Sink) -> Option<String> {
        let date = self.value.as_datetime().filter(|d| d.date.is_some() && d.time.is_none() && d.offset.is_none());
        if date.is_none() {
            self.needs("a date without quotation marks", "2026-05-01", sink);
        }
        date.map(ToString::to_string)
    }
}

fn unknown_key(name: &str, span: Span, known: &[&'static str], sink: &mut Sink) {
    let known = || known.iter().copied();
    let remedy = sink.did_you_mean(name, known(), || format!("there are {}", listed(known(), 16)));
    // Below a broken header keys seem to stand in the table before it.
    sink.absent(span, format!("unknown key `{}`", short(name)), remedy);
}

/// A number as one reads it best: very large and very small ones with their power of ten.
fn plain(number: f64) -> String {
    let usual = number == 0.0 || (1e-6..1e9).contains(&number.abs());
    if usual { number.to_string() } else { format!("{number:e}") }
}

/// `text`, cut where it is too long to be quoted in a sentence.
pub(super) fn short(text: &str) -> String {
    const MOST: usize = 40;
    if text.chars().count() <= MOST {
        return text.to_owned();
    }
    text.chars().take(MOST).chain(['…']).collect()
}

/// Whether `name` may name a channel, link, sensor, event or output: `[a-z][a-z0-9_]{0,31}`.
pub(super) fn is_name(name: &str) -> bool {
    name.len() <= 32
        && name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

/// Reports a name that breaks the rule of names.
pub(super) fn check_name(named: &Named<'_>, sink: &mut Sink) {
    if !is_name(named.name) {
        let what = format!("`{}` is no name", short(named.name));
        sink.error(named.name_span, what, "a small letter, then up to 31 small letters, digits or _");
    }
}
