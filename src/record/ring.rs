//! Lines that wait in memory to become safe: the newest are kept, the oldest given up and counted.
//!
//! Owns one ring of bytes, all whole lines. In: entries. Out: bytes, what was given up, and which config is in force
//! behind either. No I/O, no clock; once it has grown to its size it allocates nothing for a line.

use std::collections::VecDeque;
use std::sync::Arc;

use super::format::{Mark, parse_ms, write_line};
use crate::time::Stamp;

/// The most bytes that wait: over a minute of 50 lines a second.
pub const WAITING_MAX: usize = 1 << 20;

#[derive(Clone, Debug, Default)]
pub(super) struct Ring {
    bytes: VecDeque<u8>,
    lines: u64,
    lost: Lost,
    /// The configs whose notes wait, and how many lines stand before each note.
    configs: VecDeque<(u64, Arc<str>)>,
}

/// What was given up at the front of a ring.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Lost {
    pub lines: u64,
    pub bytes: u64,
    /// The time of the newest of them.
    pub until: Stamp,
    /// The config that is in force behind them, where the note that said so is one of them.
    pub config: Option<Arc<str>>,
}

impl Ring {
    /// An empty ring that has taken its memory.
    pub(super) fn new() -> Self {
        // A line is written before the oldest goes, so there must be room for one of the usual kind.
        Self { bytes: VecDeque::with_capacity(WAITING_MAX + 8192), ..Self::default() }
    }

    pub(super) fn push(&mut self, at: Stamp, link: &str, mark: Mark, bytes: &[u8]) {
        write_line(at, link, mark, bytes, &mut self.bytes);
        self.lines += 1;
        self.make_room();
    }

    /// The same for `note`, which says that `config` is in force from here on.
    pub(super) fn push_config(&mut self, at: Stamp, note: &[u8], config: &str) {
        self.configs.push_back((self.lines, config.into()));
        self.push(at, "-", Mark::Note, note);
    }

    /// Takes over all of `newer`, which is empty afterwards.
    pub(super) fn absorb(&mut self, newer: &mut Self) {
        if newer.lost.lines > 0 {
            // What `newer` gave up lies between; with what is older it would be a hole, so that goes too.
            self.give_up(|ring| !ring.bytes.is_empty());
            self.lost.lines += newer.lost.lines;
            self.lost.bytes += newer.lost.bytes;
            self.lost.until = newer.lost.until;
            self.lost.config = newer.lost.config.take().or(self.lost.config.take());
        }
        let before = self.lines;
        self.configs.extend(newer.configs.drain(..).map(|(lines, config)| (before + lines, config)));
        self.bytes.append(&mut newer.bytes);
        self.lines += newer.lines;
        (newer.lines, newer.lost) = (0, Lost::default());
        self.make_room();
    }

    /// Everything waits no longer.
    pub(super) fn clear(&mut self) {
        self.bytes.clear();
        self.configs.clear();
        (self.lines, self.lost) = (0, Lost::default());
    }

    #[cfg(test)]
    pub(super) fn is_empty(&self) -> bool {
        self.bytes.is_empty() && self.lost.lines == 0
    }

    pub(super) fn len(&self) -> usize {
        self.bytes.len()
    }

    pub(super) fn lines(&self) -> u64 {
        self.lines
    }

    pub(super) fn lost(&self) -> &Lost {
        &self.lost
    }

    /// The config that is in force behind everything in it, where that is another than before it.
    pub(super) fn newest_config(&self) -> Option<&Arc<str>> {
        self.configs.back().map(|(_, config)| config).or(self.lost.config.as_ref())
    }

    /// All bytes, oldest first.
    pub(super) fn slices(&self) -> (&[u8], &[u8]) {
        self.bytes.as_slices()
    }

    /// The time of the oldest that waits or was given up.
    pub(super) fn oldest(&self) -> Option<Stamp> {
        if self.lost.lines > 0 { Some(self.lost.until) } else { self.first_ms() }
    }

    fn first_ms(&self) -> Option<Stamp> {
        let ms: Vec<u8> = self.bytes.iter().copied().take(20).take_while(|byte| *byte != b'\t').collect();
        parse_ms(&ms)
    }

