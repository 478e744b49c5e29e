//! The program on a pseudo-terminal, and what a user in front of it sees.

use std::fs::File;
use std::io::{Read, Write};
use std::num::NonZero;
use std::os::fd::OwnedFd;
use std::process::{Command, ExitStatus};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags, fchmod};
use rustix::process::Signal;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Termios, Winsize, tcgetattr, tcsetwinsize};

use super::bench::{Bench, PATIENCE, Running};

/// Columns and rows beyond the terminal that are looked at for what strays there.
const MARGIN: u16 = 20;

/// A terminal with the program on it.
pub struct Seat {
    master: Option<File>,
    slave: OwnedFd,
    /// Larger than the terminal says it is: what is drawn outside is seen.
    seen: vt100::Parser,
    columns: u16,
    rows: u16,
    before: Termios,
    program: Running,
    bells: usize,
    errors: tempfile::NamedTempFile,
}

impl Seat {
    /// The program with `arguments` on a terminal of 80 by 24.
    #[track_caller]
    pub fn start(bench: &Bench, arguments: &[&str]) -> Self {
        Self::sized(bench, (80, 24), arguments)
    }

    #[track_caller]
    pub fn sized(bench: &Bench, size: (u16, u16), arguments: &[&str]) -> Self {
        Self::with(bench.command(arguments), size)
    }

    /// `command` on a terminal.
    #[track_caller]
    pub fn with(command: Command, size: (u16, u16)) -> Self {
        Self::begin(command, size, false)
    }

    /// The same with standard error on the terminal too, as a user has it.
    #[track_caller]
    pub fn whole(command: Command) -> Self {
        Self::begin(command, (80, 24), true)
    }

    #[track_caller]
    fn begin(mut command: Command, (columns, rows): (u16, u16), errors_too: bool) -> Self {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap();
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let slave = rustix::fs::open(name.as_c_str(), flags, Mode::empty()).unwrap();
        // Another user may be the one who sits here.
        fchmod(&slave, Mode::from_raw_mode(0o666)).unwrap();
        let size = Winsize { ws_col: columns, ws_row: rows, ws_xpixel: 0, ws_ypixel: 0 };
        tcsetwinsize(&master, size).unwrap();
        let before = tcgetattr(&slave).unwrap();
        let errors = tempfile::NamedTempFile::new().unwrap();
        if !command.get_envs().any(|(name, _)| name == "TERM") {
            command.env("TERM", "xterm-256color");
        }
        command.stdin(slave.try_clone().unwrap()).stdout(slave.try_clone().unwrap());
        if errors_too {
            command.stderr(slave.try_clone().unwrap());
        } else {
            command.stderr(errors.reopen().unwrap());
        }
        let program = Running::start(&mut command);
        // The command holds the terminal as long as it lives.
        drop(command);
        let seen = vt100::Parser::new(large(rows), large(columns), 0);
        Self { master: Some(File::from(master)), slave, seen, columns, rows, before, program, bells: 0, errors }
    }

    pub fn id(&self) -> u32 {
        self.program.id()
    }

    pub fn signal(&self, signal: Signal) {
        self.program.send(signal);
    }

    pub fn send(&mut self, keys: &str) {
        self.master.as_mut().unwrap().write_all(keys.as_bytes()).unwrap();
    }

    /// What the screen shows, row by row.
    pub fn text(&self) -> String {
        self.seen.screen().contents()
    }

    /// How often the bell rang so far.
    pub fn bells(&self) -> usize {
        self.bells
    }

    /// The status line: the last but one.
    pub fn status(&self) -> String {
        self.seen.screen().rows(0, self.columns).nth(usize::from(self.rows) - 2).unwrap()
    }

    /// Waits until the screen shows `text`.
    #[track_caller]
    pub fn until(&mut self, text: &str) {
        self.until_that(&format!("{text:?} is shown"), |seat| seat.text().contains(text));
    }

    #[track_caller]
    pub fn until_that(&mut self, what: &str, holds: impl Fn(&Self) -> bool) {
        let end = Instant::now() + PATIENCE;
        while !holds(self) {
            assert!(Instant::now() < end, "{what}: never\n{}", self.text());
            if !self.take(Duration::from_millis(20)) {
                assert!(!self.program.has_ended(), "the program ended before {what}: {}", self.errors());
            }
        }
    }

