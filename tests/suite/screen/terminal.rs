//! The look that follows from the environment, and the loop on a real pseudo-terminal.

use std::fs::File;
use std::io::{Read, Write};
use std::num::NonZero;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use kickpanel::channel::Value;
use kickpanel::screen::{Command, Control, Depth, Ending, GlyphSet, Look, LookSettings, ScreenError, Session, run_on};
use kickpanel::state::{Shared, Snapshot};
use rstest::rstest;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, Winsize, tcgetattr, tcsetwinsize};

use super::lorry;

/// A process holds one terminal at a time, so these tests take turns.
static TURN: Mutex<()> = Mutex::new(());

/// A screen that runs in a thread on a pseudo-terminal, and what a user in front of it sees.
struct Bench {
    master: Option<File>,
    slave: OwnedFd,
    seen: vt100::Parser,
    bytes: Vec<u8>,
    shared: Arc<Shared>,
    control: Control,
    told: Receiver<Command>,
    thread: Option<JoinHandle<Result<Ending, ScreenError>>>,
    _turn: MutexGuard<'static, ()>,
}

/// Longer than anything here takes; reached only where a test fails.
const PATIENCE: Duration = Duration::from_secs(20);

impl Bench {
    fn start(replaying: bool, told: Sender<Command>, heard: Receiver<Command>) -> Self {
        let turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap();
        let slave = rustix::fs::open(name.as_c_str(), OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
        tcsetwinsize(&master, size(80, 24)).unwrap();
        let shared = Shared::new(lorry::model(), lorry::well());
        let control = Control::new().unwrap();
        let session = Session {
            shared: shared.clone(),
            replaying,
            look: LookSettings::default(),
            frames_per_s: 1000,
            command: Box::new(move |command| told.send(command).unwrap()),
            control: control.clone(),
        };
        let near = slave.try_clone().unwrap();
        let thread = std::thread::spawn(move || run_on(session, Look::new(GlyphSet::Full, Depth::True, false), near));
        let seen = vt100::Parser::new(nonzero(24), nonzero(80), 0);
        let (master, bytes) = (Some(File::from(master)), Vec::new());
        Self { master, slave, seen, bytes, shared, control, told: heard, thread: Some(thread), _turn: turn }
    }

    fn driving() -> Self {
        let (told, heard) = channel();
        Self::start(false, told, heard)
    }

    /// Reads until the screen shows `text`.
    #[track_caller]
    fn until(&mut self, text: &str) {
        let begin = Instant::now();
        while !self.seen.screen().contents().contains(text) {
            assert!(begin.elapsed() < PATIENCE, "{text:?} never came:\n{}", self.seen.screen().contents());
            self.read(Duration::from_millis(100));
        }
    }

    /// Reads what comes within `wait`; how many bytes.
    fn read(&mut self, wait: Duration) -> usize {
        let master = self.master.as_mut().unwrap();
        let timeout = Timespec::try_from(wait).unwrap();
        if poll(&mut [PollFd::new(&*master, PollFlags::IN)], Some(&timeout)).unwrap() == 0 {
            return 0;
        }
        let mut buffer = [0; 8192];
        // On Linux reading fails once nobody holds the other side.
        let count = master.read(&mut buffer).unwrap_or(0);
        self.seen.process(&buffer[..count]);
        self.bytes.extend_from_slice(&buffer[..count]);
        count
    }

    fn send(&mut self, keys: &[u8]) {
        self.master.as_mut().unwrap().write_all(keys).unwrap();
    }

    fn publish(&self, change: impl FnOnce(&mut Snapshot)) {
        let mut snapshot = lorry::well();
        change(&mut snapshot);
        self.shared.publish(&snapshot);
    }

    fn ending(&mut self) -> Ending {
        let thread = self.thread.take().unwrap();
        let begin = Instant::now();
        while !thread.is_finished() {
            assert!(begin.elapsed() < PATIENCE, "the screen does not end");
            if self.master.is_some() {
                self.read(Duration::from_millis(1));
            }
        }
        thread.join().unwrap().unwrap()
    }
}

fn nonzero(number: u16) -> NonZero<u16> {
    NonZero::new(number).unwrap()
}

fn size(ws_col: u16, ws_row: u16) -> Winsize {
    Winsize { ws_col, ws_row, ws_xpixel: 0, ws_ypixel: 0 }
}

#[test]
fn a_published_value_is_drawn_and_q_gives_the_terminal_back() {
    let mut bench = Bench::driving();
    bench.until("Oil pressure                  3.4 bar");
    assert!(bench.seen.screen().alternate_screen() && bench.seen.screen().hide_cursor());
    assert!(!tcgetattr(&bench.slave).unwrap().local_modes.contains(LocalModes::ICANON));
    bench.publish(|snapshot| lorry::set(snapshot, "oil", Value::ok(2.9)));
    bench.until("Oil pressure                  2.9 bar");
    bench.send(b"q");
    assert_eq!(bench.ending(), Ending::Quit);
    assert_eq!(bench.told.try_iter().collect::<Vec<_>>(), [Command::Quit]);
    while bench.read(Duration::ZERO) > 0 {}
    assert!(!bench.seen.screen().alternate_screen() && !bench.seen.screen().hide_cursor());
    assert_eq!(bench.seen.screen().mouse_protocol_mode(), vt100::MouseProtocolMode::None);
    assert!(tcgetattr(&bench.slave).unwrap().local_modes.contains(LocalModes::ICANON));
}

#[test]
fn keys_change_pages_and_commands_are_told() {
    let mut bench = Bench::driving();
    bench.until("Road speed");
    bench.send(b"2");
    bench.until("Glow plugs");
    bench.send(b"\x1b[D");
    bench.until("Road speed");
    // A tap on the page's name, as the last line shows it.
    bench.send(b"\x1b[<0;19;24M");
    bench.until("Glow plugs");
    bench.send(b"m\x03");
    assert_eq!(bench.ending(), Ending::Quit);
    assert_eq!(bench.told.try_iter().collect::<Vec<_>>(), [Command::Mark, Command::Quit]);
}

#[test]
fn in_a_replay_the_keys_move_through_the_recording() {
    let (told, heard) = channel();
    let mut bench = Bench::start(true, told, heard);
    bench.until("Road speed");
    bench.send(b" fb\x1b[C\x1b[D\x1b[A\x1b[Bela\x03");
    assert_eq!(bench.ending(), Ending::Quit);
    let wanted = [
        Command::TogglePause,
        Command::Step(1),
        Command::Step(-1),
        Command::JumpBy(10_000_000),
        Command::JumpBy(-10_000_000),
        Command::Faster,
        Command::Slower,
        Command::JumpMark(-1),
        Command::JumpMark(1),
        Command::ToggleLoop,
        Command::Quit,
    ];
    assert_eq!(bench.told.try_iter().collect::<Vec<_>>(), wanted);
}

#[test]
fn a_snapshot_that_looks_the_same_sends_nothing() {
    let mut bench = Bench::driving();
    bench.until("q quit");
    // The history moves with each publication; a page without a trend shows only the values.
    let mut model = (*lorry::model()).clone();
    model.pages = vec![model.pages[0].clone()];
    let bars = model.pages[0].rows[1].clone();
    model.pages[0].rows = vec![bars; 5];
    bench.shared.reset(&Arc::new(model), &lorry::well());
    bench.publish(|snapshot| lorry::set(snapshot, "oil", Value::ok(2.2)));
    bench.until("2.2 bar");
    while bench.read(Duration::from_millis(300)) > 0 {}
    bench.bytes.clear();
    for _ in 0..200 {
        bench.publish(|snapshot| lorry::set(snapshot, "oil", Value::ok(2.2)));
    }
    bench.publish(|snapshot| lorry::set(snapshot, "oil", Value::ok(2.3)));
    bench.until("2.3 bar");
    // Each frame ends in the colours' reset, so there was exactly one.
    let sent = String::from_utf8_lossy(&bench.bytes);
    assert_eq!(sent.matches("\x1b[0m").count(), 1, "{sent:?}");
    bench.control.stop();
    assert_eq!(bench.ending(), Ending::Stopped);
}

#[test]
fn a_changed_size_is_drawn_anew_and_a_size_of_nothing_is_ignored() {
    let mut bench = Bench::driving();
    bench.until("q quit");
    tcsetwinsize(bench.master.as_ref().unwrap(), size(0, 0)).unwrap();
    bench.publish(|snapshot| lorry::set(snapshot, "oil", Value::ok(2.1)));
    bench.until("2.1 bar");
    bench.seen.screen_mut().set_size(nonzero(20), nonzero(40));
    tcsetwinsize(bench.master.as_ref().unwrap(), size(40, 20)).unwrap();
    bench.until("Oil pressure        Coolant");
    bench.until("2.1 bar");
    bench.control.stop();
    assert_eq!(bench.ending(), Ending::Stopped);
}

/// F3: a terminal that is gone ends the screen within a second.
#[test]
fn a_terminal_that_is_gone_ends_the_screen_at_once() {
    let mut bench = Bench::driving();
    bench.until("q quit");
    let begin = Instant::now();
    bench.master = None;
    assert_eq!(bench.ending(), Ending::TerminalGone);
    assert!(begin.elapsed() < Duration::from_secs(1), "{:?}", begin.elapsed());
}

/// F2: nobody reads the terminal; who publishes never waits, a stop is obeyed, and afterwards the newest is drawn.
#[test]
fn a_stalled_terminal_holds_up_nobody() {
    let mut bench = Bench::driving();
    bench.until("q quit");
    for round in 0..3000_u32 {
        bench.publish(|snapshot| lorry::set(snapshot, "speed", Value::ok(f64::from(round % 90))));
        if round % 10 == 0 {
            bench.send(b"n");
        }
    }
    bench.publish(|snapshot| lorry::set(snapshot, "oil", Value::ok(1.9)));
    bench.until("1.9 bar");
    bench.control.stop();
    assert_eq!(bench.ending(), Ending::Stopped);
}

/// F7: whatever comes in, nothing but the commands of single keys goes out, and Ctrl-C still ends it.
#[test]
fn random_bytes_from_the_keyboard_do_no_harm() {
    let mut bench = Bench::driving();
    bench.until("q quit");
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    for _ in 0..200 {
        let bytes: Vec<u8> = (0..256)
            .map(|_| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                let byte = state.to_le_bytes()[3];
                if byte == b'q' || byte == 3 { b'x' } else { byte }
            })
            .collect();
        bench.send(&bytes);
        while bench.read(Duration::ZERO) > 0 {}
    }
    bench.send(b"\x1b[201~\x03");
    assert_eq!(bench.ending(), Ending::Quit);
    // To free outputs is only asked for: the drive wants it twice, apart, and it arms nothing.
    // To believe what stepped together shows values, and switches nothing by itself.
    let harmless = |command| {
        matches!(
            command,
            Command::Mark | Command::FreeOutputs | Command::AcceptGround | Command::Attend(..) | Command::Quit
        )
    };
    assert!(bench.told.try_iter().all(harmless));
}

