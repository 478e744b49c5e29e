//! One row of values as text, into a buffer that is reused.

use std::io::{self, Write};

use super::columns::Column;
use crate::channel::{Trust, Value};
use crate::time::{Micros, SECOND};

/// Which text is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values with a header row, lines ended by LF.
    Csv {
        /// A column `name.state` after each channel.
        states: bool,
    },
    /// One JSON object a line.
    Jsonl,
}

/// Turns rows of values into text.
pub trait Rows {
    /// What stands before the first row.
    fn head(&mut self, columns: &[Column], out: &mut Vec<u8>);

    /// Takes other columns from here on; false where those of the head stand for ever.
    fn more(&mut self, columns: &[Column]) -> bool;

    /// One row at `at`, µs since the first reading. A value for each column; `None` where the config in force does not have
    /// the channel.
    fn row(&mut self, at: Micros, values: &[Option<Value>], out: &mut Vec<u8>);
}

/// Comma-separated values: `time_s`, then a column for each channel headed `name [unit]`.
#[derive(Debug)]
pub struct Csv {
    /// A column `name.state` after each channel.
    pub states: bool,
}

impl Rows for Csv {
    fn head(&mut self, columns: &[Column], out: &mut Vec<u8>) {
        out.extend_from_slice(b"time_s");
        for column in columns {
            out.push(b',');
            out.extend_from_slice(column.label().as_bytes());
            if self.states {
                out.push(b',');
                out.extend_from_slice(column.key().as_bytes());
                out.extend_from_slice(b".state");
            }
        }
        out.push(b'\n');
    }

    fn more(&mut self, _: &[Column]) -> bool {
        false
    }

    fn row(&mut self, at: Micros, values: &[Option<Value>], out: &mut Vec<u8>) {
        push_seconds(at, out);
        for value in values {
            out.push(b',');
            if let Some(number) = value.and_then(Value::good) {
                push_number(number, out);
            }
            if self.states {
                out.push(b',');
                out.extend_from_slice(value.map_or("", |value| value.trust().name()).as_bytes());
            }
        }
        out.push(b'\n');
    }
}

/// JSON objects: `time_s`, each channel of the config in force by name (`null` where it is not `ok`), and `states` of those
/// that are not.
#[derive(Debug, Default)]
pub struct Jsonl {
    names: Vec<String>,
}

impl Rows for Jsonl {
    fn head(&mut self, columns: &[Column], _: &mut Vec<u8>) {
        self.names = columns.iter().map(Column::key).collect();
    }

    fn more(&mut self, columns: &[Column]) -> bool {
        self.names = columns.iter().map(Column::key).collect();
        true
    }

    fn row(&mut self, at: Micros, values: &[Option<Value>], out: &mut Vec<u8>) {
        out.extend_from_slice(b"{\"time_s\":");
        push_seconds(at, out);
        let values = || self.names.iter().zip(values).filter_map(|(name, value)| Some((name, (*value)?)));
        for (name, value) in values() {
            push_key(name, out);
            match value.good() {
                Some(number) => push_number(number, out),
                None => out.extend_from_slice(b"null"),
            }
        }
        out.extend_from_slice(b",\"states\":{");
        let mut first = true;
        for (name, value) in values() {
            if value.trust() != Trust::Ok {
                push_state(name, value.trust(), first, out);
                first = false;
            }
        }
        out.extend_from_slice(b"}}\n");
    }
}

/// A channel's name is letters, digits and underscores, and a unit has no quote in it either: neither needs escaping.
fn push_key(name: &str, out: &mut Vec<u8>) {
    out.extend_from_slice(b",\"");
    out.extend_from_slice(name.as_bytes());
    out.extend_from_slice(b"\":");
}

fn push_state(name: &str, trust: Trust, first: bool, out: &mut Vec<u8>) {
    if !first {
        out.push(b',');
    }
    out.push(b'"');
    out.extend_from_slice(name.as_bytes());
    out.extend_from_slice(b"\":\"");
    out.extend_from_slice(trust.name().as_bytes());
    out.push(b'"');
}

/// A finite number with as few digits as read back exactly; whole numbers without a point.
fn push_number(number: f64, out: &mut Vec<u8>) {
    let mut buffer = ryu::Buffer::new();
    let text = buffer.format_finite(number);
    out.extend_from_slice(text.strip_suffix(".0").unwrap_or(text).as_bytes());
}

/// Microseconds as seconds, exactly, with as many decimals as it takes.
fn push_seconds(at: Micros, out: &mut Vec<u8>) {
    // Writing to a Vec cannot fail.
    let _: io::Result<()> = write_seconds(at, out);
}

fn write_seconds(at: Micros, out: &mut Vec<u8>) -> io::Result<()> {
    if at < 0 {
        out.push(b'-');
    }
    let (whole, mut part) = ((at / SECOND).unsigned_abs(), (at % SECOND).unsigned_abs());
    write!(out, "{whole}")?;
    if part == 0 {
        return Ok(());
    }
    let mut digits = 6;
    while part.is_multiple_of(10) {
        part /= 10;
        digits -= 1;
    }
    write!(out, ".{part:0digits$}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn seconds(at: Micros) -> String {
        let mut out = Vec::new();
        push_seconds(at, &mut out);
        String::from_utf8(out).unwrap()
    }

    #[rstest]
    #[case::nothing(0, "0")]
    #[case::one_step(20_000, "0.02")]
    #[case::all_digits(1_000_001, "1.000001")]
    #[case::whole(3_000_000, "3")]
    #[case::a_day(86_400_500_000, "86400.5")]
    #[case::before_the_beginning(-1_500_000, "-1.5")]
    fn seconds_are_written_exactly(#[case] at: Micros, #[case] text: &str) {
        assert_eq!(seconds(at), text);
    }

    #[rstest]
    #[case(0.0)]
    #[case(-0.5)]
    #[case(0.1 + 0.2)]
    #[case(1e-300)]
    #[case(f64::MAX)]
    #[case(6_894.757_293_17)]
    fn numbers_read_back_bit_for_bit(#[case] number: f64) {
        let mut out = Vec::new();
        push_number(number, &mut out);
        let back: f64 = std::str::from_utf8(&out).unwrap().parse().unwrap();
        assert_eq!(back.to_bits(), number.to_bits());
    }

    #[test]
    fn a_csv_cell_is_empty_where_the_state_is_not_ok() {
        let mut out = Vec::new();
        Csv { states: true }.row(20_000, &[Some(Value::ok(3.5)), Some(Value::bad(Trust::Open)), None], &mut out);
        assert_eq!(String::from_utf8(out).unwrap(), "0.02,3.5,ok,,open,,\n");
    }

    #[test]
    fn a_json_row_holds_null_and_the_state_where_it_is_not_ok() {
        let mut out = Vec::new();
        let mut rows = Jsonl { names: vec!["oil".into(), "lamp".into(), "coolant".into()] };
        rows.row(0, &[Some(Value::ok(3.0)), None, Some(Value::bad(Trust::Stale))], &mut out);
        let text = String::from_utf8(out).unwrap();
        assert_eq!(text, "{\"time_s\":0,\"oil\":3,\"coolant\":null,\"states\":{\"coolant\":\"stale\"}}\n");
        serde_json::from_str::<serde_json::Value>(&text).unwrap();
    }
}