    /// Takes what comes within `wait`; false where nothing does.
    fn take(&mut self, wait: Duration) -> bool {
        let Some(master) = &mut self.master else { return false };
        let timeout = Timespec::try_from(wait).unwrap();
        if poll(&mut [PollFd::new(&*master, PollFlags::IN)], Some(&timeout)).unwrap() == 0 {
            return false;
        }
        let mut buffer = [0; 16 * 1024];
        let count = master.read(&mut buffer).unwrap();
        self.seen.process(&buffer[..count]);
        self.bells += buffer[..count].iter().filter(|&&byte| byte == 0x07).count();
        true
    }

    /// Waits until the program has written to its terminal.
    #[track_caller]
    pub fn until_the_first_byte(&mut self) {
        let end = Instant::now() + PATIENCE;
        while !self.take(Duration::from_millis(20)) {
            assert!(Instant::now() < end && !self.program.has_ended(), "nothing was written: {}", self.errors());
        }
    }

    /// Takes what comes for so long.
    pub fn look_on(&mut self, span: Duration) {
        let end = Instant::now() + span;
        while let Some(left) = end.checked_duration_since(Instant::now()) {
            self.take(left);
        }
    }

    /// The terminal goes away, as when a session is cut.
    pub fn hang_up(&mut self) {
        self.master = None;
    }

    /// Waits for the program's end, reading on.
    #[track_caller]
    pub fn ended(&mut self) -> ExitStatus {
        let end = Instant::now() + PATIENCE;
        while !self.program.has_ended() {
            assert!(Instant::now() < end, "the program does not end:\n{}", self.text());
            while self.take(Duration::ZERO) {}
        }
        while self.take(Duration::ZERO) {}
        self.program.ended()
    }

    /// What went to standard error.
    pub fn errors(&self) -> String {
        std::fs::read_to_string(self.errors.path()).unwrap()
    }

    /// The program ended with 0, said nothing, and left the terminal as it was.
    #[track_caller]
    pub fn ends_well(&mut self) {
        let status = self.ended();
        assert_eq!((status.code(), self.errors().as_str()), (Some(0), ""), "{status}");
        self.is_given_back();
    }

    /// The alternate screen is left, the cursor shows, the mouse is free, and the modes are those of before.
    #[track_caller]
    pub fn is_given_back(&self) {
        let screen = self.seen.screen();
        assert!(!screen.alternate_screen(), "the alternate screen is not left");
        assert!(!screen.hide_cursor(), "the cursor is hidden");
        assert_eq!(screen.mouse_protocol_mode(), vt100::MouseProtocolMode::None);
        assert!(!screen.bracketed_paste());
        let now = tcgetattr(&self.slave).unwrap();
        let modes = |modes: &Termios| (modes.input_modes, modes.output_modes, modes.control_modes, modes.local_modes);
        assert_eq!(modes(&now), modes(&self.before));
    }

    /// Whether anything on the screen has a colour of its own.
    pub fn has_colour(&self) -> bool {
        let (rows, columns) = self.seen.screen().size();
        let cells = (0..rows.get())
            .flat_map(|row| (0..columns.get()).filter_map(move |column| self.seen.screen().cell(row, column)));
        cells.into_iter().any(|cell| [cell.fgcolor(), cell.bgcolor()] != [vt100::Color::Default; 2])
    }

    /// Nothing stands outside the terminal.
    #[track_caller]
    pub fn is_within(&self) {
        let screen = self.seen.screen();
        for (number, row) in screen.rows(self.columns, MARGIN).enumerate() {
            assert_eq!(row.trim(), "", "row {number} goes beyond column {}:\n{}", self.columns, self.text());
        }
        for row in screen.rows(0, self.columns).skip(usize::from(self.rows)) {
            assert_eq!(row.trim(), "", "something stands below row {}", self.rows);
        }
    }
}

fn large(length: u16) -> NonZero<u16> {
    NonZero::new(length + MARGIN).unwrap()
}
