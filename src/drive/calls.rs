//! What persons did about alarms, written down once each.
//!
//! Owns which states were noted last. In: the newest [`Calls`]. Out: what to note. When an alarm begins or ends is not
//! told here: the core does.

use crate::state::{AlarmState, Calls, Raised};
use crate::time::{MINUTE, secs_from_micros};

/// The states that were noted last.
#[derive(Debug, Default)]
pub(super) struct NotedCalls {
    states: Vec<AlarmState>,
    digest: u64,
}

/// What was done about one alarm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Done {
    /// Which.
    pub raised: Raised,
    /// The word for it.
    pub did: &'static str,
    /// For how many minutes it was put aside.
    pub minutes: Option<f64>,
}

impl NotedCalls {
    /// Another config is in force: what is now needs no note.
    pub fn begin_anew(&mut self, calls: &Calls) {
        self.states.clear();
        self.states.extend(calls.list.iter().map(|call| call.state));
        self.digest = calls.digest;
    }

    /// What was done since the last look. Costs nothing where nothing was.
    pub fn look(&mut self, now: crate::time::Stamp, calls: &Calls) -> Vec<Done> {
        if self.digest == calls.digest {
            return Vec::new();
        }
        self.digest = calls.digest;
        self.states.resize(calls.list.len(), AlarmState::Normal);
        let mut done = Vec::new();
        for (place, (before, call)) in self.states.iter_mut().zip(&calls.list).enumerate() {
            if let Some(did) = word(*before, call.state) {
                let minutes = call.until.map(|until| secs_from_micros(until.since(now)) / secs_from_micros(MINUTE));
                done.push(Done { raised: calls.raised(place), did, minutes });
            }
            *before = call.state;
        }
        done
    }
}

/// What a person, or the end of a shelf, does to lead from one state to the other. What becomes normal by that may be
/// asleep at once.
fn word(before: AlarmState, after: AlarmState) -> Option<&'static str> {
    use AlarmState::{
        Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, Returned, Shelved, Suppressed, Unacknowledged,
    };
    match (before, after) {
        _ if before == after => None,
        (_, Shelved) => Some("shelved"),
        (Shelved, _) => Some("unshelved"),
        (Unacknowledged, Acknowledged)
        | (Returned, Normal | Suppressed)
        | (LatchedUnacknowledged, LatchedAcknowledged) => Some("acknowledged"),
        (LatchedAcknowledged, Normal | Suppressed) | (LatchedUnacknowledged, Returned) => Some("reset"),
        _ => None,
    }
}
