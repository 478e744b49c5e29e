//! Keys and taps: bytes of the terminal in, acts out.
//!
//! Owns the reading of key bytes and mouse reports, and what each key does. No byte sequence, however broken, does
//! more than one key would: nothing here switches or arms an output, or deletes.

use crate::time::{Micros, SECOND};
use crate::watch::desk::Attend;

/// A key that the terminal sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the names say it")]
pub enum Key {
    Char(u8),
    Up,
    Down,
    Left,
    Right,
    BackTab,
    /// A tap or click at that column and row, counted from 0.
    Tap(u16, u16),
}

/// What a key does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Act {
    /// End.
    Quit,
    /// Show the page of that index.
    Page(usize),
    /// Show the page so many further on, round and round.
    Turn(i32),
    /// By day or by night.
    Night,
    /// Hold the trends still or let them go on.
    HoldTrend,
    /// The alarm that is shown was seen.
    Seen,
    /// All alarms were seen.
    AllSeen,
    /// Alarms that are held need not stay any more.
    Reset,
    /// Put an alarm aside: asks which and for how long.
    Shelve,
    /// Show what came when, or the page again.
    Journal,
    /// What the session's owner does.
    Tell(Command),
}

/// What the screen asks of the session's owner.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Command {
    /// The user wants to end.
    Quit,
    /// Put a mark into the recording.
    Mark,
    /// Free the outputs that are locked, at the second time.
    FreeOutputs,
    /// Something is done about alarms by who has seen those up to that number.
    Attend(Attend, u32),
    /// Stop or go on (replay).
    TogglePause,
    /// So many readings on, or back where negative (replay).
    Step(i32),
    /// Twice as fast (replay).
    Faster,
    /// Half as fast (replay).
    Slower,
    /// So much time on, or back where negative (replay).
    JumpBy(Micros),
    /// So many marks on, or back where negative (replay).
    JumpMark(i32),
    /// Begin again at the end, or not (replay).
    ToggleLoop,
}

/// How far an arrow jumps.
pub const JUMP: Micros = 10 * SECOND;

/// A key as the last line shows it: key, word, rank (see [`super::foot::Part::rank`]), and what a tap does.
pub type ShownKey = (&'static str, &'static str, u8, Option<Act>);

const DRIVING: &[ShownKey] = &[
    ("space", "hold trend", 4, Some(Act::HoldTrend)),
    ("m", "mark", 1, Some(Act::Tell(Command::Mark))),
    ("n", "night", 5, Some(Act::Night)),
    ("tab", "page", 6, Some(Act::Turn(1))),
    ("q", "quit", 2, Some(Act::Quit)),
];

const REPLAYING: &[ShownKey] = &[
    ("space", "stop/go", 1, Some(Act::Tell(Command::TogglePause))),
    ("left", "10 s back", 4, Some(Act::Tell(Command::JumpBy(-JUMP)))),
    ("right", "on", 4, Some(Act::Tell(Command::JumpBy(JUMP)))),
    ("up", "faster", 5, Some(Act::Tell(Command::Faster))),
    ("down", "slower", 5, Some(Act::Tell(Command::Slower))),
    ("b", "line back", 7, Some(Act::Tell(Command::Step(-1)))),
    ("f", "forth", 7, Some(Act::Tell(Command::Step(1)))),
    ("e", "earlier mark", 6, Some(Act::Tell(Command::JumpMark(-1)))),
    ("l", "later mark", 6, Some(Act::Tell(Command::JumpMark(1)))),
    ("a", "again", 8, Some(Act::Tell(Command::ToggleLoop))),
    ("n", "night", 9, Some(Act::Night)),
    ("q", "quit", 2, Some(Act::Quit)),
];

/// Shown before the others while an output is locked.
pub const FREE: ShownKey = ("u", "free outputs", 1, Some(Act::Tell(Command::FreeOutputs)));

/// Shown before the others while an alarm waits to be seen.
pub const SEEN: ShownKey = ("enter", "seen", 0, Some(Act::Seen));
/// While several do.
pub const ALL_SEEN: ShownKey = ("o", "all seen", 1, Some(Act::AllSeen));
/// While any can be put aside or taken back.
pub const SHELVE: ShownKey = ("s", "shelve", 3, Some(Act::Shelve));
/// While one is held.
pub const RESET: ShownKey = ("r", "reset", 1, Some(Act::Reset));
/// While there is anything in it.
pub const JOURNAL: ShownKey = ("j", "journal", 3, Some(Act::Journal));

