//! How others reach a running screen: stop, a sentence to show. A changed config comes with its snapshots.
//!
//! Owns the pipe that wakes the drawing thread. However often it is rung before the thread looks, it holds at most two
//! bytes, one for snapshots and one for all else, so nobody who rings ever waits. While the thread knows that it will
//! draw anyhow, it turns the bell of the snapshots off and sleeps through.

use std::fmt;
use std::io::{self, PipeReader, PipeWriter, Read, Write};
use std::os::fd::{AsFd, BorrowedFd};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// A handle on a screen, before and while it runs. Clones reach the same screen.
#[derive(Clone)]
pub struct Control {
    inner: Arc<Inner>,
}

struct Inner {
    /// A snapshot rang, or need not ring.
    rung: AtomicBool,
    /// Something else rang.
    called: AtomicBool,
    bell: PipeWriter,
    ear: PipeReader,
    waiting: Mutex<Waiting>,
}

/// What waits to be looked at.
#[derive(Debug, Default)]
pub struct Waiting {
    /// The screen is to end.
    pub stop: bool,
    /// What is to be told in place of what was told before.
    pub notice: Option<String>,
}

impl Control {
    /// A handle for one screen. Fails where the system has no descriptors left.
    pub fn new() -> io::Result<Self> {
        let (ear, bell) = io::pipe()?;
        Ok(Self {
            inner: Arc::new(Inner {
                rung: AtomicBool::new(false),
                called: AtomicBool::new(false),
                bell,
                ear,
                waiting: Mutex::default(),
            }),
        })
    }

    /// Ends the screen.
    pub fn stop(&self) {
        self.leave(|waiting| waiting.stop = true);
    }

    /// Shows a sentence above the status line until another takes its place; an empty one takes it away.
    pub fn notice(&self, text: &str) {
        self.leave(|waiting| waiting.notice = Some(text.to_owned()));
    }

    /// Wakes the screen: a new snapshot is there. Returns at once.
    pub fn wake(&self) {
        self.ring(&self.inner.rung);
    }

    fn leave(&self, change: impl FnOnce(&mut Waiting)) {
        change(&mut self.inner.waiting.lock().unwrap_or_else(PoisonError::into_inner));
        self.ring(&self.inner.called);
    }

    fn ring(&self, done: &AtomicBool) {
        if !done.swap(true, Ordering::AcqRel) {
            // At most two bytes are ever in the pipe, so this cannot wait; it cannot fail while the reader lives here.
            let _ = (&self.inner.bell).write(&[0]);
        }
    }

    /// Takes what waits.
    /// What was told last and is not on the screen yet.
    #[cfg(test)]
    pub fn told(&self) -> Option<String> {
        self.take().notice
    }

    pub(super) fn take(&self) -> Waiting {
        std::mem::take(&mut *self.inner.waiting.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Silences the bell after it was heard. Snapshots do not ring again before [`Control::listen`].
    pub(super) fn heard(&self) {
        let _ = (&self.inner.ear).read(&mut [0; 2]);
        self.inner.called.store(false, Ordering::Release);
    }

    /// From now on the next snapshot rings: to be called before the newest one is read, so that none is missed.
    pub(super) fn listen(&self) {
        self.inner.rung.store(false, Ordering::Release);
    }

    /// From now on no snapshot rings: one will be looked for without.
    pub(super) fn mute(&self) {
        self.inner.rung.store(true, Ordering::Release);
    }

    /// Readable while the bell rings.
    pub(super) fn ear(&self) -> BorrowedFd<'_> {
        self.inner.ear.as_fd()
    }
}

impl fmt::Debug for Control {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Control").finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use rustix::event::{PollFd, PollFlags, Timespec, poll};

    use super::*;

    fn rings(control: &Control) -> bool {
        let mut ears = [PollFd::from_borrowed_fd(control.ear(), PollFlags::IN)];
        poll(&mut ears, Some(&Timespec { tv_sec: 0, tv_nsec: 0 })).unwrap() > 0
    }

    #[test]
    fn a_bell_that_is_rung_often_is_heard_once() {
        let control = Control::new().unwrap();
        assert!(!rings(&control));
        // Far more than a pipe holds: a bell that queued would wait here for ever.
        for _ in 0..200_000 {
            control.wake();
        }
        assert!(rings(&control));
        control.heard();
        assert!(!rings(&control));
        control.listen();
        control.wake();
        assert!(rings(&control));
    }

    #[test]
    fn until_the_screen_listens_again_snapshots_are_silent_and_all_else_rings() {
        let control = Control::new().unwrap();
        control.wake();
        control.heard();
        control.wake();
        assert!(!rings(&control), "heard already");
        control.listen();
        control.mute();
        control.wake();
        assert!(!rings(&control), "not wanted");
        for _ in 0..2 {
            control.notice("told");
            assert!(rings(&control));
            control.heard();
            assert!(!rings(&control));
        }
    }

    #[test]
    fn both_kinds_of_rings_are_silenced_at_once() {
        let control = Control::new().unwrap();
        control.wake();
        control.stop();
        control.heard();
        assert!(!rings(&control));
    }

    #[test]
    fn what_waits_is_taken_once_and_the_newest_counts() {
        let control = Control::new().unwrap();
        control.clone().notice("first");
        control.notice("second");
        control.stop();
        let waiting = control.take();
        assert_eq!((waiting.stop, waiting.notice.as_deref()), (true, Some("second")));
        assert!(!control.take().stop);
    }
}
