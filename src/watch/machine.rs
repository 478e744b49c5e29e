//! The states of an alarm, and what leads from one to another.
//!
//! Read first: ANSI/ISA-18.2 and IEC 62682, as told by the sources of `tests/reference/12_alarm_transitions.csv`. Owns
//! that table and nothing else: a state and an event give a state. Pure; no time, no memory.

use crate::state::AlarmState::{
    self, Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, Returned, Shelved, Suppressed,
    Unacknowledged,
};

/// What can happen to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// It became abnormal, for long enough.
    Alarm,
    /// What is abnormal became worse than what was seen.
    Worse,
    /// It became normal, for long enough.
    Clear,
    /// Somebody says that it was seen.
    Acknowledge,
    /// Somebody resets what is latched.
    Reset,
    /// Somebody puts it aside for a time.
    Shelve,
    /// That time is over, or somebody takes it back.
    Unshelve {
        /// Whether it is abnormal then.
        in_alarm: bool,
    },
    /// It would be abnormal, but its condition is false.
    Suppress,
    /// That is over.
    Unsuppress {
        /// Whether it is abnormal then.
        in_alarm: bool,
    },
}

/// The state after `event`; what the standard does not name changes nothing. `latching`: it stays until it is reset.
pub const fn next(state: AlarmState, event: Event, latching: bool) -> AlarmState {
    match (state, event) {
        (Normal | Returned | LatchedUnacknowledged | LatchedAcknowledged, Event::Alarm)
        | (Acknowledged, Event::Worse)
        | (Shelved, Event::Unshelve { in_alarm: true })
        | (Suppressed, Event::Unsuppress { in_alarm: true }) => Unacknowledged,
        (Unacknowledged, Event::Acknowledge) => Acknowledged,
        (Unacknowledged, Event::Clear) if latching => LatchedUnacknowledged,
        (Unacknowledged, Event::Clear) | (LatchedUnacknowledged, Event::Reset) => Returned,
        (Acknowledged, Event::Clear) if latching => LatchedAcknowledged,
        (LatchedUnacknowledged, Event::Acknowledge) => LatchedAcknowledged,
        (Acknowledged, Event::Clear)
        | (Returned, Event::Acknowledge)
        | (LatchedAcknowledged, Event::Reset)
        | (Shelved, Event::Unshelve { in_alarm: false })
        | (Suppressed, Event::Unsuppress { in_alarm: false }) => Normal,
        (Shelved | Suppressed, Event::Shelve | Event::Suppress) => state,
        (_, Event::Shelve) => Shelved,
        (_, Event::Suppress) => Suppressed,
        _ => state,
    }
}