/// E3: a panic in any thread gives the terminal back, and the screen ends.
#[test]
fn a_panic_elsewhere_gives_the_terminal_back() {
    let mut bench = Bench::driving();
    bench.until("q quit");
    let panic = std::thread::spawn(|| panic!("on purpose, by a test")).join();
    assert!(panic.is_err());
    bench.control.wake();
    assert_eq!(bench.ending(), Ending::Stopped);
    while bench.read(Duration::ZERO) > 0 {}
    assert!(!bench.seen.screen().alternate_screen() && !bench.seen.screen().hide_cursor());
    assert!(tcgetattr(&bench.slave).unwrap().local_modes.contains(LocalModes::ICANON));
}

#[test]
fn what_is_no_terminal_is_refused_in_a_sentence() {
    let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    let session = Session {
        shared: Shared::new(lorry::model(), lorry::well()),
        replaying: false,
        look: LookSettings::default(),
        frames_per_s: 30,
        command: Box::new(|_| {}),
        control: Control::new().unwrap(),
    };
    let file = tempfile::tempfile().unwrap();
    let error = run_on(session, Look::new(GlyphSet::Full, Depth::True, false), file.as_fd()).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the screen needs a terminal: the output is no terminal; run it in one, or use --no-screen"
    );
}
fn chosen(environment: &[(&str, &str)]) -> Result<(GlyphSet, Depth), String> {
    let read = |name: &str| environment.iter().find(|(known, _)| *known == name).map(|(_, value)| (*value).to_owned());
    Look::choose(LookSettings::default(), read).map(|look| (look.glyphs, look.depth)).map_err(|why| why.to_string())
}

