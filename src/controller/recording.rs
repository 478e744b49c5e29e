//! A recording of a story, written many times faster than it would be driven.
//!
//! Owns the times at which the lines would have arrived. In: story, seed, length, config text. Out: one part of a
//! recording, version 1, as the recorder would have written it. Opens no file.

use std::io::{self, Write};

use crc::{CRC_32_ISO_HDLC, Crc};

use super::lines::Simulated;
use super::story::Story;
use super::vehicle::{STEP, Truth};
use crate::record::format::write_line;
use crate::record::note::FORMAT;
use crate::record::{Head, Mark};
use crate::time::{Micros, SECOND, Stamp};

/// A byte takes so long at 500,000 baud, µs.
const BYTE: Micros = 20;
/// The link's name in the demo's config.
const LINK: &str = "engine";
const SUM: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// Writes a recording of the first `length` µs of `story` to `out`. `config` is the text of the config that goes with
/// it. The same arguments give the same bytes: a simulated drive has no time of day.
///
/// Fails only where `out` does, with its error.
pub fn write_recording(story: Story, seed: u64, length: Micros, config: &str, out: &mut impl Write) -> io::Result<()> {
    let mut lorry = Simulated::new(story, seed);
    let mut sheet = Sheet::default();
    sheet.note(0, &serde_json::to_vec(&head(story, config))?);
    sheet.entry(0, LINK, Mark::Note, br#"{"note":"link","state":"up"}"#);
    let mut bytes = Vec::new();
    let mut next_sum = SECOND;
    let mut marks = Marks::default();
    // When the newest byte arrived: two lines never do at once.
    let mut arrived = 0;
    while lorry.now() + STEP <= length {
        lorry.advance(lorry.now() + STEP, &mut bytes);
        arrived = lorry.now().max(arrived);
        if marks.pressed(lorry.truth(), lorry.now()) {
            sheet.note(arrived, br#"{"note":"mark","text":""}"#);
        }
        while let Some(end) = bytes.iter().position(|&byte| byte == b'\n') {
            arrived += BYTE * Micros::try_from(end + 1).unwrap_or(0);
            let line = bytes.get(..end).unwrap_or_default();
            sheet.entry(arrived, LINK, Mark::Received, line.strip_suffix(b"\r").unwrap_or(line));
            bytes.drain(..=end);
        }
        if lorry.now() >= next_sum {
            next_sum += SECOND;
            sheet.hand_on(arrived, out)?;
        }
    }
    sheet.hand_on(arrived, out)?;
    // The last line of all; no sum comes after it.
    sheet.note(arrived, br#"{"note":"closed"}"#);
    out.write_all(&sheet.text)?;
    out.flush()
}

fn head(story: Story, config: &str) -> Head {
    let mut head = Head::default();
    head.format = FORMAT;
    head.program.push_str(concat!("kickpanel ", env!("CARGO_PKG_VERSION")));
    // Every story has a number of its own, so that the recordings of several can lie in one folder.
    (head.drive, head.part) = (story.drive(), 1);
    head.clock.push_str("unset");
    head.config = Some(config.to_owned());
    head
}

/// The simulated driver, who presses the key a moment after each falter of the engine. Invented data of the demo.
#[derive(Debug, Default)]
struct Marks {
    falters: bool,
    press: Option<Micros>,
}

impl Marks {
    /// Whether the key is pressed at `now`.
    fn pressed(&mut self, truth: &Truth, now: Micros) -> bool {
        let falters = truth.rpm < 500.0 && truth.speed > 5.0;
        if falters && !self.falters {
            self.press = self.press.or(Some(now + 1_500_000));
        }
        self.falters = falters;
        self.press.take_if(|press| *press <= now).is_some()
    }
}

/// The lines since the last ones that were handed on.
#[derive(Debug, Default)]
struct Sheet {
    text: Vec<u8>,
    lines: u64,
}

impl Sheet {
    fn note(&mut self, at: Micros, note: &[u8]) {
        self.entry(at, "-", Mark::Note, note);
    }

    fn entry(&mut self, at: Micros, link: &str, mark: Mark, payload: &[u8]) {
        write_line(Stamp(at), link, mark, payload, &mut self.text);
        self.lines += 1;
    }

    /// Covers all bytes since the last time with their sum, and lets go of them.
    fn hand_on(&mut self, at: Micros, out: &mut impl Write) -> io::Result<()> {
        let crc32 = format!("{:08X}", SUM.checksum(&self.text));
        let sum = format!("{{\"note\":\"sum\",\"lines\":{},\"crc32\":\"{crc32}\"}}", self.lines);
        self.note(at, sum.as_bytes());
        out.write_all(&self.text)?;
        self.text.clear();
        self.lines = 0;
        Ok(())
    }
}