/// The keys that the last line shows.
pub const fn shown_keys(replaying: bool) -> &'static [ShownKey] {
    if replaying { REPLAYING } else { DRIVING }
}

/// What `key` does. Taps are not keys: where they land is known to the view alone.
pub fn act(key: Key, replaying: bool) -> Option<Act> {
    let tell = |command| Some(Act::Tell(command));
    match (key, replaying) {
        // 3 is what Ctrl-C sends on a raw terminal.
        (Key::Char(b'q' | 3), _) => Some(Act::Quit),
        (Key::Char(b'\t'), _) | (Key::Right, false) => Some(Act::Turn(1)),
        (Key::BackTab, _) | (Key::Left, false) => Some(Act::Turn(-1)),
        (Key::Char(digit @ b'1'..=b'9'), _) => Some(Act::Page(usize::from(digit - b'1'))),
        (Key::Char(b'n'), _) => Some(Act::Night),
        (Key::Char(b'\r' | b'\n'), _) => Some(Act::Seen),
        (Key::Char(b'o'), _) => Some(Act::AllSeen),
        (Key::Char(b'r'), _) => Some(Act::Reset),
        (Key::Char(b's'), _) => Some(Act::Shelve),
        (Key::Char(b'j'), _) => Some(Act::Journal),
        (Key::Char(b' '), false) => Some(Act::HoldTrend),
        (Key::Char(b'm'), false) => tell(Command::Mark),
        (Key::Char(b'u'), false) => tell(Command::FreeOutputs),
        (Key::Char(b' '), true) => tell(Command::TogglePause),
        (Key::Left, true) => tell(Command::JumpBy(-JUMP)),
        (Key::Right, true) => tell(Command::JumpBy(JUMP)),
        (Key::Up, true) => tell(Command::Faster),
        (Key::Down, true) => tell(Command::Slower),
        (Key::Char(b'b'), true) => tell(Command::Step(-1)),
        (Key::Char(b'f'), true) => tell(Command::Step(1)),
        (Key::Char(b'e'), true) => tell(Command::JumpMark(-1)),
        (Key::Char(b'l'), true) => tell(Command::JumpMark(1)),
        (Key::Char(b'a'), true) => tell(Command::ToggleLoop),
        _ => None,
    }
}

/// Takes the terminal's bytes apart. Holds at most one unfinished sequence.
#[derive(Clone, Debug, Default)]
pub struct Parser {
    held: Vec<u8>,
    pasting: bool,
}

/// A sequence longer than this is no key.
const LONGEST: usize = 32;

impl Parser {
    /// Takes `bytes` and gives each key to `out`.
    pub fn push(&mut self, bytes: &[u8], out: &mut impl FnMut(Key)) {
        for byte in bytes {
            self.byte(*byte, out);
        }
    }

    /// No bytes came for a while: what was begun is not going to be finished.
    pub fn pause(&mut self) {
        self.held.clear();
        self.pasting = false;
    }

    fn byte(&mut self, byte: u8, out: &mut impl FnMut(Key)) {
        if byte == 0x1B || self.held.len() >= LONGEST {
            self.held.clear();
        }
        if byte != 0x1B && self.held.is_empty() {
            // Ctrl-C ends in the middle of a paste too.
            if !self.pasting || byte == 3 {
                out(Key::Char(byte));
            }
            return;
        }
        self.held.push(byte);
        match self.held.as_slice() {
            [0x1B] | [0x1B, b'[' | b'O'] => {}
            // Alt with a key is not the key.
            [0x1B, _] => self.held.clear(),
            [.., 0x40..=0x7E] => {
                let sequence = std::mem::take(&mut self.held);
                self.finish(&sequence[2..], out);
            }
            _ => {}
        }
    }

