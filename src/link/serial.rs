//! A serial port that is open, for tasks that wait.
//!
//! Owns its two descriptors. In: bytes to write. Out: bytes that came. The serial library's own stream reads once more
//! after each piece, to find nothing; here a read that did not fill its room says that nothing more is there. Never
//! flushes: that blocks the whole thread.

use std::fmt;
use std::io;
use std::os::fd::OwnedFd;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use rustix::io::Errno;
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tokio::io::unix::AsyncFd;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_serial::{ClearBuffer, SerialPort};

use super::line::Port;
use super::pty::watching;

/// An open port, locked for this program alone.
pub struct Serial {
    /// Bytes go through this one. Never blocks.
    bytes: Arc<OwnedFd>,
    /// Wakes the task when `bytes` can be read or written. `None` while nobody wants to know: what is watched wakes the
    /// whole thread with each piece, even where no task waits for it.
    watch: Option<AsyncFd<Arc<OwnedFd>>>,
    /// Rings at the end of a pause. tokio's own timers go in whole milliseconds.
    bell: AsyncFd<OwnedFd>,
    /// The port is left alone until the bell rings.
    resting: bool,
    /// The serial library's, which made the settings and holds the locks.
    held: Box<dyn SerialPort>,
}

impl Serial {
    /// `bytes` is a descriptor of the port that `held` holds, set not to block. Must be called inside a tokio runtime.
    pub fn new(bytes: OwnedFd, held: Box<dyn SerialPort>) -> io::Result<Self> {
        let bell = timerfd_create(TimerfdClockId::Monotonic, TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC)?;
        Ok(Self { bytes: Arc::new(bytes), watch: None, bell: watching(bell)?, resting: false, held })
    }

    /// Has the bell ring once after `length`.
    fn ring_after(&self, length: Duration) -> io::Result<()> {
        let once = Timespec { tv_sec: 0, tv_nsec: 0 };
        let length = Timespec::try_from(length).map_err(|_| Errno::INVAL)?;
        let when = Itimerspec { it_interval: once, it_value: length };
        timerfd_settime(&self.bell, TimerfdTimerFlags::empty(), &when)?;
        Ok(())
    }
}

impl fmt::Debug for Serial {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Serial").field("bytes", &self.bytes).field("resting", &self.resting).finish_non_exhaustive()
    }
}

impl Port for Serial {
    fn unsent(&self) -> usize {
        self.held.bytes_to_write().map_or(0, |bytes| bytes as usize)
    }

    fn discard(&mut self) {
        // On a port that is gone this fails, and then there is nothing to throw away.
        let _ = self.held.clear(ClearBuffer::Output);
    }

    fn leave_alone(&mut self, length: Duration) {
        // Without a bell the port is watched as ever.
        if self.ring_after(length).is_ok() {
            self.watch = None;
            self.resting = true;
        }
    }
}

impl AsyncRead for Serial {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, room: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let Self { bytes, watch, bell, resting, .. } = &mut *self;
        let free = room.initialize_unfilled();
        if *resting {
            ready!(bell.poll_read_ready(cx))?.clear_ready();
            *resting = false;
            // Something must have come meanwhile.
            match rustix::io::read(&*bytes, &mut *free) {
                Err(Errno::AGAIN) => {}
                Ok(count) => {
                    room.advance(count);
                    return Poll::Ready(Ok(()));
                }
                Err(errno) => return Poll::Ready(Err(errno.into())),
            }
        }
        let count = loop {
            let mut ready = ready!(watched(watch, bytes)?.poll_read_ready(cx))?;
            match rustix::io::read(&*bytes, &mut *free) {
                Err(Errno::AGAIN) => ready.clear_ready(),
                Ok(count) if count < free.len() => {
                    // What comes from now on wakes anew. A port that hung up stays ready whatever is cleared.
                    ready.clear_ready();
                    break count;
                }
                result => break result?,
            }
        };
        room.advance(count);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Serial {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, text: &[u8]) -> Poll<io::Result<usize>> {
        let Self { bytes, watch, .. } = &mut *self;
        loop {
            let mut ready = ready!(watched(watch, bytes)?.poll_write_ready(cx))?;
            match rustix::io::write(&*bytes, text) {
                Err(Errno::AGAIN) => ready.clear_ready(),
                result => return Poll::Ready(result.map_err(Into::into)),
            }
        }
    }

    fn poll_flush(self: Pin<&mut Self>, _cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

/// What watches `bytes`. Must be called inside a tokio runtime.
fn watched<'a>(
    watch: &'a mut Option<AsyncFd<Arc<OwnedFd>>>,
    bytes: &Arc<OwnedFd>,
) -> io::Result<&'a AsyncFd<Arc<OwnedFd>>> {
    match watch {
        Some(watch) => Ok(watch),
        None => Ok(watch.insert(watching(Arc::clone(bytes))?)),
    }
}
