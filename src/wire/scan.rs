//! The usual line of the counts format, read in one go.
//!
//! Owns the hot path: it compares names with those it expects, parses numbers in place, and allocates nothing. In: a line
//! whose checksum was judged. Out: its fields, or `None` for everything that is not plain (blanks, escapes, texts,
//! unknown or repeated names, values out of range), which [`super::exact`] then judges by the full rules. It takes no
//! line that the exact way refuses, and reads none otherwise; a property test holds both against each other.

use super::fields::{Class, Target};
use super::keys::{Key, Keys};
use super::number::{self, whole};
use super::shape::WINDOW;
use super::{Edges, LINE_MAX, Raw};

/// Clock and running number of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Heads {
    /// `t`.
    pub t: u32,
    /// `s`, where the line has one.
    pub s: Option<u16>,
}

/// A line with room behind it, so that it can be looked at eight bytes at a step.
#[derive(Clone, Debug)]
pub(super) struct Page(Box<[u8; LINE_MAX + WINDOW]>);

impl Page {
    pub(super) fn new() -> Self {
        Self(Box::new([0; LINE_MAX + WINDOW]))
    }

    #[inline]
    fn window(&self, at: usize) -> Option<&[u8; WINDOW]> {
        self.0.get(at..)?.first_chunk()
    }
}

/// What is read of a line while it is scanned.
struct Scan<'a> {
    line: &'a [u8],
    keys: &'a mut Keys,
    /// The highest count of the converter.
    most: f64,
    fields: &'a mut [Raw],
    t: Option<u32>,
    s: Option<u16>,
}

/// Reads the members of `line` up to `end` (the comma before the checksum, or the closing brace) into `fields`, all of
/// which must be absent. `most` is the highest count of the converter.
#[inline]
pub(super) fn scan(
    line: &[u8],
    end: usize,
    page: &mut Page,
    keys: &mut Keys,
    most: f64,
    fields: &mut [Raw],
) -> Option<Heads> {
    if line.first() != Some(&b'{') {
        return None;
    }
    page.0.get_mut(..line.len())?.copy_from_slice(line);
    keys.begin_line();
    let mut scan = Scan { line, keys, most, fields, t: None, s: None };
    let (mut before, mut at) = (Keys::BEGIN, 1);
    // Behind the last member stands the comma of the checksum, or the closing brace.
    while at <= end {
        let window = page.window(at)?;
        (before, at) = match scan.usual(before, window) {
            Some((key, len)) => (key, at + len),
            None => scan.otherwise(before, at, end)?,
        };
    }
    // A look that reached past the end fitted on what an earlier line left there.
    (at == end + 1).then_some(Heads { t: scan.t?, s: scan.s })
}

impl Scan<'_> {
    /// Reads a member that looks as it usually does, and says how long it is with its comma.
    #[inline]
    fn usual(&mut self, before: Key, window: &[u8; WINDOW]) -> Option<(Key, usize)> {
        let (key, entry) = self.keys.usual(before, window)?;
        let (shape, target) = (&entry.shape, entry.target);
        match target.class {
            Class::Clock => self.t = Some(u32::try_from(shape.number(0, window)?).ok()?),
            Class::Sequence => self.s = Some(u16::try_from(shape.number(0, window)?).ok()?),
            Class::Pulse => {
                let part = |which| u32::try_from(shape.number(which, window)?).ok();
                let gaps = match shape.count() {
                    2 => None,
                    _ => Some((part(2)?, part(3)?)),
                };
                let edges = Edges { count: part(0)?, last: part(1)?, gaps };
                if !plausible(edges, self.t?) {
                    return None;
                }
                put(Raw::Edges(edges), target, self.fields);
            }
            class => {
                let value = shape.number(0, window)?.cast_signed() as f64;
                if !whole_in_range(value, class, self.most) {
                    return None;
                }
                put(Raw::Number(value), target, self.fields);
            }
        }
        Some((key, shape.len()))
    }

    /// Reads a member that looks otherwise, or is another one: which it is, and the place behind its comma.
    fn otherwise(&mut self, before: Key, at: usize, end: usize) -> Option<(Key, usize)> {
        let line = self.line;
        let (key, target, value) = self.keys.follow(before, line, at)?;
        let after = match target.class {
            Class::Clock => {
                let (value, after) = whole(line, value)?;
                self.t = Some(u32::try_from(value).ok()?);
                after
            }
            Class::Sequence => {
                let (value, after) = whole(line, value)?;
                self.s = Some(u16::try_from(value).ok()?);
                after
            }
            Class::Pulse => pulse(line, value, self.t, target, self.fields)?,
            _ => number(line, value, target, self.most, self.fields)?,
        };
        if line.get(after) == Some(&b',') {
            self.keys.looked(key, line.get(at..=after)?, value - at);
        } else if after != end {
            return None;
        }
        Some((key, after + 1))
    }
}

