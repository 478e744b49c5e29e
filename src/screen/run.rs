//! The screen's loop: waits for keys, for snapshots and for the terminal, and draws.
//!
//! Owns the terminal and the calling thread until it ends. One thread, one place that waits: nothing is drawn that was
//! not published, nothing is queued, and while the terminal takes no bytes only this thread waits for it.

use std::fmt;
use std::io;
use std::os::fd::AsFd;
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;

use super::control::Control;
use super::keys::{Command, Key, Parser};
use super::look::{Look, LookSettings, NoPicture};
use super::painter::{Framed, Painter};
use super::terminal::{Got, Terminal, is_held};
use crate::state::Shared;

/// What a screen is given.
pub struct Session {
    /// Where the newest snapshot and its config are.
    pub shared: Arc<Shared>,
    /// A replay, not a drive: other keys.
    pub replaying: bool,
    /// What the user asks the look to be.
    pub look: LookSettings,
    /// Most frames in a second, 1 or more.
    pub frames_per_s: u32,
    /// Told what the user wants of the session's owner. Called in the drawing thread: it must return at once.
    /// [`Command::Quit`] is told too, then the screen ends.
    pub command: Box<dyn FnMut(Command) + Send>,
    /// How others reach the screen.
    pub control: Control,
}

impl fmt::Debug for Session {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Session").field("replaying", &self.replaying).field("look", &self.look).finish_non_exhaustive()
    }
}

/// Why a screen ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    /// The user wanted it.
    Quit,
    /// [`Control::stop`] was called, or a panic elsewhere gave the terminal back.
    Stopped,
    /// The terminal is gone.
    TerminalGone,
}

/// Why there is no screen.
#[derive(Debug)]
pub enum ScreenError {
    /// The terminal cannot show one.
    NoPicture(NoPicture),
    /// It is no terminal, or it could not be taken.
    NoTerminal(io::Error),
}

impl fmt::Display for ScreenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoPicture(why) => why.fmt(f),
            Self::NoTerminal(why) => {
                write!(f, "the screen needs a terminal: {why}; run it in one, or use --no-screen")
            }
        }
    }
}

impl std::error::Error for ScreenError {}

/// How often the terminal's size is looked at while nothing else happens.
const LOOK_AROUND: Duration = Duration::from_millis(250);
/// What blinks is bright for so long and then dark for so long: once a second, and never more than twice.
const BLINK: Duration = Duration::from_millis(500);
/// How old the known size of the terminal may be when a frame is drawn.
const SIZE_KNOWN: Duration = Duration::from_millis(100);
/// A frame that the terminal has not taken for so long is followed by a whole one.
const STALLED: Duration = Duration::from_secs(2);

/// The bytes of one key come within this, over a slow link too.
const UNFINISHED: Duration = Duration::from_millis(500);

/// Draws on the terminal that standard output is until the user ends it, it is stopped, or the terminal goes away.
/// The terminal is given back on every way out, a panic in any thread included.
pub fn run(session: Session) -> Result<Ending, ScreenError> {
    let look = Look::here(session.look).map_err(ScreenError::NoPicture)?;
    run_on(session, look, io::stdout())
}

/// The same on the terminal that `near` is, with `look` in place of the session's. A process holds one terminal at a
/// time.
pub fn run_on(session: Session, look: Look, near: impl AsFd) -> Result<Ending, ScreenError> {
    let terminal = Terminal::take(near).map_err(ScreenError::NoTerminal)?;
    let control = session.control.clone();
    session.shared.subscribe(Arc::new(move || control.wake()));
    Ok(Loop::new(session, look, terminal).run())
}

struct Loop {
    terminal: Terminal,
    control: Control,
    painter: Painter,
    parser: Parser,
    /// When the last bytes of keys came.
    heard: Option<Instant>,
    command: Box<dyn FnMut(Command) + Send>,
    /// Least time between two frames.
    gap: Duration,
    size: (u16, u16),
    /// When the terminal's size was looked at.
    sized: Option<Instant>,
    /// Something may have changed since the last frame.
    changed: bool,
    drawn: Option<Instant>,
    /// Bytes of the last frame that the terminal has not taken yet.
    waiting: Vec<u8>,
    stalled_since: Option<Instant>,
    /// What blinks, blinks by the time since then.
    began: Instant,
    quit: bool,
}

impl Loop {
    fn new(session: Session, look: Look, terminal: Terminal) -> Self {
        Self {
            size: terminal.size().unwrap_or((80, 24)),
            terminal,
            control: session.control,
            painter: Painter::new(session.shared, look, session.replaying),
            parser: Parser::default(),
            heard: None,
            command: session.command,
            gap: Duration::from_secs(1) / session.frames_per_s.max(1),
            sized: None,
            changed: true,
            drawn: None,
            waiting: Vec::new(),
            stalled_since: None,
            began: Instant::now(),
            quit: false,
        }
    }

