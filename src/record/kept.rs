//! One part of a recording, line by line, checked against its sums.
//!
//! Owns the stretches between two sums: each is looked at whole before a line of it is given out, so that damage is
//! told from data. In: a [`Window`]. Out: entries, and what was hit. Opens no file, knows no joined timeline.
//!
//! What is trusted: a stretch whose sum is right. What a power cut may leave behind the last sum is whatever the disk
//! makes of sectors that were on their way: lines there are given out, but not those beside bytes that are no line,
//! since their own end may have been made up.

use super::format::{CRC, Entry, Fault, Mark, Sum, line_end, own_note, unescape};
use super::note;
use super::reader::Damage;
use super::source::ReadError;
use super::window::Window;
use crate::time::Stamp;

/// A stretch without a sum is given out after so many bytes, so that memory stays bounded.
const STRETCH_MAX: usize = 1 << 20;
/// The longest line: a head carries the whole config file.
const LINE_MAX: usize = 4 << 20;

/// A line of a part, by its places in memory.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub at: Stamp,
    pub mark: Mark,
    /// It stands in a stretch whose sum is wrong.
    pub damaged: bool,
    link: (usize, usize),
    payload: (usize, usize),
    escaped: bool,
}

pub(super) struct Kept {
    window: Window,
    /// Lines of the stretch: where each begins and ends in what is pending, and whether to give it out.
    lines: Vec<Line>,
    next: usize,
    /// Bytes of what is pending that the stretch takes, with its sum.
    length: usize,
    proof: Proof,
    sum: Sum,
    /// Bytes and lines since the last sum.
    covered: (u64, u64),
    /// A line that is too long to keep is being passed over.
    skipping: bool,
    scratch: Vec<u8>,
    /// Reading on failed: said once the lines before it are given out.
    failed: Option<ReadError>,
}

#[derive(Clone, Copy, Debug)]
struct Line {
    from: usize,
    to: usize,
    whole: bool,
}

/// What is known of the lines of a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Proof {
    /// The sum is right.
    Right,
    /// The sum is wrong; it was written at this instant, after all of the lines.
    Wrong(Stamp),
    /// No sum came yet, or ever.
    None,
}

impl Kept {
    pub(super) fn new(window: Window) -> Self {
        Self {
            window,
            lines: Vec::new(),
            next: 0,
            length: 0,
            proof: Proof::None,
            sum: CRC.digest(),
            covered: (0, 0),
            skipping: false,
            scratch: Vec::new(),
            failed: None,
        }
    }

    /// The next line that can be read; `None` at the end. Damage on the way is added to `damage`.
    pub(super) fn next(&mut self, damage: &mut Damage) -> Result<Option<Found>, ReadError> {
        loop {
            let Some(line) = self.lines.get(self.next).copied() else {
                if self.stretch(damage)? {
                    continue;
                }
                return Ok(None);
            };
            self.next += 1;
            match self.read(line) {
                Ok(found) => return Ok(Some(found)),
                Err(_) => self.count_line(line, damage),
            }
        }
    }

    /// The link of `found`, which must be the newest.
    pub(super) fn link(&self, found: &Found) -> &str {
        let bytes = self.window.pending().get(found.link.0..found.link.1).unwrap_or_default();
        std::str::from_utf8(bytes).unwrap_or_default()
    }

    /// The payload of `found`, which must be the newest, with nothing escaped any more.
    pub(super) fn payload(&self, found: &Found) -> &[u8] {
        if found.escaped {
            return &self.scratch;
        }
        self.window.pending().get(found.payload.0..found.payload.1).unwrap_or_default()
    }

    pub(super) fn window(&self) -> &Window {
        &self.window
    }

    fn read(&mut self, line: Line) -> Result<Found, Fault> {
        let bytes = &self.window.pending()[line.from..line.to];
        if !line.whole {
            return Err(Fault::Columns);
        }
        let entry = Entry::parse(bytes)?;
        let before = bytes.len() - entry.payload.len() - 3 - entry.link.len();
        let from = line.from + before;
        let escaped = entry.mark != Mark::Note && entry.payload.contains(&b'\\');
        if escaped {
            unescape(entry.payload, &mut self.scratch)?;
        }
        // A time after those that follow cannot be: the damage hit it, and the line takes the time before it.
        let at = match self.proof {
            Proof::Wrong(end) if entry.at > self.latest(end) => Stamp(0),
            _ => entry.at,
        };
        Ok(Found {
            at,
            mark: entry.mark,
            damaged: matches!(self.proof, Proof::Wrong(_)),
            link: (from, from + entry.link.len()),
            payload: (line.to - entry.payload.len(), line.to),
            escaped,
        })
    }

    /// The later of the times of the next two lines, so that one that was hit does not decide; at most `end`.
    fn latest(&self, end: Stamp) -> Stamp {
        let pending = self.window.pending();
        let following = self.lines.get(self.next..).unwrap_or_default().iter().take(2);
        let times = following.filter_map(|line| Entry::columns(&pending[line.from..line.to])).map(|entry| entry.at);
        times.max().map_or(end, |latest| latest.min(end))
    }