/// Whether a whole number that is not negative is in the range of its class.
#[inline]
fn whole_in_range(value: f64, class: Class, most: f64) -> bool {
    match class {
        Class::Analog => value <= most,
        Class::Reference => value >= 1.0 && value <= most,
        Class::Level => value <= 1.0,
        _ => true,
    }
}

/// A number or null at `at`, put in its place if it is in its range.
fn number(line: &[u8], at: usize, target: Target, most: f64, fields: &mut [Raw]) -> Option<usize> {
    let (value, after) = match whole(line, at) {
        Some((value, after)) if !matches!(line.get(after), Some(b'.' | b'e' | b'E')) => {
            (value.cast_signed() as f64, after)
        }
        _ => return unusual(line, at, target, most, fields),
    };
    put(Raw::Number(value), target, fields);
    whole_in_range(value, target.class, most).then_some(after)
}

/// The same for null, and for what is negative, fractional or long.
fn unusual(line: &[u8], at: usize, target: Target, most: f64, fields: &mut [Raw]) -> Option<usize> {
    if line.get(at..at + 4) == Some(b"null") {
        put(Raw::Null, target, fields);
        return Some(at + 4);
    }
    let number = number::json(line, at)?;
    put(Raw::Number(in_range(number, target.class, most).ok()?), target, fields);
    Some(number.end)
}

/// The value of a field that is one number, if it is in its range. `most` is the highest count of the converter.
pub(super) fn in_range(number: number::Number, class: Class, most: f64) -> Result<f64, super::Reject> {
    let value = number.value;
    let good = match class {
        Class::Level => {
            number.up_to(1)?;
            true
        }
        Class::Analog => (0.0..=most).contains(&value),
        Class::Reference => (1.0..=most).contains(&value),
        _ => value.is_finite(),
    };
    if good { Ok(value) } else { Err(super::Reject::OutOfRange) }
}

/// Two or four integers at `at`. Needs the clock, which usually stands ahead of them.
fn pulse(line: &[u8], at: usize, t: Option<u32>, target: Target, fields: &mut [Raw]) -> Option<usize> {
    if line.get(at) != Some(&b'[') {
        let null = line.get(at..at + 4) == Some(b"null");
        put(Raw::Null, target, fields);
        return null.then_some(at + 4);
    }
    let (count, at) = part(line, at + 1, b',')?;
    let (last, at) = whole(line, at)?;
    let last = u32::try_from(last).ok()?;
    let (gaps, at) = match *line.get(at)? {
        b']' => (None, at + 1),
        b',' => {
            let (shortest, at) = part(line, at + 1, b',')?;
            let (longest, at) = part(line, at, b']')?;
            (Some((shortest, longest)), at)
        }
        _ => return None,
    };
    let edges = Edges { count, last, gaps };
    put(Raw::Edges(edges), target, fields);
    plausible(edges, t?).then_some(at)
}

/// An integer of 32 bits at `at` with `after` behind it, and the place behind that.
fn part(line: &[u8], at: usize, after: u8) -> Option<(u32, usize)> {
    let (value, end) = whole(line, at)?;
    if line.get(end) != Some(&after) {
        return None;
    }
    Some((u32::try_from(value).ok()?, end + 1))
}

/// Whether `edges` can be on a line with clock `t`: the newest not after it on the wrapping clock, 0 while there is
/// none, and the shortest gap no longer than the longest.
#[inline]
pub(super) fn plausible(edges: Edges, t: u32) -> bool {
    let in_time = if edges.count == 0 { edges.last == 0 } else { t.wrapping_sub(edges.last) < 1 << 31 };
    in_time && edges.gaps.is_none_or(|(shortest, longest)| shortest <= longest)
}

#[inline]
fn put(raw: Raw, target: Target, fields: &mut [Raw]) {
    if let Some(field) = fields.get_mut(usize::from(target.slot)) {
        *field = raw;
    }
}