    fn run(mut self) -> Ending {
        loop {
            if let Some(ending) = self.step() {
                return ending;
            }
        }
    }

    /// Waits once and does what is to be done; `Some` at the end.
    fn step(&mut self) -> Option<Ending> {
        let (keys, gone, bell) = match self.wait() {
            Ok(heard) => heard,
            Err(Errno::INTR) => (false, false, false),
            Err(_) => return Some(Ending::TerminalGone),
        };
        if gone || (keys && self.read_keys() == Got::Gone) {
            return Some(Ending::TerminalGone);
        }
        if bell {
            self.control.heard();
            self.changed = true;
        }
        let waiting = self.control.take();
        if waiting.stop || !is_held() {
            return Some(Ending::Stopped);
        }
        if let Some(text) = waiting.notice {
            self.painter.tell(text);
        }
        if self.quit {
            return Some(Ending::Quit);
        }
        self.resized();
        let lit = (self.began.elapsed().as_millis() / BLINK.as_millis()).is_multiple_of(2);
        self.changed |= self.painter.blink(lit);
        self.draw().err().map(|_| Ending::TerminalGone)
    }

    /// Waits for a key, the bell, room in the terminal, or the time of the next frame. Gives which of keys, the end of
    /// the terminal, and the bell there is.
    fn wait(&self) -> Result<(bool, bool, bool), Errno> {
        let mut events = PollFlags::IN;
        if !self.waiting.is_empty() {
            events |= PollFlags::OUT;
        }
        let mut sources =
            [PollFd::new(&self.terminal, events), PollFd::from_borrowed_fd(self.control.ear(), PollFlags::IN)];
        let timeout = Timespec::try_from(self.patience()).map_err(|_| Errno::INVAL)?;
        poll(&mut sources, Some(&timeout))?;
        let (terminal, bell) = (sources[0].revents(), sources[1].revents());
        let gone = terminal.intersects(PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL);
        Ok((terminal.contains(PollFlags::IN), gone, bell.contains(PollFlags::IN)))
    }

    /// How long there is nothing to do by the clock.
    fn patience(&self) -> Duration {
        if !self.changed || !self.waiting.is_empty() {
            let since = self.began.elapsed().as_millis() % BLINK.as_millis();
            let left = BLINK.saturating_sub(Duration::from_millis(u64::try_from(since).unwrap_or(0)));
            return if self.painter.blinks() { LOOK_AROUND.min(left) } else { LOOK_AROUND };
        }
        self.drawn.map_or(Duration::ZERO, |drawn| self.gap.saturating_sub(drawn.elapsed()))
    }

    fn read_keys(&mut self) -> Got {
        let mut bytes = [0; 1024];
        let got = self.terminal.read(&mut bytes);
        let Got::Bytes(count) = got else { return got };
        let (painter, command, size) = (&mut self.painter, &mut self.command, self.size);
        let mut quit = false;
        if self.heard.replace(Instant::now()).is_some_and(|last| last.elapsed() > UNFINISHED) {
            self.parser.pause();
        }
        self.parser.push(&bytes[..count], &mut |key: Key| {
            if let Some(wanted) = painter.key(key, size) {
                quit |= wanted == Command::Quit;
                command(wanted);
            }
        });
        self.quit |= quit;
        self.changed = true;
        got
    }

    /// Looks at the terminal's size now and then: asking before each frame would cost more than it tells.
    fn resized(&mut self) {
        if self.sized.is_some_and(|sized| sized.elapsed() < SIZE_KNOWN) {
            return;
        }
        self.sized = Some(Instant::now());
        if let Some(size) = self.terminal.size().filter(|size| *size != self.size) {
            self.size = size;
            self.changed = true;
        }
    }

    /// Sends what waits; then draws if something changed and the last frame is old enough.
    fn draw(&mut self) -> io::Result<()> {
        if !self.waiting.is_empty() {
            self.terminal.write(&mut self.waiting)?;
        }
        if !self.waiting.is_empty() {
            self.stalled_since.get_or_insert_with(Instant::now);
            return Ok(());
        }
        if self.stalled_since.take().is_some_and(|since| since.elapsed() > STALLED) {
            self.painter.forget();
        }
        if !self.changed || self.drawn.is_some_and(|drawn| drawn.elapsed() < self.gap) {
            return Ok(());
        }
        let now = Instant::now();
        self.control.listen();
        // Where snapshots come faster than frames the next frame is sure to have something new: it is drawn when its
        // time comes, and until then nothing need wake this thread.
        let Framed { snapshots, counted } = self.painter.frame(self.size, &mut self.waiting);
        self.changed = snapshots > 1;
        if self.changed {
            self.control.mute();
        }
        // A picture that is the same costs the terminal nothing, and need not put off the next one. Nor does one for the
        // sake of counts, of which there are four a second: a link that is all noise must not make a value wait.
        if self.changed || (!self.waiting.is_empty() && !counted) {
            self.drawn = Some(now);
        }
        self.terminal.write(&mut self.waiting)
    }
}
