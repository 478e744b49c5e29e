//! A plain line of the counts format, read in one go.
//!
//! It compares names with those it expects, parses numbers in place, and allocates nothing. In: a line
//! whose checksum was judged. Out: its fields, or `None` for everything that is not plain (blanks, escapes, texts,
//! unknown or repeated names, values out of range), which `Counts::exact` then judges by the full rules. It takes no
//! line that the exact way refuses, and reads none otherwise; a property test holds both against each other.

use super::fields::{Class, Target};
use super::keys::Keys;
use super::mould::Mark;
use super::number::{self, whole};
use super::{Edges, Raw};

/// Clock and running number of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Heads {
    /// `t`.
    pub t: u32,
    /// `s`, where the line has one.
    pub s: Option<u16>,
}

/// Reads the members of `line` up to `end` (the comma before the checksum, or the closing brace) into `fields`, all of
/// which must be absent, and leaves its members in `marks`. `most` is the highest count of the converter.
pub(super) fn scan(
    line: &[u8],
    end: usize,
    keys: &mut Keys,
    most: f64,
    fields: &mut [Raw],
    marks: &mut Vec<Mark>,
) -> Option<Heads> {
    if line.first() != Some(&b'{') {
        return None;
    }
    keys.begin_line();
    marks.clear();
    let mut before = Keys::BEGIN;
    let mut at = 1;
    let (mut t, mut s) = (None, None);
    loop {
        let (key, target, value) = keys.follow(before, line, at)?;
        before = key;
        let after = match target.class {
            Class::Clock => {
                let (value, after) = whole(line, value)?;
                t = Some(u32::try_from(value).ok()?);
                after
            }
            Class::Sequence => {
                let (value, after) = whole(line, value)?;
                s = Some(u16::try_from(value).ok()?);
                after
            }
            Class::Pulse => pulse(line, value, t, target, fields)?,
            _ => number(line, value, target, most, fields)?,
        };
        marks.push(Mark { target, value, after });
        if after == end {
            break;
        }
        if line.get(after) != Some(&b',') {
            return None;
        }
        at = after + 1;
    }
    Some(Heads { t: t?, s })
}

/// A number or null at `at`, put in its place if it is in its range.
#[inline]
fn number(line: &[u8], at: usize, target: Target, most: f64, fields: &mut [Raw]) -> Option<usize> {
    let (value, after) = match whole(line, at) {
        Some((value, after)) if !matches!(line.get(after), Some(b'.' | b'e' | b'E')) => {
            (value.cast_signed() as f64, after)
        }
        _ => return unusual(line, at, target, most, fields),
    };
    let good = match target.class {
        Class::Analog => value <= most,
        Class::Reference => value >= 1.0 && value <= most,
        Class::Level => value <= 1.0,
        _ => true,
    };
    put(Raw::Number(value), target, fields);
    good.then_some(after)
}

/// The same for null, and for what is negative, fractional or long.
#[inline(never)]
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
#[inline]
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
#[inline]
fn part(line: &[u8], at: usize, after: u8) -> Option<(u32, usize)> {
    let (value, end) = whole(line, at)?;
    if line.get(end) != Some(&after) {
        return None;
    }
    Some((u32::try_from(value).ok()?, end + 1))
}

/// Whether `edges` can be on a line with clock `t`: the newest not after it on the wrapping clock, 0 while there is
/// none.
#[inline]
pub(super) fn plausible(edges: Edges, t: u32) -> bool {
    if edges.count == 0 { edges.last == 0 } else { t.wrapping_sub(edges.last) < 1 << 31 }
}

#[inline]
pub(super) fn put(raw: Raw, target: Target, fields: &mut [Raw]) {
    if let Some(field) = fields.get_mut(usize::from(target.slot)) {
        *field = raw;
    }
}
