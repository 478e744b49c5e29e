//! Pairs from a live link: the readings, a line to type into, and what stands on the terminal meanwhile.
//!
//! Owns the loop and what the keys do. In: the links of the config, opened as a drive opens them, and keys. Out: pairs.
//! Records nothing, switches nothing; the terminal is given back on every way out.

use std::io;

use anyhow::Context as _;
use tokio::sync::mpsc;

use super::gather::{Scale, Taken, Unsteady, Window};
use super::propose::{Pair, with_unit};
use super::words::{caution, unsteady};
use crate::channel::{Trust, Value};
use crate::config::SharedModel;
use crate::curve::wrapped;
use crate::drive::{self, Engine, Listener, Tap};
use crate::link::Outgoing;
use crate::screen::{Got, Terminal};
use crate::state::Snapshot;
use crate::text::safe;
use crate::time::{MILLISECOND, Micros, Stamp};
use crate::unit::{Quantity, Unit};

/// How often the terminal is drawn.
const DRAW: Micros = 100 * MILLISECOND;
/// The longest text that can be typed.
const TYPED: usize = 24;
/// Pairs that are shown; all are kept.
const SHOWN: usize = 5;

/// What is calibrated.
#[derive(Clone, Debug)]
pub struct Live {
    /// The config without the channel's calibration and smoothing, nothing armed: see [`super::bare`].
    pub model: SharedModel,
    /// The channel's place.
    pub channel: usize,
    /// What its readings are measured by.
    pub scale: Scale,
    /// Gain and offset in force.
    pub old: (f64, f64),
}

/// How a session ended.
#[derive(Clone, Debug, PartialEq)]
pub enum Ended {
    /// With these pairs.
    Finished(Vec<Pair>),
    /// The user, a signal or the terminal's end wanted none of it.
    Cancelled,
}

/// Gathers pairs until the user has enough. Fails where a port is held by another program or may not be opened.
pub fn listen(live: &Live) -> anyhow::Result<Ended> {
    let mut session = Session { live, readings: Readings::default(), desk: None, ended: Ended::Cancelled };
    drive::listen(&live.model, &mut session)?;
    Ok(session.ended)
}

struct Session<'a> {
    live: &'a Live,
    readings: Readings,
    desk: Option<Desk<'a>>,
    ended: Ended,
}

impl Listener for Session<'_> {
    fn begin(&mut self, _: &[mpsc::Sender<Outgoing>]) -> anyhow::Result<Option<Tap>> {
        let terminal = Terminal::take(io::stdout()).context("cannot take the terminal")?;
        self.desk = Some(Desk::new(self.live, terminal));
        Ok(None)
    }

    fn look(&mut self, engine: &Engine, now: Stamp) -> anyhow::Result<bool> {
        self.readings.look(engine.snapshot(), self.live.channel);
        let Some(desk) = &mut self.desk else { return Ok(false) };
        let Some(ended) = desk.look(&self.readings.window, now)? else { return Ok(true) };
        self.ended = ended;
        Ok(false)
    }

    fn end(&mut self, _: Stamp) {
        self.desk = None;
    }

    fn advice(&self) -> &'static str {
        "While a drive runs, note the gauge and the time, and calibrate from its recording."
    }
}

/// Keeps the readings of one channel as they come to be known.
#[derive(Default)]
struct Readings {
    window: Window,
    version: u64,
    /// Since when its state is what it is, as last seen.
    since: Option<Stamp>,
}

impl Readings {
    /// Looks at what is known of `channel`.
    fn look(&mut self, snapshot: &Snapshot, channel: usize) {
        if snapshot.version == self.version {
            return;
        }
        self.version = snapshot.version;
        let Some(shown) = snapshot.channels.get(channel).filter(|shown| shown.heard.is_some()) else { return };
        // By the computer's clock, which never goes back, whatever the controller does.
        let (at, input, raw) = (snapshot.now.0, shown.evidence.input, shown.evidence.raw);
        let seen = self.since.replace(shown.since);
        if shown.value.good().is_some() && seen.is_some_and(|seen| seen != shown.since) {
            // A state that came and went between two looks is no reason to trust what is between them.
            self.window.push(Taken { at, value: Value::bad(Trust::Missing), input, raw });
        }
        self.window.push(Taken { at, value: shown.value, input, raw });
    }
}

/// The terminal with what was typed and taken so far.
struct Desk<'a> {
    live: &'a Live,
    terminal: Terminal,
    /// Bytes that the terminal has not taken yet.
    waiting: Vec<u8>,
    keys: Keys,
    typed: String,
    message: String,
    pairs: Vec<Pair>,
    drawn: Option<Stamp>,
}

