//! Lines that come in pieces, on tokio's paused clock: read with few wakes, and never late.

use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::io;
use std::path::PathBuf;
use std::pin::Pin;
use std::rc::Rc;
use std::task::{Context, Poll};
use std::time::Duration;

use kickpanel::config::LinkId;
use kickpanel::link::{Outgoing, Port, run_with};
use kickpanel::state::Trouble;
use kickpanel::time::system::Clock;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, Sleep, sleep_until};

use super::{Keeper, Seen, device, on_one_thread};

const LINK: LinkId = LinkId(0);
/// A line is twelve pieces of 16 bytes, one each millisecond (tokio's timers know nothing finer), and begins every 20 ms.
const PIECES: u64 = 12;
const LINES: u64 = 1000;
/// So many lines later the link knows how they come: 11 ms at 20 µs a line.
const KNOWN: u64 = 600;

/// Something that came or went, with its instant.
type Timed = (Instant, Vec<u8>);

/// Bytes that come at given instants, then perhaps the end of the port.
#[derive(Debug)]
struct Wire {
    pieces: VecDeque<Timed>,
    unplugged: Option<Instant>,
    alone_until: Instant,
    timer: Pin<Box<Sleep>>,
    reads: Rc<RefCell<Vec<Instant>>>,
    rests: Rc<Cell<u32>>,
    written: Rc<RefCell<Vec<Timed>>>,
}

impl Wire {
    fn sending(lines: u64) -> Self {
        let start = Instant::now() + Duration::from_millis(5);
        let piece = |line: u64, piece: u64| {
            let mut bytes = vec![b'a'; 16];
            if piece == PIECES - 1 {
                bytes[15] = b'\n';
            }
            (start + Duration::from_millis(line * 20 + piece), bytes)
        };
        Self {
            pieces: (0..lines).flat_map(|line| (0..PIECES).map(move |number| piece(line, number))).collect(),
            unplugged: None,
            alone_until: start,
            timer: Box::pin(sleep_until(start)),
            reads: Rc::default(),
            rests: Rc::default(),
            written: Rc::default(),
        }
    }
}

impl Port for Wire {
    fn leave_alone(&mut self, length: Duration) {
        self.rests.set(self.rests.get() + 1);
        self.alone_until = Instant::now() + length;
    }
}

impl AsyncRead for Wire {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, room: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let Some(next) = self.pieces.front().map(|(at, _)| *at).or(self.unplugged) else { return Poll::Pending };
        let due = next.max(self.alone_until);
        self.timer.as_mut().reset(due);
        if self.timer.as_mut().poll(cx).is_pending() {
            return Poll::Pending;
        }
        let now = Instant::now();
        while self.pieces.front().is_some_and(|(at, _)| *at <= now) {
            room.put_slice(&self.pieces.pop_front().unwrap().1);
        }
        self.reads.borrow_mut().push(now);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Wire {
    fn poll_write(self: Pin<&mut Self>, _cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        self.written.borrow_mut().push((Instant::now(), bytes.to_vec()));
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        panic!("a port is never flushed: the system call blocks the whole thread");
    }

    fn poll_shutdown(self: Pin<&mut Self>, _cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        panic!("a port is never shut down: that flushes it");
    }
}

/// A link over one wire, running.
struct Running {
    keeper: Rc<RefCell<Keeper>>,
    clock: Clock,
    commands: mpsc::Sender<Outgoing>,
    stop: watch::Sender<bool>,
    task: tokio::task::JoinHandle<()>,
}

impl Running {
    fn on(wire: Wire) -> Self {
        let keeper = Keeper::shared();
        let (commands, receiver) = mpsc::channel(8);
        let (stop, stopped) = watch::channel(false);
        let clock = Clock::start();
        let mut wire = Some(wire);
        let open = move || -> Result<(PathBuf, Wire), Trouble> {
            wire.take().map(|wire| (device(), wire)).ok_or(Trouble::NoDevice)
        };
        let task = tokio::task::spawn_local(run_with(LINK, open, clock, Rc::clone(&keeper), receiver, stopped));
        Self { keeper, clock, commands, stop, task }
    }

