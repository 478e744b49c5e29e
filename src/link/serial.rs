//! A serial port that is open, for tasks that wait.
//!
//! Owns its two descriptors. In: bytes to write. Out: bytes that came. The serial library's own stream reads once more
//! after each piece, to find nothing; here a read that did not fill its room says that nothing more is there. Never
//! flushes: that blocks the whole thread.

use std::fmt;
use std::io;
use std::mem;
use std::os::fd::OwnedFd;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};

use rustix::io::Errno;
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
    /// The port was left alone, so that the next read will find something without waiting.
    rested: bool,
    /// The serial library's, which made the settings and holds the locks.
    held: Box<dyn SerialPort>,
    baud: u32,
}

impl Serial {
    /// `bytes` is a descriptor of the port that `held` holds, set not to block.
    pub fn new(bytes: OwnedFd, held: Box<dyn SerialPort>, baud: u32) -> Self {
        Self { bytes: Arc::new(bytes), watch: None, rested: false, held, baud }
    }
}

impl fmt::Debug for Serial {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Serial").field("bytes", &self.bytes).field("baud", &self.baud).finish_non_exhaustive()
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

    fn leave_alone(&mut self) {
        self.watch = None;
        self.rested = true;
    }

    fn baud(&self) -> Option<u32> {
        Some(self.baud)
    }
}

impl AsyncRead for Serial {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, room: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let Self { bytes, watch, rested, .. } = &mut *self;
        let free = room.initialize_unfilled();
        let count = loop {
            if mem::take(rested) {
                match rustix::io::read(&*bytes, &mut *free) {
                    Err(Errno::AGAIN) => {}
                    result => break result?,
                }
            }
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
