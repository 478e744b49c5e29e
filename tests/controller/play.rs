//! A play: a script for the bench, and what came of it.
//!
//! Owns the spelling of scripts and events. Lines of the controller are decoded by the program's own decoder, which is told that
//! each must have its checksum.

use std::path::Path;
use std::process::Command;

use kickpanel::time::Stamp;
use kickpanel::wire::{Decoded, Decoder, Edges, FieldId, Form, Hello, Raw, Reading, seal};

use super::tools;

/// Microseconds of a second.
pub const SECOND: u64 = 1_000_000;
/// On/off outputs, frequency output, duty output of the board.
pub const OUTPUTS: [u8; 4] = [7, 12, 9, 6];

const NAMES: [&str; 15] = ["a0", "a1", "a2", "a3", "a4", "a5", "p2", "p3", "q2", "q3", "d4", "d7", "d12", "f9", "w6"];

/// A script that is being written.
#[derive(Clone, Default)]
pub struct Play {
    lines: Vec<(u64, String)>,
}

/// What came of a play.
pub struct Told {
    /// Lines of the controller, escaped as the bench does, with the time of their end, µs.
    pub lines: Vec<(u64, String)>,
    /// Levels that pins took: time, pin, level.
    pub pins: Vec<(u64, u8, bool)>,
    /// Resets.
    pub resets: Vec<(u64, String)>,
    /// Values of variables that were looked at.
    pub peeks: Vec<u64>,
    /// How often the chip's receiver was overrun.
    pub overruns: usize,
    /// Busy share per mille, bytes of stack, speed of the line.
    pub busy: u32,
    pub stack: u32,
    pub baud: u32,
}

/// A reading as the decoder gives it, and when its line ended.
pub struct Read {
    pub at: u64,
    pub reading: Reading,
}

/// All lines of a play, decoded.
#[derive(Default)]
pub struct Heard {
    pub readings: Vec<Read>,
    pub hellos: Vec<(u64, Hello)>,
    /// Lines that were refused: only where a restart cut one.
    pub refused: Vec<String>,
    pub lost: u64,
    pub restarts: u64,
}

impl Play {
    pub fn new() -> Self {
        Self::default()
    }

    /// Does `what` at `at` µs.
    #[must_use]
    pub fn at(mut self, at: u64, what: &str) -> Self {
        self.add(at, what);
        self
    }

    pub fn add(&mut self, at: u64, what: &str) {
        self.lines.push((at, what.to_owned()));
    }

    /// Sends the line of which `open` is all but checksum and bracket.
    #[must_use]
    pub fn command(self, at: u64, open: &str) -> Self {
        let line = signed(open);
        self.raw(at, line.as_bytes())
    }

    /// Sends these very bytes.
    #[must_use]
    pub fn raw(mut self, at: u64, bytes: &[u8]) -> Self {
        self.add(at, &serial(bytes));
        self
    }

    /// Plays it until `end` µs.
    #[track_caller]
    pub fn until(self, end: u64) -> Told {
        self.until_with(end, tools::firmware())
    }

    /// The same with another firmware.
    #[track_caller]
    pub fn until_with(mut self, end: u64, firmware: &Path) -> Told {
        self.lines.retain(|(at, _)| *at < end);
        self.lines.sort_by_key(|(at, _)| *at);
        self.add(end, "end");
        let mut script = tempfile::NamedTempFile::new().unwrap();
        for (at, what) in &self.lines {
            use std::io::Write as _;
            writeln!(script, "{at} {what}").unwrap();
        }
        let run = Command::new(tools::bench()).arg(firmware).arg(script.path()).output().unwrap();
        let out = String::from_utf8(run.stdout).unwrap();
        let tail: Vec<_> = out.lines().rev().take(3).collect();
        assert!(run.status.success(), "{}{tail:?}", String::from_utf8_lossy(&run.stderr));
        Told::read(&out)
    }
}

/// A line of a script that sends `bytes`.
pub fn serial(bytes: &[u8]) -> String {
    let mut what = String::from("serial ");
    for &byte in bytes {
        match byte {
            b'\n' => what.push_str("\\n"),
            b'\\' => what.push_str("\\\\"),
            b' '..=b'~' => what.push(char::from(byte)),
            _ => what.push_str(&format!("\\x{byte:02X}")),
        }
    }
    what
}

/// A whole line to the controller, with checksum, bracket and LF.
pub fn signed(open: &str) -> String {
    let mut line = open.to_owned();
    seal(&mut line);
    line.push('\n');
    line
}

