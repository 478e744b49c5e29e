//! Columns of another sketch: numbers parted by comma, semicolon, tab or blanks.
//!
//! Owns the parting, the header and the choice which column is which field. In: lines. Out: fields filled. The rules
//! that the counts format leaves to this form:
//!
//! - A line with a comma, semicolon or tab in it is parted at each of these, and blanks around a value do not count;
//!   a line without is parted at runs of blanks. One separator too many at the end is forgiven.
//! - An empty column and a word that says "no number" (see [`null`]) is null. Any other text where the config uses the
//!   column is `WrongType`; where it does not, the text is passed over.
//! - Without names in the config the first line of words is the header; lines before it are `ColumnCount`. A later line of
//!   words replaces it only if it has a name that the config uses, so that a sketch's message does not. With names in the
//!   config a line that repeats them is a header and says nothing.
//! - A clock column that is null is `WrongType`; a negative one, or one from 2^53 on, `OutOfRange`.

use super::clock::SketchClock;
use super::core::{Core, Taken};
use super::fields::Target;
use super::{ClockField, Raw, Reject, number};
use crate::time::Stamp;

/// What is remembered of a link in the columns form.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    /// The config names the columns.
    fixed: bool,
    list: Vec<Column>,
    clock_name: Option<String>,
    clock: SketchClock,
    /// The names that the config does not use were written down.
    noted: bool,
}

#[derive(Clone, Debug)]
struct Column {
    name: String,
    slot: u16,
    is_clock: bool,
}

impl Columns {
    pub(super) fn new(names: Option<&[String]>, clock: Option<ClockField>, core: &Core) -> Self {
        let fixed = names.is_some();
        let timeline = SketchClock::new(clock.as_ref());
        let clock_name = clock.map(|clock| clock.name);
        let mut columns = Self { fixed, list: Vec::new(), clock_name, clock: timeline, noted: false };
        columns.list = columns.named(names.into_iter().flatten().map(String::as_str), core);
        columns
    }

    /// Goes on where `before` stands: the header, unless the config has the names, and the clock. True where that is the
    /// same clock.
    pub(super) fn go_on_from(&mut self, before: &Self, core: &Core) -> bool {
        if !self.fixed && !before.fixed {
            self.list = self.named(before.list.iter().map(|column| column.name.as_str()), core);
        }
        self.clock_name == before.clock_name && self.clock.go_on_from(&before.clock)
    }

    pub(super) fn opened(&mut self) {
        if !self.fixed {
            self.list.clear();
        }
    }

    pub(super) fn line(&mut self, core: &mut Core, now: Stamp, line: &[u8]) -> Result<Taken, Reject> {
        let text = std::str::from_utf8(line).map_err(|_| Reject::NotUtf8)?.trim_matches(' ');
        if text.trim_matches(is_blank).is_empty() {
            return Ok(Taken::Empty);
        }
        let words = text.strip_suffix(is_separator).unwrap_or(text);
        if Parts::of(words).all(is_name) {
            return self.header(core, words);
        }
        let count = Parts::of(text).count();
        let one_too_many = count == self.list.len() + 1 && Parts::of(text).last() == Some("");
        if self.list.is_empty() || (count != self.list.len() && !one_too_many) {
            return Err(Reject::ColumnCount);
        }
        self.reading(core, now, text)
    }

    fn reading(&mut self, core: &mut Core, now: Stamp, text: &str) -> Result<Taken, Reject> {
        core.reading.clear();
        let mut clock = None;
        for (column, part) in self.list.iter().zip(Parts::of(text)) {
            let used = column.slot != Target::NOWHERE;
            if !used && !column.is_clock {
                continue;
            }
            let raw = value(part)?;
            if column.is_clock {
                clock = Some(clock_value(raw)?);
            }
            if let Some(field) = core.reading.fields_mut().get_mut(usize::from(column.slot)) {
                *field = raw;
            }
        }
        if self.clock_name.is_some() && clock.is_none() {
            return Err(Reject::FieldMissing);
        }
        if !self.noted {
            self.note_unknown(core);
        }
        core.took(self.clock.reading(now, clock));
        Ok(Taken::Reading)
    }