    fn finish(&mut self, sequence: &[u8], out: &mut impl FnMut(Key)) {
        let key = match sequence {
            b"A" => Key::Up,
            b"B" => Key::Down,
            b"C" => Key::Right,
            b"D" => Key::Left,
            b"Z" => Key::BackTab,
            b"200~" => return self.pasting = true,
            b"201~" => return self.pasting = false,
            [b'<', report @ .., b'M'] => match tap(report) {
                Some(tap) => tap,
                None => return,
            },
            _ => return,
        };
        if !self.pasting {
            out(key);
        }
    }
}

/// A report in the form `button;column;row`, counted from 1; only the first button counts.
fn tap(report: &[u8]) -> Option<Key> {
    let mut numbers = std::str::from_utf8(report).ok()?.split(';').map(str::parse::<u16>);
    let (button, column, row) = (numbers.next()?.ok()?, numbers.next()?.ok()?, numbers.next()?.ok()?);
    (button == 0).then_some(Key::Tap(column.checked_sub(1)?, row.checked_sub(1)?))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    fn keys(bytes: &[u8]) -> Vec<Key> {
        let mut keys = Vec::new();
        Parser::default().push(bytes, &mut |key| keys.push(key));
        keys
    }

    #[rstest]
    #[case::plain(b"q", &[Key::Char(b'q')])]
    #[case::arrows(b"\x1b[A\x1bOB\x1b[C\x1bOD", &[Key::Up, Key::Down, Key::Right, Key::Left])]
    #[case::back_tab(b"\x1b[Z", &[Key::BackTab])]
    #[case::tap(b"\x1b[<0;5;24M", &[Key::Tap(4, 23)])]
    #[case::the_finger_goes_up(b"\x1b[<0;5;24m", &[])]
    #[case::wheel(b"\x1b[<64;5;24M", &[])]
    #[case::column_0(b"\x1b[<0;0;24M", &[])]
    #[case::column_too_large(b"\x1b[<0;65536;24M", &[])]
    #[case::alt(b"\x1bq", &[])]
    #[case::unknown_sequence(b"\x1b[15~m", &[Key::Char(b'm')])]
    #[case::an_escape_begins_anew(b"\x1b[1;\x1b[A", &[Key::Up])]
    #[case::pasted(b"\x1b[200~qqmm\x1b[201~n", &[Key::Char(b'n')])]
    #[case::ctrl_c_in_a_paste(b"\x1b[200~qq\x03", &[Key::Char(3)])]
    fn bytes_become_keys(#[case] bytes: &[u8], #[case] wanted: &[Key]) {
        assert_eq!(keys(bytes), wanted);
    }

    #[test]
    fn a_sequence_without_an_end_swallows_no_more_than_its_length() {
        let mut bytes = b"\x1b[".to_vec();
        bytes.extend([b'1'; LONGEST]);
        bytes.extend(b"q");
        assert_eq!(keys(&bytes).last(), Some(&Key::Char(b'q')));
    }

    #[test]
    fn a_lone_escape_is_forgotten_after_a_pause() {
        let mut parser = Parser::default();
        let mut keys = Vec::new();
        parser.push(b"\x1b", &mut |key| keys.push(key));
        parser.pause();
        parser.push(b"q", &mut |key| keys.push(key));
        assert_eq!(keys, [Key::Char(b'q')]);
    }

    #[rstest]
    #[case::driving(false)]
    #[case::replaying(true)]
    fn every_key_that_is_shown_does_what_a_tap_on_it_does(#[case] replaying: bool) {
        for (name, _, _, tap) in shown_keys(replaying) {
            let key = match *name {
                "space" => Key::Char(b' '),
                "tab" => Key::Char(b'\t'),
                "left" => Key::Left,
                "right" => Key::Right,
                "up" => Key::Up,
                "down" => Key::Down,
                single => Key::Char(single.as_bytes()[0]),
            };
            assert_eq!(act(key, replaying), *tap, "{name}");
        }
    }

    proptest! {
        #[test]
        fn any_bytes_in_any_pieces_give_the_same_keys(bytes in proptest::collection::vec(any::<u8>(), 0..200), cut in 0_usize..200) {
            let (first, second) = bytes.split_at(cut.min(bytes.len()));
            let mut parser = Parser::default();
            let mut pieces = Vec::new();
            parser.push(first, &mut |key| pieces.push(key));
            parser.push(second, &mut |key| pieces.push(key));
            prop_assert_eq!(pieces, keys(&bytes));
        }
    }
}
