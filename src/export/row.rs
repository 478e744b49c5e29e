//! One row of values as text, into a buffer that is reused.

use std::io::{self, Write};

use crate::channel::{Trust, Value};
use crate::config::Channel;
use crate::time::{Micros, SECOND};
use crate::unit::Unit;

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
    fn head(&mut self, channels: &[Channel], out: &mut Vec<u8>);

    /// One row at `at`, µs since the first reading.
    fn row(&mut self, at: Micros, values: &[Value], out: &mut Vec<u8>);
}

/// Comma-separated values: `time_s`, then a column for each channel headed `name [unit]`.
#[derive(Debug)]
pub struct Csv {
    /// A column `name.state` after each channel.
    pub states: bool,
}

impl Rows for Csv {
    fn head(&mut self, channels: &[Channel], out: &mut Vec<u8>) {
        out.extend_from_slice(b"time_s");
        for channel in channels {
            out.push(b',');
            out.extend_from_slice(column_name(channel).as_bytes());
            if self.states {
                out.push(b',');
                out.extend_from_slice(channel.name.as_bytes());
                out.extend_from_slice(b".state");
            }
        }
        out.push(b'\n');
    }

    fn row(&mut self, at: Micros, values: &[Value], out: &mut Vec<u8>) {
        push_seconds(at, out);
        for value in values {
            out.push(b',');
            if let Some(number) = value.good() {
                push_number(number, out);
            }
            if self.states {
                out.push(b',');
                out.extend_from_slice(value.trust().name().as_bytes());
            }
        }
        out.push(b'\n');
    }
}

/// Channel names and units hold no comma, quote or line end, so that nothing need be quoted.
fn column_name(channel: &Channel) -> String {
    if channel.unit == Unit::ONE { channel.name.clone() } else { format!("{} [{}]", channel.name, channel.unit) }
}

/// JSON objects: `time_s`, each channel by name (`null` where it is not `ok`), and `states` of those that are not.
#[derive(Debug, Default)]
pub struct Jsonl {
    names: Vec<String>,
}

impl Rows for Jsonl {
    fn head(&mut self, channels: &[Channel], _: &mut Vec<u8>) {
        self.names = channels.iter().map(|channel| channel.name.clone()).collect();
    }

    fn row(&mut self, at: Micros, values: &[Value], out: &mut Vec<u8>) {
        out.extend_from_slice(b"{\"time_s\":");
        push_seconds(at, out);
        for (name, value) in self.names.iter().zip(values) {
            push_key(name, out);
            match value.good() {
                Some(number) => push_number(number, out),
                None => out.extend_from_slice(b"null"),
            }
        }
        out.extend_from_slice(b",\"states\":{");
        let mut first = true;
        for (name, value) in self.names.iter().zip(values) {
            if value.trust() != Trust::Ok {
                push_state(name, value.trust(), first, out);
                first = false;
            }
        }
        out.extend_from_slice(b"}}\n");
    }
}

/// A channel's name is letters, digits and underscores: it needs no escaping.
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
        Csv { states: true }.row(20_000, &[Value::ok(3.5), Value::bad(Trust::Open)], &mut out);
        assert_eq!(String::from_utf8(out).unwrap(), "0.02,3.5,ok,,open\n");
    }

    #[test]
    fn a_json_row_holds_null_and_the_state_where_it_is_not_ok() {
        let mut out = Vec::new();
        let mut rows = Jsonl { names: vec!["oil".into(), "coolant".into()] };
        rows.row(0, &[Value::ok(3.0), Value::bad(Trust::Stale)], &mut out);
        let text = String::from_utf8(out).unwrap();
        assert_eq!(text, "{\"time_s\":0,\"oil\":3,\"coolant\":null,\"states\":{\"coolant\":\"stale\"}}\n");
        serde_json::from_str::<serde_json::Value>(&text).unwrap();
    }
}