    fn count_line(&self, line: Line, damage: &mut Damage) {
        damage.lines += 1;
        // The bytes of a stretch whose sum is wrong are counted already.
        if !matches!(self.proof, Proof::Wrong(_)) {
            damage.bytes += (line.to - line.from + 1) as u64;
        }
    }

    /// Takes up the next stretch. False at the end.
    fn stretch(&mut self, damage: &mut Damage) -> Result<bool, ReadError> {
        self.window.consume(self.length);
        (self.length, self.next, self.proof) = (0, 0, Proof::None);
        self.lines.clear();
        if let Some(error) = self.failed.take() {
            return Err(error);
        }
        let mut scanned = 0;
        loop {
            if self.scan(&mut scanned, damage) {
                return Ok(true);
            }
            let pending = self.window.pending().len();
            if pending >= LINE_MAX && scanned == 0 {
                self.give_up_line(pending, damage);
            } else if pending >= STRETCH_MAX && scanned > 0 {
                self.cover(scanned);
                self.length = scanned;
                return Ok(true);
            } else if !self.fill() {
                self.tail(scanned, damage);
                return Ok(!self.lines.is_empty() || self.failed.is_some());
            }
        }
    }

    /// Reads more. False at the end, which a failure is too.
    fn fill(&mut self) -> bool {
        self.window.fill().unwrap_or_else(|error| {
            self.failed = Some(error);
            false
        })
    }

    /// Looks at the whole lines that are pending from `scanned` on. True once the stretch is found.
    fn scan(&mut self, scanned: &mut usize, damage: &mut Damage) -> bool {
        loop {
            let pending = self.window.pending();
            let Some(length) = line_end(&pending[*scanned..]) else { return false };
            let (from, to) = (*scanned, *scanned + length);
            let line = &pending[from..to];
            if self.skipping {
                self.skipping = false;
                damage.bytes += (length + 1) as u64;
                self.window.consume(to + 1);
                continue;
            }
            if own_note(line, "sum") {
                let stated = stated_sum(line);
                self.length = to + 1;
                self.close(from, stated, damage);
                return true;
            }
            if from > 0 && own_note(line, "recording") {
                // Two parts were joined into one file: the sums of the second begin with its head.
                self.length = from;
                self.begin_sum();
                return true;
            }
            self.lines.push(Line { from, to, whole: true });
            *scanned = to + 1;
        }
    }

    /// Ends the stretch of the first `length` pending bytes with what its sum `stated`.
    fn close(&mut self, length: usize, stated: Option<(Stamp, u32)>, damage: &mut Damage) {
        self.cover(length);
        let is = std::mem::replace(&mut self.sum, CRC.digest()).finalize();
        self.proof = match stated {
            Some((_, sum)) if sum == is => Proof::Right,
            Some((at, _)) => Proof::Wrong(at),
            None => Proof::Wrong(Stamp(i64::MAX)),
        };
        if self.proof != Proof::Right {
            damage.sums += 1;
            damage.bytes += self.covered.0;
        }
        self.begin_sum();
    }

    fn begin_sum(&mut self) {
        self.sum = CRC.digest();
        self.covered = (0, 0);
    }

    fn cover(&mut self, length: usize) {
        self.sum.update(&self.window.pending()[..length]);
        self.covered.0 += length as u64;
        self.covered.1 += self.lines.len() as u64;
    }

    /// The part ends with lines behind its last sum, and perhaps with a line that was never finished.
    fn tail(&mut self, scanned: usize, damage: &mut Damage) {
        let pending = self.window.pending();
        let torn = &pending[scanned..];
        damage.torn += torn.len() as u64;
        let made_up = |bytes: &[u8]| matches!(Entry::parse(bytes), Err(Fault::Columns));
        let no_text = std::str::from_utf8(torn).is_err_and(|error| error.error_len().is_some());
        let torn_is_wild = no_text || torn.iter().any(|byte| (*byte < b' ' && *byte != b'\t') || *byte == 0x7F);
        let mut wild: Vec<bool> = self.lines.iter().map(|line| made_up(&pending[line.from..line.to])).collect();
        wild.push(torn_is_wild);
        self.length = pending.len();
        for (place, line) in self.lines.iter_mut().enumerate() {
            line.whole = !(wild[place + 1] || place > 0 && wild[place - 1]);
        }
    }

    /// What is pending is one line that never ends: it is passed over up to the next LF.
    fn give_up_line(&mut self, pending: usize, damage: &mut Damage) {
        damage.lines += u64::from(!self.skipping);
        damage.bytes += pending as u64;
        self.skipping = true;
        self.window.consume(pending);
        self.begin_sum();
    }
}

/// Instant and value of a sum, where it can be read.
fn stated_sum(line: &[u8]) -> Option<(Stamp, u32)> {
    let entry = Entry::parse(line).ok()?;
    let sum: note::Sum<'_> = serde_json::from_slice(entry.payload).ok()?;
    Some((entry.at, u32::from_str_radix(sum.crc32, 16).ok()?))
}
