//! What is wrong: alarm states now; events and shared causes follow.
//!
//! Owns the alarms' memory: since when a limit is passed or left. In: channels with trust, and the time. Out: which
//! alarms sound, and each change once. No drawing, no clock.

use crate::config::Model;
use crate::state::{AlarmShown, Shown};
use crate::time::Stamp;

/// An alarm that began or ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Its place in the model.
    pub alarm: usize,
    /// It began; else it ended.
    pub active: bool,
    /// The channel's smoothed value then, if it could be trusted.
    pub value: Option<f64>,
}

/// The memory of all alarms.
#[derive(Debug)]
pub struct Watch {}

impl Watch {
    /// All quiet.
    pub fn new(model: &Model) -> Self {
        let _ = model;
        Self {}
    }

    /// Looks at all channels at `now`; `changed` hears of each alarm that begins or ends. Allocates nothing.
    pub fn step(
        &mut self,
        model: &Model,
        now: Stamp,
        channels: &[Shown],
        alarms: &mut [AlarmShown],
        changed: &mut dyn FnMut(Change),
    ) {
        let _ = (model, now, channels, alarms, changed);
    }
}
