//! Keys and taps: bytes of the terminal in, acts out.
//!
//! Owns the reading of key bytes and mouse reports, and what each key does. No byte sequence, however broken, does
//! more than one key would: nothing here switches or arms an output, or deletes.

use crate::state::PlayerShown;
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
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
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
    /// Show all keys in place of the page, or the page again.
    Keys,
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

impl Act {
    /// Whether it is about alarms: shown where one can be done something about, and so not as quiet as other keys.
    pub const fn is_of_alarms(self) -> bool {
        matches!(self, Self::Seen | Self::AllSeen | Self::Reset | Self::Shelve | Self::Journal)
    }
}

/// What the screen asks of the session's owner.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Command {
    /// The user wants to end.
    Quit,
    /// Put a mark into the recording.
    Mark,
    /// Free the outputs that are locked, at the second time.
    FreeOutputs,
    /// Take sensors that stepped together for true.
    AcceptGround,
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

/// A key that does something now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct ShownKey {
    /// As it is written.
    pub key: &'static str,
    /// What it does, in a word or two.
    pub word: &'static str,
    /// The same in more words, for the list of all keys.
    pub about: &'static str,
    /// The higher, the sooner it gives way in the last line; see [`super::foot::Part::rank`].
    pub rank: u8,
    /// What a tap on it does.
    pub act: Act,
}

/// What decides which keys do something.
#[derive(Clone, Debug, Default)]
#[expect(clippy::struct_excessive_bools, reason = "facts that have nothing to do with each other")]
pub struct Now<'a> {
    /// Where a replay stands; `None` while driving.
    pub player: Option<&'a PlayerShown>,
    /// An output is locked.
    pub locked: bool,
    /// Sensors stepped together.
    pub shifted: bool,
    /// Marks are written down.
    pub records: bool,
    /// The page has a trend.
    pub has_trend: bool,
    /// Trends stand still.
    pub held: bool,
    /// There are several pages.
    pub several_pages: bool,
    /// The night palette is in use.
    pub night: bool,
}

/// The ends of a replay's speeds.
const SPEEDS: (f64, f64) = (0.1, 100.0);

const fn shown(key: &'static str, word: &'static str, about: &'static str, rank: u8, act: Act) -> ShownKey {
    ShownKey { key, word, about, rank, act }
}

const fn tell(key: &'static str, word: &'static str, about: &'static str, rank: u8, command: Command) -> ShownKey {
    shown(key, word, about, rank, Act::Tell(command))
}

/// Shown before the others while an alarm waits to be seen.
pub const SEEN: ShownKey = shown("enter", "seen", "the alarm that is shown was seen", 0, Act::Seen);
/// While several do.
pub const ALL_SEEN: ShownKey = shown("o", "all seen", "all alarms were seen", 1, Act::AllSeen);
/// While any can be put aside or taken back.
pub const SHELVE: ShownKey = shown("s", "shelve", "put an alarm aside for a while, or take it back", 3, Act::Shelve);
/// While one is held.
pub const RESET: ShownKey = shown("r", "reset", "alarms that are held need not stay", 1, Act::Reset);
/// While there is anything in it.
pub const JOURNAL: ShownKey = shown("j", "journal", "which alarms came when, or the page again", 3, Act::Journal);

/// The keys that do something now, the most needed first.
pub fn working(now: &Now<'_>) -> Vec<ShownKey> {
    let mut keys = match now.player {
        Some(player) => replaying(player),
        None => driving(now),
    };
    keys.push(shown("?", "keys", "all keys, or the page again", 0, Act::Keys));
    keys.push(shown("q", "quit", "quit", 0, Act::Quit));
    let (word, about) = if now.night { ("day", "colours for the day") } else { ("night", "colours for the night") };
    keys.push(shown("n", word, about, 8, Act::Night));
    if now.several_pages {
        keys.push(shown("tab", "page", "next page; 1 to 9: that page", 9, Act::Turn(1)));
    }
    keys
}

fn driving(now: &Now<'_>) -> Vec<ShownKey> {
    let mut keys = Vec::new();
    if now.locked {
        keys.push(tell("u", "free outputs", "free locked outputs: press twice", 1, Command::FreeOutputs));
    }
    if now.shifted {
        let about = "believe sensors again that stepped together";
        keys.push(tell("g", "believe", about, 1, Command::AcceptGround));
    }
    if now.records {
        keys.push(tell("m", "mark", "mark this moment of the drive", 1, Command::Mark));
    }
    if now.has_trend {
        let (word, about) =
            if now.held { ("trend on", "let the trends go on") } else { ("hold trend", "hold the trends still") };
        keys.push(shown("space", word, about, 4, Act::HoldTrend));
    }
    keys
}

