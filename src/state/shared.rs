//! Where the decoding side leaves the newest snapshot and everyone else picks it up.
//!
//! A `std` mutex held for a copy and never longer: nobody who reads can keep the decoding side waiting for more than
//! that. Readers get the newest, never a queue.

use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::{Column, History, Snapshot};
use crate::time::Micros;

/// Called after something new was published. Must return at once.
pub type Waker = Arc<dyn Fn() + Send + Sync>;

/// The newest snapshot and the history, shared by the decoding side with any number of readers.
pub struct Shared {
    inner: Mutex<Inner>,
    wakers: Mutex<Vec<Waker>>,
}

struct Inner {
    snapshot: Snapshot,
    history: History,
}

impl Shared {
    /// Nothing published yet.
    pub fn new(snapshot: Snapshot) -> Arc<Self> {
        let history = History::new(snapshot.channels.len());
        Arc::new(Self { inner: Mutex::new(Inner { snapshot, history }), wakers: Mutex::default() })
    }

    /// Replaces the snapshot, adds it to the history, and wakes the readers. Allocates nothing.
    pub fn publish(&self, snapshot: &Snapshot) {
        {
            let mut inner = self.lock();
            inner.snapshot.clone_from(snapshot);
            inner.history.push(snapshot.at, snapshot.channels.iter().map(|shown| shown.smooth.good()));
        }
        for waker in self.wakers.lock().unwrap_or_else(PoisonError::into_inner).iter() {
            waker();
        }
    }

    /// Forgets the history, for a jump in a replay or a changed config.
    pub fn reset(&self, snapshot: &Snapshot) {
        let mut inner = self.lock();
        inner.history = History::new(snapshot.channels.len());
        inner.snapshot.clone_from(snapshot);
    }

    /// Calls `waker` after each [`Shared::publish`] from now on.
    pub fn subscribe(&self, waker: Waker) {
        self.wakers.lock().unwrap_or_else(PoisonError::into_inner).push(waker);
    }

    /// Copies the newest snapshot into `out`.
    pub fn read(&self, out: &mut Snapshot) {
        out.clone_from(&self.lock().snapshot);
    }

    /// Copies the newest snapshot, and lets `take` copy out of the history at the same instant.
    pub fn read_with(&self, out: &mut Snapshot, take: impl FnOnce(&History)) {
        let inner = self.lock();
        out.clone_from(&inner.snapshot);
        take(&inner.history);
    }

    /// Fills `out` with the last `span` of `channel`; see [`History::columns`].
    pub fn columns(&self, channel: usize, end: Micros, span: Micros, out: &mut [Column]) {
        self.lock().history.columns(channel, end, span, out);
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        // A panic while publishing leaves plain numbers behind; they are still the newest that there are.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl fmt::Debug for Shared {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Shared").finish_non_exhaustive()
    }
}