/// `open` of a `set`.
pub fn set(members: &str, lease_ms: u64) -> String {
    format!(r#"{{"set":{{{members}}},"lease_ms":{lease_ms}"#)
}

impl Told {
    #[track_caller]
    fn read(out: &str) -> Self {
        let mut told = Self {
            lines: Vec::new(),
            pins: Vec::new(),
            resets: Vec::new(),
            peeks: Vec::new(),
            overruns: 0,
            busy: 0,
            stack: 0,
            baud: 0,
        };
        for event in out.lines() {
            told.event(event);
        }
        told
    }

    #[track_caller]
    fn event(&mut self, event: &str) {
        let words: Vec<_> = event.split('\t').collect();
        let at: u64 = words[0].parse().unwrap();
        match words[1] {
            "serial" => self.lines.push((at, words[2].to_owned())),
            "pin" => self.pins.push((at, words[2].parse().unwrap(), words[3] == "1")),
            "reset" => self.resets.push((at, words[2].to_owned())),
            "peek" => self.peeks.push(words[3].parse().unwrap()),
            "overrun" => self.overruns += 1,
            "stats" => {
                let value = |key: &str| {
                    let word = words.iter().find_map(|word| word.strip_prefix(key)?.strip_prefix('='));
                    word.unwrap().parse().unwrap()
                };
                (self.busy, self.stack, self.baud) = (value("busy_permille"), value("stack_bytes"), value("baud"));
            }
            _ => panic!("the bench says: {event}"),
        }
    }

    /// What `pin` did.
    pub fn of_pin(&self, pin: u8) -> Vec<(u64, bool)> {
        self.pins.iter().filter(|(_, which, _)| *which == pin).map(|&(at, _, level)| (at, level)).collect()
    }

    /// What the outputs did.
    pub fn of_outputs(&self) -> Vec<(u64, u8, bool)> {
        self.pins.iter().copied().filter(|(_, pin, _)| OUTPUTS.contains(pin)).collect()
    }

    /// All lines decoded; none may be refused and none may be missing.
    #[track_caller]
    pub fn heard(&self) -> Heard {
        let heard = self.heard_over_restarts();
        assert_eq!(heard.refused, Vec::<String>::new());
        assert_eq!((heard.lost, heard.restarts), (0, 0), "readings lost, restarts");
        heard
    }

    /// The same where a restart may have cut a line.
    #[track_caller]
    pub fn heard_over_restarts(&self) -> Heard {
        let form = Form::Counts { checksum_required: true };
        let mut decoder = Decoder::new(form, &NAMES.map(String::from));
        let mut heard = Heard::default();
        for (at, line) in &self.lines {
            match decoder.line(Stamp(*at as i64), line.as_bytes()) {
                Ok(Decoded::Reading(reading)) => {
                    heard.readings.push(Read { at: *at, reading: reading.clone() });
                }
                Ok(Decoded::Hello(hello)) => heard.hellos.push((*at, hello.clone())),
                Ok(Decoded::Empty) => {}
                Ok(Decoded::Header) => panic!("a header: {line}"),
                Err(reject) => heard.refused.push(format!("{}: {line}", reject.name())),
            }
        }
        assert_eq!(decoder.unknown_names(), Vec::<String>::new());
        heard.lost = decoder.tally().lost;
        heard.restarts = decoder.tally().restarts;
        heard
    }
}

impl Heard {
    /// The newest reading whose inputs were sampled before `at`, by the time of its line.
    #[track_caller]
    pub fn before(&self, at: u64) -> &Read {
        self.readings.iter().rev().find(|read| read.at < at).unwrap()
    }

    /// The first reading after `at`.
    #[track_caller]
    pub fn after(&self, at: u64) -> &Read {
        self.readings.iter().find(|read| read.at > at).unwrap()
    }
}

impl Read {
    pub fn raw(&self, name: &str) -> Raw {
        let place = NAMES.iter().position(|known| *known == name);
        let index = match name {
            "ref" => FieldId::REF.index(),
            _ => FieldId::FIXED.len() + place.unwrap(),
        };
        self.reading.get(FieldId(index as u16))
    }

    #[track_caller]
    pub fn number(&self, name: &str) -> f64 {
        match self.raw(name) {
            Raw::Number(number) => number,
            other => panic!("{name} is {other:?}"),
        }
    }

    #[track_caller]
    pub fn edges(&self, name: &str) -> Edges {
        match self.raw(name) {
            Raw::Edges(edges) => edges,
            other => panic!("{name} is {other:?}"),
        }
    }
}

/// Numbers that can be had again (xorshift, Marsaglia 2003).
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    pub fn below(&mut self, end: usize) -> usize {
        ((self.next() >> 16) % end as u64) as usize
    }
}

/// `is` must lie within `most` of `should`.
#[track_caller]
pub fn within(what: &str, is: f64, should: f64, most: f64) {
    assert!((is - should).abs() <= most, "{what}: {is}, which should be {should} within {most}");
}