fn replaying(player: &PlayerShown) -> Vec<ShownKey> {
    let (begun, ended) = (player.begun, player.ended);
    let go = if player.paused { ("go on", "go on") } else { ("stop", "stop here") };
    let again = match (ended, player.looping) {
        (true, _) => ("again", "play again from the beginning", 1),
        (false, false) => ("again at end", "at the end, begin again", 7),
        (false, true) => ("stop at end", "at the end, stop", 7),
    };
    let all = [
        (!ended, tell("space", go.0, go.1, 1, Command::TogglePause)),
        (ended, tell("a", again.0, again.1, again.2, Command::ToggleLoop)),
        (player.earlier, tell("e", "earlier mark", "to the mark or alarm before", 4, Command::JumpMark(-1))),
        (player.later, tell("l", "later mark", "to the mark or alarm after", 4, Command::JumpMark(1))),
        (!begun, tell("left", "10 s back", "10 s back", 5, Command::JumpBy(-JUMP))),
        (!ended, tell("right", "10 s on", "10 s on", 5, Command::JumpBy(JUMP))),
        (!ended && player.speed < SPEEDS.1, tell("up", "faster", "faster", 6, Command::Faster)),
        (!ended && player.speed > SPEEDS.0, tell("down", "slower", "slower", 6, Command::Slower)),
        (!begun, tell("b", "line back", "one line back, and stop", 7, Command::Step(-1))),
        (!ended, tell("f", "line on", "one line on, and stop", 7, Command::Step(1))),
        (!ended, tell("a", again.0, again.1, again.2, Command::ToggleLoop)),
    ];
    all.into_iter().filter(|(works, _)| *works).map(|(_, key)| key).collect()
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
        (Key::Char(b'?'), _) => Some(Act::Keys),
        (Key::Char(b'\r' | b'\n'), _) => Some(Act::Seen),
        (Key::Char(b'o'), _) => Some(Act::AllSeen),
        (Key::Char(b'r'), _) => Some(Act::Reset),
        (Key::Char(b's'), _) => Some(Act::Shelve),
        (Key::Char(b'j'), _) => Some(Act::Journal),
        (Key::Char(b' '), false) => Some(Act::HoldTrend),
        (Key::Char(b'm'), false) => tell(Command::Mark),
        (Key::Char(b'u'), false) => tell(Command::FreeOutputs),
        (Key::Char(b'g'), false) => tell(Command::AcceptGround),
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

    fn player() -> PlayerShown {
        PlayerShown { speed: 1.0, earlier: true, later: true, ..PlayerShown::default() }
    }

    fn names(now: &Now<'_>) -> String {
        working(now).iter().map(|shown| shown.key).collect::<Vec<_>>().join(" ")
    }

    #[rstest]
    #[case::driving(None)]
    #[case::replaying(Some(player()))]
    #[case::at_the_end(Some(PlayerShown { ended: true, ..player() }))]
    fn every_key_that_is_shown_does_what_a_tap_on_it_does(#[case] player: Option<PlayerShown>) {
        let now = Now {
            player: player.as_ref(),
            locked: true,
            records: true,
            has_trend: true,
            several_pages: true,
            ..Now::default()
        };
        for ShownKey { key: name, act: tap, .. } in working(&now) {
            let key = match name {
                "space" => Key::Char(b' '),
                "tab" => Key::Char(b'\t'),
                "left" => Key::Left,
                "right" => Key::Right,
                "up" => Key::Up,
                "down" => Key::Down,
                single => Key::Char(single.as_bytes()[0]),
            };
            assert_eq!(act(key, player.is_some()), Some(tap), "{name}");
        }
    }

    #[rstest]
    #[case::in_the_middle(player(), "space e l left right up down b f a ? q n")]
    #[case::at_the_beginning(PlayerShown { begun: true, earlier: false, ..player() }, "space l right up down f a ? q n")]
    #[case::at_the_end(PlayerShown { ended: true, later: false, ..player() }, "a e left b ? q n")]
    #[case::as_fast_as_it_goes(PlayerShown { speed: 100.0, ..player() }, "space e l left right down b f a ? q n")]
    #[case::as_slow_as_it_goes(PlayerShown { speed: 0.1, ..player() }, "space e l left right up b f a ? q n")]
    fn a_replay_shows_the_keys_that_work_where_it_stands(#[case] player: PlayerShown, #[case] keys: &str) {
        assert_eq!(names(&Now { player: Some(&player), ..Now::default() }), keys);
    }

    #[test]
    fn a_drive_shows_the_keys_that_work_on_the_page() {
        assert_eq!(names(&Now::default()), "? q n");
        let now = Now { locked: true, records: true, has_trend: true, several_pages: true, ..Now::default() };
        assert_eq!(names(&now), "u m space ? q n tab");
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
