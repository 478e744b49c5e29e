//! The one way from line to snapshot. Live driving, replay, export, demo and the tests all go through here.
//!
//! Owns the order of things: decode, join clocks, channels, alarms, snapshot. A plain struct and plain functions: no
//! clock, no file, no task. Times come in as arguments, so a simulated day runs in seconds and a recording replayed
//! gives bit for bit what was shown on the road.

use crate::config::{LinkId, SharedModel};
use crate::state::Snapshot;
use crate::time::Stamp;
use crate::watch::Change;
use crate::wire::{Reject, Tally};

/// What a line did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It was empty, a header or a reading that had come before.
    Nothing,
    /// The snapshot has a new reading.
    Reading,
    /// The controller said what it is.
    Hello,
    /// It was thrown away.
    Refused(Reject),
}

/// The whole core of one vehicle.
#[derive(Debug)]
pub struct Pipeline {
    model: SharedModel,
    snapshot: Snapshot,
}

impl Pipeline {
    /// A core that has heard nothing yet.
    pub fn new(model: SharedModel) -> Self {
        Self { model, snapshot: Snapshot::default() }
    }

    /// The model it works by.
    pub fn model(&self) -> &SharedModel {
        &self.model
    }

    /// Takes one line without its LF that arrived over `link` at `now`. Allocates nothing for a usual reading.
    /// `changed` hears of each alarm that begins or ends.
    pub fn line(&mut self, link: LinkId, now: Stamp, line: &[u8], changed: &mut dyn FnMut(Change)) -> Outcome {
        let _ = (link, now, line, changed);
        Outcome::Nothing
    }

    /// A line over [`crate::wire::LINE_MAX`] came over `link`: counted.
    pub fn too_long(&mut self, link: LinkId, now: Stamp) {
        let _ = (link, now);
    }

    /// The link was opened.
    pub fn link_up(&mut self, link: LinkId, now: Stamp) {
        let _ = (link, now);
    }

    /// The link is gone.
    pub fn link_down(&mut self, link: LinkId, now: Stamp) {
        let _ = (link, now);
    }

    /// Time passed: what is stale, silent, due. True where the snapshot changed.
    pub fn tick(&mut self, now: Stamp, changed: &mut dyn FnMut(Change)) -> bool {
        let _ = (now, changed);
        false
    }

    /// What is known now.
    pub fn snapshot(&self) -> &Snapshot {
        &self.snapshot
    }

    /// The same, for the tasks to write in what the core does not know (the recorder's state).
    pub fn snapshot_mut(&mut self) -> &mut Snapshot {
        &mut self.snapshot
    }

    /// What came over `link` so far.
    pub fn tally(&self, link: LinkId) -> &Tally {
        let _ = link;
        unreachable!()
    }
}