/// What was pressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Key {
    Text(char),
    Enter,
    Back,
    Escape,
    Break,
}

/// Bytes into keys; sequences of the terminal's own (arrows, mouse, pasted text's marks) are passed over.
#[derive(Debug, Default)]
struct Keys {
    /// How far into a sequence: 0 outside, 1 behind its first byte, 2 inside.
    inside: u8,
}

impl Keys {
    fn read(&mut self, byte: u8, last: bool) -> Option<Key> {
        match (self.inside, byte) {
            (0, 0x1B) if last => Some(Key::Escape),
            (0, 0x1B) => {
                self.inside = 1;
                None
            }
            (1, b'[' | b'O') => {
                self.inside = 2;
                None
            }
            (1, _) => {
                self.inside = 0;
                Some(Key::Escape)
            }
            (2, 0x40..=0x7E) => {
                self.inside = 0;
                None
            }
            (2, _) => None,
            (_, b'\r' | b'\n') => Some(Key::Enter),
            (_, 0x7F | 0x08) => Some(Key::Back),
            (_, 0x03) => Some(Key::Break),
            (_, 0x20..=0x7E) => Some(Key::Text(char::from(byte))),
            _ => None,
        }
    }
}

impl<'a> Desk<'a> {
    fn new(live: &'a Live, terminal: Terminal) -> Self {
        let (keys, drawn) = (Keys::default(), None);
        Self {
            live,
            terminal,
            waiting: Vec::new(),
            keys,
            typed: String::new(),
            message: String::new(),
            pairs: Vec::new(),
            drawn,
        }
    }

    /// Reads keys, then draws. Gives how the session ends, where it does.
    fn look(&mut self, window: &Window, now: Stamp) -> io::Result<Option<Ended>> {
        let mut buffer = [0; 256];
        match self.terminal.read(&mut buffer) {
            Got::Gone => return Ok(Some(Ended::Cancelled)),
            Got::Nothing => {}
            Got::Bytes(count) => {
                for (place, &byte) in buffer[..count].iter().enumerate() {
                    let key = self.keys.read(byte, place + 1 == count);
                    if let Some(ended) = key.and_then(|key| self.press(key, window)) {
                        return Ok(Some(ended));
                    }
                }
                self.drawn = None;
            }
        }
        if self.drawn.is_none_or(|drawn| now.since(drawn) >= DRAW) && self.waiting.is_empty() {
            self.drawn = Some(now);
            let size = self.terminal.size().unwrap_or((80, 24));
            self.waiting = picture(&self.lines(window, usize::from(size.0)), size);
        }
        self.terminal.write(&mut self.waiting)?;
        Ok(None)
    }

    fn press(&mut self, key: Key, window: &Window) -> Option<Ended> {
        match key {
            Key::Break => return Some(Ended::Cancelled),
            Key::Enter => self.enter(window),
            Key::Back => drop(self.typed.pop()),
            Key::Escape => self.typed.clear(),
            Key::Text('q') if self.typed.is_empty() => return Some(Ended::Cancelled),
            Key::Text('f') if self.typed.is_empty() && self.pairs.is_empty() => {
                self.message = String::from("no pair yet: type what the gauge says, then enter; q ends without");
            }
            Key::Text('f') if self.typed.is_empty() => return Some(Ended::Finished(std::mem::take(&mut self.pairs))),
            Key::Text('u') if self.typed.is_empty() => {
                let gone = self.pairs.pop();
                let said = if gone.is_some() { "the last pair is taken back" } else { "there is no pair to take back" };
                self.message = String::from(said);
            }
            Key::Text(c) if self.typed.len() < TYPED && (!self.typed.is_empty() || !c.is_ascii_alphabetic()) => {
                self.message.clear();
                self.typed.push(c);
            }
            Key::Text(_) => {}
        }
        None
    }

    fn enter(&mut self, window: &Window) {
        let unit = self.unit();
        let gauge = match reading(&self.typed, unit) {
            Ok(gauge) => gauge,
            Err(why) => {
                self.message = why;
                return;
            }
        };
        match window.steady(self.live.scale) {
            Ok(mean) => {
                self.pairs.push(Pair { mean, gauge });
                self.message = format!("pair {} taken", self.pairs.len());
                self.typed.clear();
            }
            Err(why) => self.message = format!("not taken, {}", unsteady(why, unit)),
        }
    }

    fn unit(&self) -> Unit {
        self.live.model.channels[self.live.channel].unit
    }

