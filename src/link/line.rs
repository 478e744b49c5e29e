//! The life of one link over a port of any kind: open, read, write, lose, look for it again.
//!
//! Owns the loop and its state. In: a way to open, commands, the stop signal. Out: [`Event`]s. Knows no device names and
//! no system calls, so that a scripted port can play every fault. Reading waits for nothing but the port itself.

use std::cell::RefCell;
use std::future::{Future, poll_fn};
use std::io;
use std::path::{Path, PathBuf};
use std::pin::{Pin, pin};
use std::rc::Rc;
use std::task::{Context, Poll};
use std::time::Duration;

use rustix::io::Errno;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, Sleep, sleep, sleep_until};

use super::pace::Pace;
use super::pauses::{Due, Pauses, Silence};
use super::writing::{WRITE_TIMEOUT, Writing};
use super::{Event, Outgoing, Sink};
use crate::config::LinkId;
use crate::state::Trouble;
use crate::time::system::Clock;
use crate::time::{MILLISECOND, Micros};

/// Room for one read. The kernel holds at most 4 KiB in its line discipline and some more behind it.
const BUFFER: usize = 64 * 1024;
/// A read of this much shows that more may wait; the other links get their turn first.
const BEHIND: usize = 2048;
/// A command older than this is not written: an order to switch must not come late.
const STALE: Micros = 200 * MILLISECOND;
/// A port that was open for less and said nothing is flapping; tries then go on getting sparser.
const STEADY: Duration = Duration::from_secs(1);

/// What a link needs of a port besides bytes.
pub trait Port: AsyncRead + AsyncWrite + Unpin {
    /// Bytes that were written and have not left the computer yet; 0 where that is not known.
    fn unsent(&self) -> usize {
        0
    }

    /// Throws away what has not left the computer yet. Must not wait.
    fn discard(&mut self) {}

    /// For `length` there is nothing to read, and what comes need not wake anyone. Whoever reads waits until it is over.
    fn leave_alone(&mut self, _length: Duration) {}
}

/// [`super::run`] with ports that `open` makes: each call is one try, and gives the port with its name.
pub async fn run_with<P: Port>(
    link: LinkId,
    mut open: impl FnMut() -> Result<(PathBuf, P), Trouble>,
    clock: Clock,
    sink: Rc<RefCell<impl Sink>>,
    commands: mpsc::Receiver<Outgoing>,
    stop: watch::Receiver<bool>,
) {
    let mut keeper = Keeper::new(link, clock, sink, commands);
    let mut stopped = pin!(until_stopped(stop));
    let mut pauses = Pauses::starting(Instant::now());
    loop {
        match open() {
            Ok((device, mut port)) => match keeper.while_open(&device, &mut port, stopped.as_mut()).await {
                End::Stopped => return keeper.finish(port).await,
                End::Silent => {
                    port.discard();
                    keeper.reopening = true;
                    pauses = Pauses::starting(Instant::now());
                    continue;
                }
                End::Lost { trouble, steady } => {
                    // While the port is held, the kernel gives the returning device a new number.
                    drop(port);
                    keeper.down(trouble);
                    if steady {
                        pauses = Pauses::starting(Instant::now());
                    }
                }
            },
            Err(trouble) => keeper.down(trouble),
        }
        if keeper.pause(pauses.next(Instant::now()), stopped.as_mut()).await == Paused::Stopped {
            return;
        }
    }
}

/// Waits until `stop` is true or nobody can set it any more.
async fn until_stopped(mut stop: watch::Receiver<bool>) {
    // The error says that the sender is gone, which means the same.
    let _ = stop.wait_for(|stop| *stop).await;
}

/// Why a port is not used any more.
enum End {
    /// The program ends.
    Stopped,
    /// It said nothing for so long that opening it again may help.
    Silent,
    /// It failed.
    Lost {
        trouble: Trouble,
        /// It had worked: bytes came, or it had been open for a while.
        steady: bool,
    },
}

/// How a pause ended.
#[derive(PartialEq, Eq)]
enum Paused {
    Over,
    Stopped,
}

/// What must be done about an open port outside of its own polling.
enum Step {
    /// More waits: the others get their turn first.
    Behind,
    End(End),
}

/// Everything that a link remembers.
struct Keeper<S> {
    link: LinkId,
    clock: Clock,
    sink: Rc<RefCell<S>>,
    /// `None` once nobody can send any more.
    commands: Option<mpsc::Receiver<Outgoing>>,
    buffer: Box<[u8]>,
    writing: Writing,
    /// Gives up the command at hand.
    patience: Pin<Box<Sleep>>,
    /// When the port was opened.
    opened: Instant,
    /// Bytes came since then.
    heard: bool,
    pace: Pace,
    /// The reason that was told last, since the link was up.
    told: Option<Trouble>,
    silence: Silence,
    /// When to look at `silence`.
    quiet: Pin<Box<Sleep>>,
    /// The port was closed for being silent, and its opening is not told before it speaks.
    reopening: bool,
}

