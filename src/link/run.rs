//! The task of one link.

use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::sync::{mpsc, watch};
use tokio::time::{sleep, timeout};

use super::find::first_match;
use super::pace::{Pace, SILENT_AFTER};
use super::port::{from_io, open};
use crate::config::LinkId;
use crate::state::Trouble;
use crate::time::system::Clock;
use crate::time::{MILLISECOND, Micros, Stamp};

/// A command that waited longer than this is thrown away unsent: an old order is worse than none.
const STALE_COMMAND: Micros = 200 * MILLISECOND;
/// A write that takes longer has failed.
const WRITE_LIMIT: Duration = Duration::from_millis(200);
/// Far more than any line: what piled up while the task was not scheduled is read in one go.
const BUFFER: usize = 64 * 1024;

/// Where a link's port is.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The node's path, or a pattern whose first match is opened.
    pub device: String,
    /// Bits per second; any that the kernel takes.
    pub baud: u32,
}

/// What happened on a link.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event<'a> {
    /// The port is open.
    Up {
        /// The node that was opened.
        device: &'a Path,
    },
    /// Bytes came.
    Bytes(&'a [u8]),
    /// A line was sent, without its LF.
    Sent(&'a [u8]),
    /// It is open and nothing came for 5 s. Told once.
    Silent,
    /// It is not open, and why. Told once for each reason, not for each try.
    Down(Trouble),
}

/// Who hears of it. Called in the task that reads: it must return at once.
pub trait Sink {
    /// `now` is the computer's monotonic time.
    fn event(&mut self, link: LinkId, now: Stamp, event: Event<'_>);
}

/// A line for the controller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outgoing {
    /// The line with its LF.
    pub line: Vec<u8>,
    /// When it was decided.
    pub made: Stamp,
}

/// Why a port that was open is no longer served.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// It is gone.
    Gone(Trouble),
    /// Nothing came for so long that it is opened anew.
    Silent,
    /// The program ends.
    Stopped,
}

/// What the task of a link holds.
struct Task<S> {
    link: LinkId,
    clock: Clock,
    sink: Rc<RefCell<S>>,
    commands: mpsc::Receiver<Outgoing>,
    stop: watch::Receiver<bool>,
    pace: Pace,
    buffer: Vec<u8>,
}

/// Opens, reads and reopens a link's port until `stop` turns true or its sender is gone.
pub async fn run<S: Sink>(
    link: LinkId,
    settings: Settings,
    clock: Clock,
    sink: Rc<RefCell<S>>,
    commands: mpsc::Receiver<Outgoing>,
    stop: watch::Receiver<bool>,
) {
    let mut task = Task::new(link, clock, sink, commands, stop);
    let mut said = None;
    while !task.stopped() {
        match open_first(&settings) {
            Ok((device, port)) => {
                said = None;
                task.tell(Event::Up { device: &device });
                match task.serve(port).await {
                    End::Gone(trouble) => task.say(trouble, &mut said),
                    End::Silent => {}
                    End::Stopped => return,
                }
            }
            Err(trouble) => task.say(trouble, &mut said),
        }
        task.rest().await;
    }
}

fn open_first(settings: &Settings) -> Result<(std::path::PathBuf, tokio_serial::SerialStream), Trouble> {
    let device = first_match(&settings.device).ok_or(Trouble::NoDevice)?;
    let port = open(&device, settings.baud)?;
    Ok((device, port))
}

/// Serves one open port of any kind: reads it into `sink`, writes `commands` to it, until it ends.
pub async fn serve<S: Sink>(
    link: LinkId,
    port: impl AsyncRead + AsyncWrite + Unpin,
    clock: Clock,
    sink: Rc<RefCell<S>>,
    commands: mpsc::Receiver<Outgoing>,
    stop: watch::Receiver<bool>,
) -> End {
    Task::new(link, clock, sink, commands, stop).serve(port).await
}

impl<S: Sink> Task<S> {
    fn new(
        link: LinkId,
        clock: Clock,
        sink: Rc<RefCell<S>>,
        commands: mpsc::Receiver<Outgoing>,
        stop: watch::Receiver<bool>,
    ) -> Self {
        Self { link, clock, sink, commands, stop, pace: Pace::default(), buffer: vec![0; BUFFER] }
    }

    fn stopped(&self) -> bool {
        *self.stop.borrow() || self.stop.has_changed().is_err()
    }

    fn tell(&self, event: Event<'_>) {
        self.sink.borrow_mut().event(self.link, self.clock.now(), event);
    }

    fn say(&self, trouble: Trouble, said: &mut Option<Trouble>) {
        if *said != Some(trouble) {
            *said = Some(trouble);
            self.tell(Event::Down(trouble));
        }
    }

    /// Waits before the next try. Commands that come meanwhile have nowhere to go.
    async fn rest(&mut self) {
        let pause = sleep(duration(self.pace.pause()));
        tokio::pin!(pause);
        loop {
            tokio::select! {
                () = &mut pause => return,
                _ = self.stop.changed() => return,
                Some(_) = self.commands.recv() => {}
            }
        }
    }

    async fn serve(&mut self, mut port: impl AsyncRead + AsyncWrite + Unpin) -> End {
        let mut heard = self.clock.now();
        let mut silent = false;
        let look = sleep(duration(SILENT_AFTER));
        tokio::pin!(look);
        loop {
            tokio::select! {
                biased;
                read = port.read(&mut self.buffer) => match read {
                    Ok(0) => return End::Gone(Trouble::Unplugged),
                    Ok(count) => {
                        heard = self.clock.now();
                        silent = false;
                        self.pace.heard();
                        self.sink.borrow_mut().event(self.link, heard, Event::Bytes(&self.buffer[..count]));
                    }
                    Err(error) if may_go_on(&error) => {}
                    Err(error) => return End::Gone(from_io(&error)),
                },
                Some(command) = self.commands.recv() => {
                    if let Err(end) = self.send(&mut port, &command).await {
                        return end;
                    }
                }
                () = &mut look => {
                    let quiet = self.clock.now().since(heard);
                    if quiet >= self.pace.patience() {
                        self.pace.gave_up();
                        return End::Silent;
                    }
                    if quiet >= SILENT_AFTER && !silent {
                        silent = true;
                        self.tell(Event::Silent);
                    }
                    let next = if quiet < SILENT_AFTER { SILENT_AFTER } else { self.pace.patience() } - quiet;
                    look.as_mut().reset(tokio::time::Instant::now() + duration(next.max(MILLISECOND)));
                }
                _ = self.stop.changed() => return End::Stopped,
            }
        }
    }

    async fn send(&self, port: &mut (impl AsyncWrite + Unpin), command: &Outgoing) -> Result<(), End> {
        if self.clock.now().since(command.made) > STALE_COMMAND {
            return Ok(());
        }
        match timeout(WRITE_LIMIT, port.write_all(&command.line)).await {
            Ok(Ok(())) => {
                self.tell(Event::Sent(command.line.strip_suffix(b"\n").unwrap_or(&command.line)));
                Ok(())
            }
            Ok(Err(error)) => Err(End::Gone(from_io(&error))),
            // Half a command may be in the line; the controller ignores what has no right checksum.
            Err(_) => Ok(()),
        }
    }
}

fn may_go_on(error: &std::io::Error) -> bool {
    matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::Interrupted)
}

fn duration(span: Micros) -> Duration {
    Duration::from_micros(u64::try_from(span).unwrap_or(0))
}
