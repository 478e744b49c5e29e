//! A recording of a story, written many times faster than it would be driven.
//!
//! Owns the times at which the lines would have arrived. In: story, seed, length, config text. Out: a whole recording,
//! version 1, as the recorder would have written it. Opens no file.

use std::io::{self, Write};

use crc::{CRC_32_ISO_HDLC, Crc};

use super::lines::Simulated;
use super::story::Story;
use super::vehicle::STEP;
use crate::time::{Micros, SECOND};

/// A byte takes so long at 500,000 baud, µs.
const BYTE: Micros = 20;

/// Writes a recording of the first `length` µs of `story` to `out`. `config` is the text of the config that goes with
/// it. The same arguments give the same bytes: a simulated drive has no time of day.
///
/// Fails only where `out` does.
pub fn write_recording(story: Story, seed: u64, length: Micros, config: &str, out: &mut impl Write) -> io::Result<()> {
    let mut lorry = Simulated::new(story, seed);
    let mut sheet = Sheet::default();
    sheet.head(config);
    let mut bytes = Vec::new();
    let mut next_sum = SECOND;
    while lorry.now() < length {
        lorry.advance(lorry.now() + STEP, &mut bytes);
        let mut arrives = lorry.now();
        while let Some(end) = bytes.iter().position(|&byte| byte == b'\n') {
            arrives += BYTE * Micros::try_from(end + 1).unwrap_or(0);
            sheet.line(arrives, bytes.get(..end).unwrap_or_default());
            bytes.drain(..=end);
        }
        if lorry.now() >= next_sum {
            next_sum += SECOND;
            sheet.sum(lorry.now());
            sheet.hand_on(out)?;
        }
    }
    sheet.sum(lorry.now());
    sheet.note(lorry.now(), "-", &serde_json::json!({"note": "closed"}));
    sheet.hand_on(out)?;
    out.flush()
}

/// The lines since the last ones that were handed on. To be replaced by the recorder's own functions.
#[derive(Debug, Default)]
struct Sheet {
    text: Vec<u8>,
    /// Where the bytes begin that no sum covers yet.
    unsummed: usize,
    lines: u32,
}

impl Sheet {
    fn head(&mut self, config: &str) {
        let program = concat!("kickpanel ", env!("CARGO_PKG_VERSION"));
        let head = serde_json::json!({
            "note": "recording", "format": 1, "program": program, "drive": 1, "part": 1,
            "clock": "unset", "config": config,
        });
        self.note(0, "-", &head);
    }

    fn note(&mut self, at: Micros, link: &str, note: &serde_json::Value) {
        self.columns(at, link, '!');
        self.text.extend_from_slice(note.to_string().as_bytes());
        self.end();
    }

    fn line(&mut self, at: Micros, line: &[u8]) {
        self.columns(at, "engine", '<');
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        for &byte in line {
            if matches!(byte, b' '..=b'~') && byte != b'\\' {
                self.text.push(byte);
            } else {
                self.text.extend_from_slice(format!("\\x{byte:02X}").as_bytes());
            }
        }
        self.end();
    }

    /// Covers all bytes since the last sum.
    fn sum(&mut self, at: Micros) {
        let covered = self.text.get(self.unsummed..).unwrap_or_default();
        let checksum = Crc::<u32>::new(&CRC_32_ISO_HDLC).checksum(covered);
        let sum = serde_json::json!({"note": "sum", "lines": self.lines, "crc32": format!("{checksum:08X}")});
        self.note(at, "-", &sum);
        self.unsummed = self.text.len();
        self.lines = 0;
    }

    fn columns(&mut self, at: Micros, link: &str, mark: char) {
        let (whole, part) = (at / 1000, at % 1000);
        let fraction = if part == 0 { String::new() } else { format!(".{part:03}") };
        let columns = format!("{whole}{}\t{link}\t{mark}\t", fraction.trim_end_matches('0'));
        self.text.extend_from_slice(columns.as_bytes());
    }

    fn end(&mut self) {
        self.text.push(b'\n');
        self.lines += 1;
    }

    fn hand_on(&mut self, out: &mut impl Write) -> io::Result<()> {
        out.write_all(&self.text)?;
        self.text.clear();
        self.unsummed = 0;
        Ok(())
    }
}