impl<S: Sink> Keeper<S> {
    fn new(link: LinkId, clock: Clock, sink: Rc<RefCell<S>>, commands: mpsc::Receiver<Outgoing>) -> Self {
        let now = Instant::now();
        let timer = || Box::pin(sleep_until(now));
        Self {
            link,
            clock,
            sink,
            commands: Some(commands),
            buffer: vec![0; BUFFER].into_boxed_slice(),
            writing: Writing::default(),
            patience: timer(),
            opened: now,
            heard: false,
            pace: Pace::starting(now),
            told: None,
            silence: Silence::starting(now),
            quiet: timer(),
            reopening: false,
        }
    }

    /// Uses an open port until it ends.
    ///
    /// By hand instead of `select!`, which would look at everything once more behind each piece of a line.
    async fn while_open<P: Port>(
        &mut self,
        device: &Path,
        port: &mut P,
        mut stopped: Pin<&mut impl Future<Output = ()>>,
    ) -> End {
        self.opened(device);
        loop {
            let step = poll_fn(|cx| {
                if stopped.as_mut().poll(cx).is_ready() {
                    return Poll::Ready(Step::End(End::Stopped));
                }
                self.poll_port(cx, device, port)
            });
            match step.await {
                Step::Behind => tokio::task::yield_now().await,
                Step::End(end) => return end,
            }
        }
    }

    /// Writes and reads until neither goes on, then looks whether the port is silent.
    fn poll_port<P: Port>(&mut self, cx: &mut Context<'_>, device: &Path, port: &mut P) -> Poll<Step> {
        let more = self.write_on(cx, port).and_then(|()| self.read_on(cx, device, port));
        match more {
            Ok(true) => return Poll::Ready(Step::Behind),
            Ok(false) => {}
            Err(trouble) => {
                let steady = self.heard || self.opened.elapsed() >= STEADY;
                return Poll::Ready(Step::End(End::Lost { trouble, steady }));
            }
        }
        while self.quiet.as_mut().poll(cx).is_ready() {
            match self.silence.step(Instant::now()) {
                Some(Due::Reopen) => return Poll::Ready(Step::End(End::Silent)),
                Some(Due::Tell) => self.tell(Event::Silent),
                None => {}
            }
            self.quiet.as_mut().reset(self.silence.due());
        }
        Poll::Pending
    }

    /// Takes and writes commands until none is there or the port has no room.
    fn write_on<P: Port>(&mut self, cx: &mut Context<'_>, port: &mut P) -> Result<(), Trouble> {
        loop {
            if !self.writing.is_busy() {
                let Poll::Ready(command) = poll_receive(&mut self.commands, cx) else { return Ok(()) };
                self.accept(command, port);
                self.patience.as_mut().reset(self.writing.deadline);
            } else if self.patience.as_mut().poll(cx).is_ready() {
                self.writing.give_up();
            } else {
                match Pin::new(&mut *port).poll_write(cx, self.writing.rest()) {
                    Poll::Ready(Ok(bytes)) => self.wrote(bytes),
                    Poll::Ready(Err(error)) => {
                        goes_on(&error)?;
                        cx.waker().wake_by_ref();
                        return Ok(());
                    }
                    Poll::Pending => return Ok(()),
                }
            }
        }
    }

    /// Reads until nothing is there. True where more may wait.
    fn read_on<P: Port>(&mut self, cx: &mut Context<'_>, device: &Path, port: &mut P) -> Result<bool, Trouble> {
        loop {
            let mut room = ReadBuf::new(&mut self.buffer);
            let Poll::Ready(result) = Pin::new(&mut *port).poll_read(cx, &mut room) else { return Ok(false) };
            let bytes = room.filled().len();
            match result {
                Ok(()) => self.took(device, port, bytes)?,
                Err(error) => goes_on(&error)?,
            }
            if bytes >= BEHIND {
                return Ok(true);
            }
        }
    }

    /// The port is open.
    fn opened(&mut self, device: &Path) {
        let now = Instant::now();
        self.opened = now;
        self.heard = false;
        self.pace = Pace::starting(now);
        self.writing = Writing::default();
        if self.reopening {
            self.silence.reopened(now);
        } else {
            self.silence = Silence::starting(now);
            self.up(device);
        }
        self.quiet.as_mut().reset(self.silence.due());
    }

