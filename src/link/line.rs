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
use std::task::Poll;
use std::time::Duration;

use rustix::io::Errno;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep, sleep_until};

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

    /// Nothing is read for a while: until the next read, what comes need not wake anyone.
    fn leave_alone(&mut self) {}

    /// Bits for each second that come at most; `None` where that is not known.
    fn baud(&self) -> Option<u32> {
        None
    }
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

/// What the port did.
enum Moved {
    Read(io::Result<usize>),
    Wrote(io::Result<usize>),
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
    pace: Pace,
    /// In the middle of a line: until then nothing needs to be read.
    pause: Option<Instant>,
    /// The reason that was told last, since the link was up.
    told: Option<Trouble>,
    silence: Silence,
    /// The port was closed for being silent, and its opening is not told before it speaks.
    reopening: bool,
}

impl<S: Sink> Keeper<S> {
    fn new(link: LinkId, clock: Clock, sink: Rc<RefCell<S>>, commands: mpsc::Receiver<Outgoing>) -> Self {
        Self {
            link,
            clock,
            sink,
            commands: Some(commands),
            buffer: vec![0; BUFFER].into_boxed_slice(),
            writing: Writing::default(),
            pace: Pace::starting(None),
            pause: None,
            told: None,
            silence: Silence::starting(Instant::now()),
            reopening: false,
        }
    }

    /// Uses an open port until it ends.
    async fn while_open<P: Port>(
        &mut self,
        device: &Path,
        port: &mut P,
        mut stopped: Pin<&mut impl Future<Output = ()>>,
    ) -> End {
        let opened = Instant::now();
        self.opened(device, opened);
        (self.pace, self.pause) = (Pace::starting(port.baud()), None);
        let mut heard = false;
        let mut timer = pin!(sleep_until(self.silence.due()));
        let mut pause = pin!(sleep_until(opened));
        loop {
            tokio::select! {
                biased;
                () = stopped.as_mut() => return End::Stopped,
                () = sleep_until(self.writing.deadline), if self.writing.is_busy() => self.writing.give_up(),
                command = receive(&mut self.commands), if !self.writing.is_busy() => self.accept(command, port),
                moved = transfer(port, &mut self.buffer, self.writing.rest(), self.pause.is_none()) => {
                    let taken = match moved {
                        Moved::Read(result) => self.took(device, result),
                        Moved::Wrote(result) => self.wrote(result),
                    };
                    match taken {
                        Ok(bytes) => {
                            heard |= bytes > 0;
                            if let Some(end) = self.pause {
                                port.leave_alone();
                                pause.as_mut().reset(end);
                            }
                            if bytes >= BEHIND {
                                tokio::task::yield_now().await;
                            }
                        }
                        Err(trouble) => return End::Lost { trouble, steady: heard || opened.elapsed() >= STEADY },
                    }
                }
                () = pause.as_mut(), if self.pause.is_some() => self.pause = None,
                () = timer.as_mut() => {
                    match self.silence.step(Instant::now()) {
                        Some(Due::Reopen) => return End::Silent,
                        Some(Due::Tell) => self.tell(Event::Silent),
                        None => {}
                    }
                    timer.as_mut().reset(self.silence.due());
                }
            }
        }
    }

    /// The port is open.
    fn opened(&mut self, device: &Path, now: Instant) {
        self.writing = Writing::default();
        if self.reopening {
            self.silence.reopened(now);
        } else {
            self.silence = Silence::starting(now);
            self.up(device);
        }
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

    /// A read ended. Gives how many bytes came.
    fn took(&mut self, device: &Path, result: io::Result<usize>) -> Result<usize, Trouble> {
        match result {
            // A port whose device is gone reads as nothing, at once and for ever.
            Ok(0) => Err(Trouble::Unplugged),
            Ok(bytes) => {
                let now = Instant::now();
                self.silence.heard(now);
                self.pause = self.pace.took(now, &self.buffer[..bytes]).map(|length| now + length);
                if self.reopening {
                    self.up(device);
                }
                self.tell(Event::Bytes(&self.buffer[..bytes]));
                Ok(bytes)
            }
            Err(error) => goes_on(&error).map(|()| 0),
        }
    }

    /// A write ended.
    fn wrote(&mut self, result: io::Result<usize>) -> Result<usize, Trouble> {
        match result {
            Ok(0) => self.writing.give_up(),
            Ok(bytes) => {
                if self.writing.advance(bytes) {
                    self.tell(Event::Sent(self.writing.command()));
                }
            }
            Err(error) => goes_on(&error)?,
        }
        Ok(0)
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
                command = receive(&mut self.commands) => {
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
                if self.wrote(written).is_err() {
                    return;
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
async fn receive(commands: &mut Option<mpsc::Receiver<Outgoing>>) -> Option<Outgoing> {
    match commands {
        Some(commands) => commands.recv().await,
        None => std::future::pending().await,
    }
}

/// Writes what there is to write and, where `reads`, reads what there is to read, whichever the port can do first.
async fn transfer<P: Port>(port: &mut P, buffer: &mut [u8], rest: &[u8], reads: bool) -> Moved {
    poll_fn(|cx| {
        if !rest.is_empty()
            && let Poll::Ready(result) = Pin::new(&mut *port).poll_write(cx, rest)
        {
            return Poll::Ready(Moved::Wrote(result));
        }
        if !reads {
            return Poll::Pending;
        }
        let mut room = ReadBuf::new(buffer);
        let read = Pin::new(&mut *port).poll_read(cx, &mut room);
        read.map(|result| Moved::Read(result.map(|()| room.filled().len())))
    })
    .await
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