    fn make_room(&mut self) {
        self.give_up(|ring| ring.bytes.len() > WAITING_MAX);
    }

    fn give_up(&mut self, too_much: impl Fn(&Self) -> bool) {
        while too_much(self) {
            let Some(end) = self.bytes.iter().position(|byte| *byte == b'\n') else { return self.bytes.clear() };
            self.lost.until = self.first_ms().unwrap_or(self.lost.until);
            self.bytes.drain(..=end);
            self.lines -= 1;
            self.lost.lines += 1;
            self.lost.bytes += end as u64 + 1;
            if self.configs.front().is_some_and(|(before, _)| *before == 0) {
                self.lost.config = self.configs.pop_front().map(|(_, config)| config);
            }
            self.configs.iter_mut().for_each(|(before, _)| *before -= 1);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(ring: &Ring) -> String {
        ring.bytes.iter().map(|byte| char::from(*byte)).collect()
    }

    #[test]
    fn the_oldest_go_once_the_room_is_used_and_are_counted() {
        let mut ring = Ring::new();
        let payload = [b'x'; 1000];
        for ms in 0..2000 {
            ring.push(Stamp::from_millis(ms), "engine", Mark::Received, &payload);
        }
        assert!(ring.len() <= WAITING_MAX && ring.len() > WAITING_MAX - 1100);
        assert_eq!(ring.lost.lines + ring.lines, 2000);
        let first = i64::try_from(ring.lost.lines).unwrap();
        assert_eq!(ring.first_ms(), Some(Stamp::from_millis(first)));
        assert_eq!(ring.oldest(), Some(Stamp::from_millis(first - 1)));
    }

    #[test]
    fn a_gap_in_what_is_newer_leaves_no_hole_in_the_middle() {
        let (mut held, mut newer) = (Ring::new(), Ring::new());
        held.push(Stamp(0), "e", Mark::Received, b"old");
        newer.push(Stamp(1000), "e", Mark::Received, b"new");
        newer.lost = Lost { lines: 3, bytes: 30, until: Stamp(900), config: None };
        held.absorb(&mut newer);
        assert_eq!(text(&held), "1\te\t<\tnew\n");
        assert_eq!(held.lost, Lost { lines: 4, bytes: 40, until: Stamp(900), config: None });
        assert!(newer.is_empty());
    }

    #[test]
    fn a_config_is_kept_when_its_note_goes_and_not_a_line_sooner() {
        let (mut held, mut newer) = (Ring::new(), Ring::new());
        held.push(Stamp(0), "e", Mark::Received, b"by the old");
        newer.push(Stamp(1000), "e", Mark::Received, b"by the old");
        newer.push_config(Stamp(1000), b"{}", "second");
        newer.push(Stamp(1000), "e", Mark::Received, b"by the second");
        newer.push_config(Stamp(2000), b"{}", "third");
        held.absorb(&mut newer);
        let mut seen = Vec::new();
        for left in (0..5).rev() {
            held.give_up(|ring| ring.lines > left);
            assert_eq!(held.newest_config().map(|config| &**config), Some("third"), "{left}");
            seen.push(held.lost.config.as_deref().unwrap_or("none").to_owned());
        }
        assert_eq!(seen, ["none", "none", "second", "second", "third"]);
        newer.lost = Lost { lines: 1, bytes: 9, until: Stamp(3000), config: None };
        held.absorb(&mut newer);
        assert_eq!(held.lost.config.as_deref(), Some("third"), "what is lost later takes nothing back");
        held.clear();
        assert_eq!((held.newest_config(), newer.newest_config()), (None, None));
    }

    #[test]
    fn nothing_is_allocated_while_lines_come_and_go() {
        let mut ring = Ring::new();
        let room = ring.bytes.capacity();
        for ms in 0..20_000 {
            ring.push(Stamp::from_millis(ms), "engine", Mark::Received, &[0xFF; 300]);
        }
        assert_eq!(ring.bytes.capacity(), room);
    }
}