#[rstest]
#[case::console(&[("TERM", "linux"), ("LANG", "en_GB.UTF-8")], GlyphSet::Console, Depth::Sixteen)]
#[case::console_without_unicode(&[("TERM", "linux"), ("LANG", "C")], GlyphSet::Ascii, Depth::Sixteen)]
#[case::indexed(&[("TERM", "xterm-256color"), ("LC_ALL", "C.UTF-8")], GlyphSet::Full, Depth::Indexed)]
#[case::first_of_the_locale_wins(&[("TERM", "xterm"), ("LC_ALL", "C"), ("LANG", "C.utf8")], GlyphSet::Ascii, Depth::Sixteen)]
#[case::true_colour(&[("TERM", "xterm-256color"), ("LANG", "C.utf8"), ("COLORTERM", "truecolor")], GlyphSet::Full, Depth::True)]
#[case::no_colour(&[("TERM", "xterm-256color"), ("LANG", "C.utf8"), ("NO_COLOR", "1"), ("COLORTERM", "24bit")], GlyphSet::Full, Depth::None)]
#[case::no_colour_must_not_be_empty(&[("TERM", "xterm-256color"), ("LANG", "C.utf8"), ("NO_COLOR", "")], GlyphSet::Full, Depth::Indexed)]
#[case::unknown(&[("TERM", "some-teletype")], GlyphSet::Ascii, Depth::Eight)]
#[case::hostile(&[("TERM", "\u{1b}[2J")], GlyphSet::Ascii, Depth::Eight)]
#[case::without_colour_by_name(&[("TERM", "vt220"), ("LANG", "C.utf8")], GlyphSet::Full, Depth::None)]
fn the_look_follows_from_the_environment(
    #[case] environment: &[(&str, &str)],
    #[case] glyphs: GlyphSet,
    #[case] depth: Depth,
) {
    assert_eq!(chosen(environment), Ok((glyphs, depth)));
}

#[rstest]
#[case::dumb(&[("TERM", "dumb")], "the terminal says that it shows plain text only (TERM=dumb): no picture can be drawn on it; on a terminal that can, set TERM, for example TERM=xterm-256color")]
#[case::empty(&[("TERM", "")], "the terminal does not say what it is (TERM is not set): no picture can be drawn on it; on a terminal that can, set TERM, for example TERM=xterm-256color")]
#[case::unset(&[], "the terminal does not say what it is (TERM is not set): no picture can be drawn on it; on a terminal that can, set TERM, for example TERM=xterm-256color")]
fn a_terminal_that_shows_text_only_is_refused_in_a_sentence(
    #[case] environment: &[(&str, &str)],
    #[case] sentence: &str,
) {
    assert_eq!(chosen(environment), Err(sentence.to_owned()));
}

#[test]
fn what_the_user_sets_wins_over_the_environment() {
    let settings = LookSettings { glyphs: Some(GlyphSet::Console), depth: Some(Depth::Eight), night: true };
    let look = Look::choose(settings, |name| (name == "TERM").then(|| "xterm-256color".to_owned())).unwrap();
    assert_eq!((look.glyphs, look.depth, look.night), (GlyphSet::Console, Depth::Eight, true));
}