    /// Takes a line of words as the header, or refuses it.
    fn header(&mut self, core: &mut Core, text: &str) -> Result<Taken, Reject> {
        let known = |part: &str| self.is_clock(part) || core.names.slot(part).is_some();
        if self.fixed {
            let same = Parts::of(text).eq(self.list.iter().map(|column| column.name.as_str()));
            return if same { Ok(Taken::Header) } else { Err(Reject::Malformed) };
        }
        let of_use = self.list.iter().any(|column| column.is_clock || column.slot != Target::NOWHERE);
        if of_use && !Parts::of(text).any(known) {
            return Err(Reject::Malformed);
        }
        let columns = self.named(Parts::of(text), core);
        for (place, column) in columns.iter().enumerate() {
            if columns[..place].iter().any(|before| before.name == column.name) {
                return Err(Reject::Duplicate);
            }
        }
        self.list = columns;
        self.noted = false;
        Ok(Taken::Header)
    }

    fn named<'a>(&self, names: impl Iterator<Item = &'a str>, core: &Core) -> Vec<Column> {
        names
            .map(|name| Column {
                name: name.to_owned(),
                slot: core.names.slot(name).unwrap_or(Target::NOWHERE),
                is_clock: self.is_clock(name),
            })
            .collect()
    }

    fn is_clock(&self, name: &str) -> bool {
        self.clock_name.as_deref() == Some(name)
    }

    fn note_unknown(&mut self, core: &mut Core) {
        for column in self.list.iter().filter(|column| column.slot == Target::NOWHERE && !column.is_clock) {
            core.names.note_unknown(&column.name);
        }
        self.noted = true;
    }
}

/// The value that another sketch wrote as `text`.
pub(super) fn value(text: &str) -> Result<Raw, Reject> {
    if null(text) {
        return Ok(Raw::Null);
    }
    let value = number::loose(text).ok_or(Reject::WrongType)?;
    if value.is_finite() { Ok(Raw::Number(value)) } else { Err(Reject::OutOfRange) }
}

/// The clock that another sketch sent.
pub(super) fn clock_value(raw: Raw) -> Result<f64, Reject> {
    match raw {
        Raw::Number(value) if SketchClock::may_be(value) => Ok(value),
        Raw::Number(_) => Err(Reject::OutOfRange),
        _ => Err(Reject::WrongType),
    }
}

/// Whether `text` says that there is no number: nothing, a dash, `null`, `none`, `na`, `n/a`, or what the usual
/// libraries of small controllers print for a number that is not finite or has no room (`nan`, `inf`, `ovf`).
pub(super) fn null(text: &str) -> bool {
    const WORDS: [&str; 12] = ["", "-", "--", "nan", "-nan", "null", "none", "na", "n/a", "inf", "-inf", "ovf"];
    WORDS.iter().any(|word| text.eq_ignore_ascii_case(word))
}

/// Whether `part` may be the name of a column.
fn is_name(part: &str) -> bool {
    !null(part) && number::loose(part).is_none()
}

pub(super) fn is_blank(c: char) -> bool {
    c == ' ' || c == '\t'
}

pub(super) fn is_separator(c: char) -> bool {
    matches!(c, ',' | ';' | '\t')
}

/// The parts of a line, without blanks around them.
#[derive(Clone, Debug)]
struct Parts<'a> {
    rest: Option<&'a str>,
    /// The line has a comma, semicolon or tab, so blanks do not part it.
    hard: bool,
}

impl<'a> Parts<'a> {
    fn of(text: &'a str) -> Self {
        Self { rest: Some(text), hard: text.contains(is_separator) }
    }
}

impl<'a> Iterator for Parts<'a> {
    type Item = &'a str;

    fn next(&mut self) -> Option<&'a str> {
        let rest = self.rest?;
        let part = if self.hard {
            let end = rest.find(is_separator);
            self.rest = end.map(|end| &rest[end + 1..]);
            &rest[..end.unwrap_or(rest.len())]
        } else {
            let end = rest.find(' ');
            self.rest = end.map(|end| rest[end..].trim_start_matches(' '));
            &rest[..end.unwrap_or(rest.len())]
        };
        Some(part.trim_matches(' '))
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case("1,2,3", &["1", "2", "3"])]
    #[case("1; 2 ;3;", &["1", "2", "3", ""])]
    #[case("1\t\t3", &["1", "", "3"])]
    #[case("1  2   3", &["1", "2", "3"])]
    #[case("oil temp, oil", &["oil temp", "oil"])]
    fn a_line_is_parted(#[case] text: &str, #[case] expected: &[&str]) {
        assert_eq!(Parts::of(text).collect::<Vec<_>>(), expected);
    }
}
