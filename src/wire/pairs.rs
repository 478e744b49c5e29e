//! Pairs of another sketch: `name=value` or `name:value`, parted by comma, semicolon, tab or blanks.
//!
//! Owns the reading of pairs. In: lines. Out: fields filled. The rules that the counts format leaves to this form:
//!
//! - Blanks may stand on both sides of `=` or `:`. A word without either is `Malformed`, and so is a name of no letters.
//! - A value may be null as in the columns form; any other text under a name that the config uses is `WrongType`, under
//!   any other name it is passed over. A value with a second `=` is `Malformed`: a separator was lost.
//! - A line without the clock that the config names is `FieldMissing`.

use super::clock::SketchClock;
use super::columns::{clock_value, is_blank, is_separator, value};
use super::core::{Core, Taken};
use super::{ClockField, Reject};
use crate::time::Stamp;

/// What is remembered of a link in the pairs form.
#[derive(Clone, Debug)]
pub(super) struct Pairs {
    clock_name: Option<String>,
    clock: SketchClock,
}

impl Pairs {
    pub(super) fn new(clock: Option<ClockField>) -> Self {
        Self { clock: SketchClock::new(clock.as_ref()), clock_name: clock.map(|clock| clock.name) }
    }

    /// Goes on where `before` stands. True where that is the same clock.
    pub(super) fn go_on_from(&mut self, before: &Self) -> bool {
        self.clock_name == before.clock_name && self.clock.go_on_from(&before.clock)
    }

    pub(super) fn line(&mut self, core: &mut Core, now: Stamp, line: &[u8]) -> Result<Taken, Reject> {
        let text = std::str::from_utf8(line).map_err(|_| Reject::NotUtf8)?;
        if text.trim_matches(|c| is_blank(c) || is_separator(c)).is_empty() {
            return Ok(Taken::Empty);
        }
        check_shape(text)?;
        core.reading.clear();
        let mut clock = None;
        for (name, written) in Walk(text).flatten() {
            let slot = core.names.slot(name);
            let is_clock = self.clock_name.as_deref() == Some(name);
            if slot.is_none() && !is_clock {
                continue;
            }
            let raw = value(written)?;
            if is_clock {
                clock = Some(clock_value(raw)?);
            }
            if let Some(field) = slot.and_then(|slot| core.reading.fields_mut().get_mut(usize::from(slot))) {
                *field = raw;
            }
        }
        if self.clock_name.is_some() && clock.is_none() {
            return Err(Reject::FieldMissing);
        }
        self.note_unknown(core, text);
        core.took(self.clock.reading(now, clock));
        Ok(Taken::Reading)
    }

    /// Writes down the names that came with a number or null and that the config does not use.
    fn note_unknown(&self, core: &mut Core, text: &str) {
        for (name, written) in Walk(text).flatten() {
            let is_clock = self.clock_name.as_deref() == Some(name);
            if !is_clock && core.names.slot(name).is_none() && value(written).is_ok() {
                core.names.note_unknown(name);
            }
        }
    }
}

/// Refuses a line that is not all pairs, or has a name twice.
fn check_shape(text: &str) -> Result<(), Reject> {
    for pair in Walk(text) {
        pair?;
    }
    for (place, (name, _)) in Walk(text).flatten().enumerate() {
        if Walk(text).flatten().take(place).any(|(before, _)| before == name) {
            return Err(Reject::Duplicate);
        }
    }
    Ok(())
}

/// Walks over the pairs of a line.
struct Walk<'a>(&'a str);

impl<'a> Iterator for Walk<'a> {
    type Item = Result<(&'a str, &'a str), Reject>;

    fn next(&mut self) -> Option<Self::Item> {
        let text = self.0.trim_start_matches(|c| is_blank(c) || is_separator(c));
        if text.is_empty() {
            return None;
        }
        let pair = pair(text);
        self.0 = pair.map_or("", |(_, _, rest)| rest);
        Some(pair.map(|(name, value, _)| (name, value)).ok_or(Reject::Malformed))
    }
}

/// The pair at the beginning of `text`, and what follows it.
fn pair(text: &str) -> Option<(&str, &str, &str)> {
    let end = text.find(|c| matches!(c, '=' | ':') || is_blank(c) || is_separator(c))?;
    let (name, rest) = text.split_at(end);
    let rest = rest.trim_start_matches(' ').strip_prefix(['=', ':'])?.trim_start_matches(' ');
    let end = rest.find(|c| is_blank(c) || is_separator(c)).unwrap_or(rest.len());
    let (value, rest) = rest.split_at(end);
    (!name.is_empty() && !value.contains('=')).then_some((name, value, rest))
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case("a=1,b=2", &[("a", "1"), ("b", "2")])]
    #[case("a:1 b:2", &[("a", "1"), ("b", "2")])]
    #[case("a = 1; b: 2;", &[("a", "1"), ("b", "2")])]
    #[case("a=,b=2", &[("a", ""), ("b", "2")])]
    #[case("at:12:30\tb=1", &[("at", "12:30"), ("b", "1")])]
    #[case("a=1 bar b=2", &[])]
    #[case("a=1b=2", &[])]
    #[case("=1", &[])]
    #[case("ready", &[])]
    fn a_line_is_a_walk_over_pairs(#[case] text: &str, #[case] expected: &[(&str, &str)]) {
        assert_eq!(Walk(text).collect::<Result<Vec<_>, _>>().unwrap_or_default(), expected);
    }
}
