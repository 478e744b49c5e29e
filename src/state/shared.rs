//! Where the decoding side leaves the newest snapshot, with the config that it is of, and everyone else picks both up.
//!
//! A snapshot knows its channels only by their places, so it is never handed on without its config: one config's values
//! under the labels of another would be false ones that look true.
//!
//! A `std` mutex held for a copy and never longer: nobody who reads can keep the decoding side waiting for more than
//! that. Readers get the newest, never a queue.

use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::{Column, History, Snapshot};
use crate::config::SharedModel;
use crate::time::Micros;

/// Called after something new was published. Must return at once.
pub type Waker = Arc<dyn Fn() + Send + Sync>;

/// The newest snapshot and the history, shared by the decoding side with any number of readers.
pub struct Shared {
    inner: Mutex<Inner>,
    wakers: Mutex<Vec<Waker>>,
}

struct Inner {
    /// What the snapshot and the history are of.
    model: SharedModel,
    snapshot: Snapshot,
    history: History,
    /// How often a snapshot was handed on.
    published: u64,
}

impl Shared {
    /// Nothing published yet; `snapshot` is one of `model`.
    pub fn new(model: SharedModel, snapshot: Snapshot) -> Arc<Self> {
        let history = History::new(snapshot.channels.len());
        Arc::new(Self { inner: Mutex::new(Inner { model, snapshot, history, published: 0 }), wakers: Mutex::default() })
    }

    /// Replaces the snapshot by one of the same config, adds it to the history, and wakes the readers. Allocates nothing.
    pub fn publish(&self, snapshot: &Snapshot) {
        {
            let mut inner = self.lock();
            inner.snapshot.clone_from(snapshot);
            inner.published += 1;
            inner.history.push(snapshot.at, snapshot.channels.iter().map(|shown| shown.smooth.good()));
        }
        for waker in self.wakers.lock().unwrap_or_else(PoisonError::into_inner).iter() {
            waker();
        }
    }

    /// Forgets the history, for a jump in a replay or a changed config: `snapshot`, and all that follow, are of `model`.
    pub fn reset(&self, model: &SharedModel, snapshot: &Snapshot) {
        let mut inner = self.lock();
        inner.model.clone_from(model);
        inner.history = History::new(snapshot.channels.len());
        inner.snapshot.clone_from(snapshot);
    }

    /// How often [`Shared::publish`] was called so far.
    pub fn published(&self) -> u64 {
        self.lock().published
    }

    /// Calls `waker` after each [`Shared::publish`] from now on.
    pub fn subscribe(&self, waker: Waker) {
        self.wakers.lock().unwrap_or_else(PoisonError::into_inner).push(waker);
    }

    /// The config of the newest snapshot.
    pub fn model(&self) -> SharedModel {
        Arc::clone(&self.lock().model)
    }

    /// Copies the newest snapshot into `out`. Gives its config where that is not `known`.
    pub fn read(&self, known: &SharedModel, out: &mut Snapshot) -> Option<SharedModel> {
        let inner = self.lock();
        out.clone_from(&inner.snapshot);
        (!Arc::ptr_eq(known, &inner.model)).then(|| Arc::clone(&inner.model))
    }

    /// Lets `take` copy out of the history, as long as that is still one of `known`. False where it is not.
    pub fn read_history(&self, known: &SharedModel, take: impl FnOnce(&History)) -> bool {
        let inner = self.lock();
        let same = Arc::ptr_eq(known, &inner.model);
        if same {
            take(&inner.history);
        }
        same
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

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;
    use crate::channel::Value;
    use crate::state::Shown;

    fn snapshot(at: Micros, value: f64) -> Snapshot {
        let shown = Shown { value: Value::ok(value), smooth: Value::ok(value), ..Shown::UNKNOWN };
        Snapshot { at, channels: vec![shown], ..Snapshot::default() }
    }

    /// A config of that name; what it says besides does not matter here.
    fn model(name: &str) -> SharedModel {
        Arc::new(crate::config::Model { name: name.to_owned(), ..Default::default() })
    }

    #[test]
    fn readers_get_the_newest_and_the_history_up_to_it() {
        let farm = model("farm");
        let shared = Shared::new(Arc::clone(&farm), snapshot(0, 0.0));
        shared.publish(&snapshot(0, 1.0));
        shared.publish(&snapshot(100_000, 2.0));
        let (mut out, mut end) = (Snapshot::default(), None);
        assert_eq!(shared.read(&farm, &mut out), None);
        assert!(shared.read_history(&farm, |history| end = history.end()));
        assert_eq!((out.at, out.channels[0].value.good(), end), (100_000, Some(2.0), Some(200_000)));
        let mut columns = [Column::GAP; 2];
        shared.columns(0, 200_000, 200_000, &mut columns);
        assert_eq!(format!("{:?}", columns.map(|column| column.high)), "[1.0, 2.0]");
    }

    #[test]
    fn every_waker_is_called_after_each_publishing_and_can_read_at_once() {
        let farm = model("farm");
        let shared = Shared::new(Arc::clone(&farm), snapshot(0, 0.0));
        let calls = Arc::new(AtomicUsize::new(0));
        for _ in 0..2 {
            let (calls, reader, farm) = (Arc::clone(&calls), Arc::downgrade(&shared), Arc::clone(&farm));
            shared.subscribe(Arc::new(move || {
                let mut out = Snapshot::default();
                reader.upgrade().unwrap().read(&farm, &mut out);
                calls.fetch_add(usize::from(out.channels[0].value.good() == Some(5.0)), Ordering::Relaxed);
            }));
        }
        shared.publish(&snapshot(0, 5.0));
        assert_eq!(calls.load(Ordering::Relaxed), 2);
    }

    #[test]
    fn a_reset_forgets_the_history_and_brings_the_config_with_the_snapshot() {
        let (farm, hill) = (model("farm"), model("hill"));
        let shared = Shared::new(Arc::clone(&farm), snapshot(0, 0.0));
        shared.publish(&snapshot(900_000, 1.0));
        shared.reset(&hill, &snapshot(100_000, 3.0));
        let (mut out, mut end) = (Snapshot::default(), Some(0));
        assert_eq!(shared.read(&farm, &mut out), Some(Arc::clone(&hill)));
        assert!(!shared.read_history(&farm, |_| panic!("it is of other channels")));
        assert!(shared.read_history(&hill, |history| end = history.end()));
        assert_eq!((out.at, end), (100_000, None));
        assert!(Arc::ptr_eq(&shared.model(), &hill));
    }

    #[test]
    fn a_copy_into_another_snapshot_takes_every_field() {
        use crate::state::{AlarmShown, LinkShown, LinkState, PlayerShown, Recording};
        let full = Snapshot {
            version: 3,
            now: crate::time::Stamp(4),
            links: vec![LinkShown { state: LinkState::Silent, ..LinkShown::default() }],
            alarms: vec![AlarmShown {
                level: crate::config::Level::Danger,
                active: true,
                since: crate::time::Stamp(1),
            }],
            recording: Recording::On { drive: 42 },
            player: Some(PlayerShown { position: 7, ..PlayerShown::default() }),
            config_trouble: Some(crate::state::ConfigTrouble::Mistakes(2)),
            ..snapshot(5, 6.0)
        };
        let mut other = snapshot(9, 9.0);
        other.clone_from(&full);
        // What is no number equals nothing, so the texts are compared.
        assert_eq!(format!("{other:?}"), format!("{full:?}"));
        assert_eq!(format!("{:?}", full.clone()), format!("{full:?}"));
    }
}