    fn lines(&self, window: &Window, columns: usize) -> Vec<String> {
        let (channel, unit) = (&self.live.model.channels[self.live.channel], self.unit());
        let size = |number: f64| with_unit(number, 4, unit);
        let mut lines = vec![format!("Calibrate {}", safe(&channel.label))];
        lines.extend(wrapped(caution(unit), columns));
        let (raw, spread, shown) = match (window.running(), window.newest()) {
            (Some(mean), Some(newest)) => {
                let (gain, offset) = self.live.old;
                let now = newest
                    .value
                    .good()
                    .map_or_else(|| newest.value.trust().words().to_owned(), |now| size(now * gain + offset));
                (size(mean.value), size(mean.spread), now)
            }
            (None, Some(newest)) => ("-".to_owned(), "-".to_owned(), newest.value.trust().words().to_owned()),
            _ => ("-".to_owned(), "-".to_owned(), "nothing came yet".to_owned()),
        };
        lines.push(String::new());
        lines.push(format!("raw     {raw}, spread {spread}"));
        lines.push(format!("shown   {shown}"));
        let steady = window.steady(self.live.scale);
        let steady = match steady {
            Ok(_) => "STEADY  a pair can be taken".to_owned(),
            Err(Unsteady::TooLittle(_)) => {
                format!("wait    {}.{} s of 5 s", window.tenths() / 10, window.tenths() % 10)
            }
            Err(why) => format!("wait    {}", unsteady(why, unit)),
        };
        lines.extend(wrapped(&steady, columns));
        lines.push(String::new());
        let first = self.pairs.len().saturating_sub(SHOWN);
        for (place, pair) in self.pairs.iter().enumerate().skip(first) {
            lines.push(format!("pair {}  raw {}  gauge {}", place + 1, size(pair.mean.value), size(pair.gauge)));
        }
        lines.extend(wrapped(&self.message, columns));
        lines.push(format!("gauge says> {}_", self.typed));
        lines.push("enter take  u undo  f finish  q cancel".to_owned());
        lines
    }
}

/// What the gauge says, in `unit`; a bare number is in it already.
pub fn reading(text: &str, unit: Unit) -> Result<f64, String> {
    let text = text.trim();
    if text.is_empty() {
        return Err("type what the gauge says first".to_owned());
    }
    let bare = text.parse().ok().filter(|number: &f64| number.is_finite());
    let value = bare.or_else(|| Quantity::parse(text).ok()?.in_unit(unit));
    value.ok_or_else(|| format!("{} is no reading in {unit}; for example \"{}\"", safe(text), unit.kind().example()))
}

/// The bytes that put `lines` on a terminal of that size, each cut where it ends.
fn picture(lines: &[String], (columns, rows): (u16, u16)) -> Vec<u8> {
    let mut text = String::from("\x1b[H");
    // The last lines are those that are worked with.
    let skipped = lines.len().saturating_sub(usize::from(rows));
    for (place, line) in lines.iter().skip(skipped).enumerate() {
        if place > 0 {
            text.push_str("\r\n");
        }
        text.extend(line.chars().take(usize::from(columns).saturating_sub(1)));
        text.push_str("\x1b[K");
    }
    text.push_str("\x1b[J");
    text.into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(bytes: &[u8]) -> Vec<Key> {
        let mut keys = Keys::default();
        let last = bytes.len() - 1;
        bytes.iter().enumerate().filter_map(|(place, &byte)| keys.read(byte, place == last)).collect()
    }

    #[test]
    fn arrows_and_the_mouse_type_nothing() {
        assert_eq!(
            keys(b"3\x1b[A\x1b[<0;12;5M.\x1bOB1\r"),
            [Key::Text('3'), Key::Text('.'), Key::Text('1'), Key::Enter]
        );
        assert_eq!(keys(b"\x1b"), [Key::Escape]);
        assert_eq!(keys(&[0x03, 0x7F, 0xC3, 0x00]), [Key::Break, Key::Back]);
    }

    #[test]
    fn what_the_gauge_says_may_have_another_unit() {
        assert_eq!(reading("3.1", Unit::CELSIUS), Ok(3.1));
        assert_eq!(reading(" 212 degF ", Unit::CELSIUS), Ok(100.0));
        assert_eq!(reading("3 V", Unit::CELSIUS).unwrap_err(), "3 V is no reading in degC; for example \"25 degC\"");
        assert_eq!(reading("", Unit::CELSIUS).unwrap_err(), "type what the gauge says first");
        assert!(reading("inf", Unit::CELSIUS).is_err());
    }
}