    fn up(&mut self, device: &Path) {
        self.told = None;
        self.reopening = false;
        self.tell(Event::Up { device });
    }

    /// The port is away. Told where the reason is another than before.
    fn down(&mut self, trouble: Trouble) {
        self.reopening = false;
        if self.told != Some(trouble) {
            self.told = Some(trouble);
            self.tell(Event::Down(trouble));
        }
    }

    fn tell(&self, event: Event<'_>) {
        self.sink.borrow_mut().event(self.link, self.clock.now(), event);
    }

    /// So many bytes came.
    fn took<P: Port>(&mut self, device: &Path, port: &mut P, bytes: usize) -> Result<(), Trouble> {
        if bytes == 0 {
            // A port whose device is gone reads as nothing, at once and for ever.
            return Err(Trouble::Unplugged);
        }
        let now = Instant::now();
        self.heard = true;
        self.silence.heard(now);
        if self.reopening {
            self.up(device);
        }
        self.tell(Event::Bytes(&self.buffer[..bytes]));
        if let Some(length) = self.pace.took(now, &self.buffer[..bytes]) {
            port.leave_alone(length);
        }
        Ok(())
    }

    /// So many bytes of the command at hand went.
    fn wrote(&mut self, bytes: usize) {
        if bytes == 0 {
            self.writing.give_up();
        } else if self.writing.advance(bytes) {
            self.tell(Event::Sent(self.writing.command()));
        }
    }

    /// Makes `command` the one that is written next, unless it is too old.
    fn accept<P: Port>(&mut self, command: Option<Outgoing>, port: &mut P) {
        let Some(command) = command else {
            self.commands = None;
            return;
        };
        if self.clock.now().since(command.made) > STALE {
            return;
        }
        let now = Instant::now();
        // What has not left within 200 ms is as stale as a command that waited; it must not come out later.
        if self.writing.stood_since(now) > WRITE_TIMEOUT && port.unsent() > 0 {
            port.discard();
            self.writing.torn = true;
        }
        self.writing.begin(&command.bytes, now);
    }

    /// Waits for `length`, throwing away what is meant for a port that is not there.
    async fn pause(&mut self, length: Duration, mut stopped: Pin<&mut impl Future<Output = ()>>) -> Paused {
        let mut over = pin!(sleep(length));
        loop {
            tokio::select! {
                biased;
                () = stopped.as_mut() => return Paused::Stopped,
                () = over.as_mut() => return Paused::Over,
                command = poll_fn(|cx| poll_receive(&mut self.commands, cx)) => {
                    if command.is_none() {
                        self.commands = None;
                    }
                }
            }
        }
    }

    /// Writes the fresh commands that already wait, so that the last word (outputs off) still goes out, then closes.
    async fn finish<P: Port>(mut self, mut port: P) {
        // The time-out only bounds this; whatever is left is thrown away below.
        let _ = tokio::time::timeout(WRITE_TIMEOUT, self.last_words(&mut port)).await;
        if port.unsent() > 0 {
            // Closing a port that does not drain may block for many seconds.
            port.discard();
        }
    }

    async fn last_words<P: Port>(&mut self, port: &mut P) {
        loop {
            while self.writing.is_busy() {
                let written = poll_fn(|cx| Pin::new(&mut *port).poll_write(cx, self.writing.rest())).await;
                match written {
                    Ok(bytes) => self.wrote(bytes),
                    Err(error) if goes_on(&error).is_ok() => {}
                    Err(_) => return,
                }
            }
            match self.commands.as_mut().and_then(|commands| commands.try_recv().ok()) {
                Some(command) => self.accept(Some(command), port),
                None => break,
            }
        }
        while port.unsent() > 0 {
            sleep(Duration::from_millis(5)).await;
        }
    }
}

/// The next command; never where nobody can send any more.
fn poll_receive(commands: &mut Option<mpsc::Receiver<Outgoing>>, cx: &mut Context<'_>) -> Poll<Option<Outgoing>> {
    commands.as_mut().map_or(Poll::Pending, |commands| commands.poll_recv(cx))
}

/// Whether a port is still there after `error`.
fn goes_on(error: &io::Error) -> Result<(), Trouble> {
    match Errno::from_io_error(error) {
        Some(Errno::INTR | Errno::AGAIN) => Ok(()),
        Some(Errno::IO | Errno::NXIO | Errno::NODEV) => Err(Trouble::Unplugged),
        Some(errno) => Err(Trouble::Failed(errno.raw_os_error())),
        None => match error.kind() {
            io::ErrorKind::Interrupted | io::ErrorKind::WouldBlock => Ok(()),
            _ => Err(Trouble::Failed(Errno::IO.raw_os_error())),
        },
    }
}