    async fn end(self) {
        self.stop.send(true).unwrap();
        self.task.await.unwrap();
    }
}

/// In the middle of a line, after so many.
fn middle_of(line: u64, began: Instant) -> Instant {
    began + Duration::from_millis(5 + line * 20 + 3)
}

#[test]
fn each_line_is_told_when_its_last_byte_comes_and_few_of_its_pieces_wake() {
    on_one_thread(true, async {
        let wire = Wire::sending(LINES);
        let began = Instant::now();
        let sent: Vec<u8> = wire.pieces.iter().flat_map(|(_, bytes)| bytes.clone()).collect();
        let reads = Rc::clone(&wire.reads);
        let running = Running::on(wire);
        sleep_until(began + Duration::from_millis(LINES * 20 + 50)).await;
        assert_eq!(running.keeper.borrow().bytes(LINK), sent);
        let ends: Vec<Instant> = running
            .keeper
            .borrow()
            .seen
            .iter()
            .filter(|(_, _, seen)| matches!(seen, Seen::Bytes(bytes) if bytes.ends_with(b"\n")))
            .map(|(_, at, _)| *at)
            .collect();
        let due: Vec<Instant> =
            (0..LINES).map(|line| began + Duration::from_millis(5 + line * 20 + PIECES - 1)).collect();
        assert_eq!(ends, due);
        let known = began + Duration::from_millis(KNOWN * 20);
        let reads = reads.borrow().iter().filter(|at| **at > known).count();
        let lines = usize::try_from(LINES - KNOWN).unwrap();
        // The first piece, two pauses of 4 ms, one of over 2 ms, the last.
        assert!(reads <= 5 * lines, "{reads} reads for {lines} lines");
        running.end().await;
    });
}

#[test]
fn a_command_goes_out_while_the_port_is_left_alone() {
    on_one_thread(true, async {
        let wire = Wire::sending(LINES);
        let began = Instant::now();
        let (rests, written) = (Rc::clone(&wire.rests), Rc::clone(&wire.written));
        let running = Running::on(wire);
        sleep_until(middle_of(KNOWN, began)).await;
        assert!(rests.get() > 0);
        let now = Instant::now();
        running.commands.try_send(Outgoing { made: running.clock.now(), bytes: b"set\n".to_vec() }).unwrap();
        tokio::task::yield_now().await;
        tokio::task::yield_now().await;
        assert_eq!(*written.borrow(), [(now, b"set\n".to_vec())]);
        running.end().await;
    });
}

#[test]
fn a_plug_that_is_pulled_in_the_middle_of_a_line_is_told_at_the_end_of_the_pause_at_the_latest() {
    on_one_thread(true, async {
        let mut wire = Wire::sending(KNOWN);
        let began = Instant::now();
        let pulled = middle_of(KNOWN - 1, began);
        wire.pieces.retain(|(at, _)| *at <= pulled);
        wire.unplugged = Some(pulled);
        let rests = Rc::clone(&wire.rests);
        let running = Running::on(wire);
        sleep_until(pulled + Duration::from_millis(10)).await;
        assert!(rests.get() > 0);
        let keeper = Rc::clone(&running.keeper);
        let told = keeper
            .borrow()
            .seen
            .iter()
            .find(|(_, _, seen)| *seen == Seen::Down(Trouble::Unplugged))
            .map(|(_, at, _)| *at);
        assert!(told.is_some_and(|at| at - pulled <= Duration::from_millis(5)), "{told:?}");
        running.end().await;
    });
}

#[test]
fn the_link_ends_at_once_while_the_port_is_left_alone() {
    on_one_thread(true, async {
        let wire = Wire::sending(LINES);
        let began = Instant::now();
        let running = Running::on(wire);
        let at = middle_of(KNOWN, began);
        sleep_until(at).await;
        running.end().await;
        assert_eq!(Instant::now(), at);
    });
}
