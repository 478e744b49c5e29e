//! Alarms against the standard's own table, against a plain model, and over what a vehicle does.

mod desk;
mod machine;
mod measures;
mod quality;
mod replayed;
mod standing;

use std::collections::HashMap;

use kickpanel::state::AlarmState;
use kickpanel::watch::machine::Event;

use crate::rig::rows;

/// A generator of numbers of its own, so that the test knows none of the program's.
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self, sides: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % sides
    }
}

/// The states by the names of the tables.
pub const STATES: [(&str, AlarmState); 8] = [
    ("NORM", AlarmState::Normal),
    ("UNACK", AlarmState::Unacknowledged),
    ("ACKED", AlarmState::Acknowledged),
    ("RTNUN", AlarmState::Returned),
    ("LUNACK", AlarmState::LatchedUnacknowledged),
    ("LACKED", AlarmState::LatchedAcknowledged),
    ("SHLVD", AlarmState::Shelved),
    ("DSUPR", AlarmState::Suppressed),
];

/// The events by the names and conditions of the tables.
pub const EVENTS: [(&str, &str, Event); 11] = [
    ("alarm", "", Event::Alarm),
    ("alarm more severe", "", Event::Worse),
    ("clear", "", Event::Clear),
    ("acknowledge", "", Event::Acknowledge),
    ("reset", "", Event::Reset),
    ("shelve", "", Event::Shelve),
    ("unshelve", "process in alarm", Event::Unshelve { in_alarm: true }),
    ("unshelve", "process normal", Event::Unshelve { in_alarm: false }),
    ("suppress by design", "", Event::Suppress),
    ("unsuppress", "process in alarm", Event::Unsuppress { in_alarm: true }),
    ("unsuppress", "process normal", Event::Unsuppress { in_alarm: false }),
];

pub fn state(name: &str) -> Option<AlarmState> {
    STATES.iter().find(|known| known.0 == name).map(|known| known.1)
}

/// The standard's transitions (`tests/reference/12_alarm_transitions.csv`), read anew from the file: what it does not name
/// changes nothing. Rows of "out of service" are left out, and counted.
pub struct Table {
    rows: HashMap<(&'static str, &'static str, &'static str, bool), &'static str>,
    pub left_out: usize,
}

impl Table {
    pub fn read() -> Self {
        let mut table = Self { rows: HashMap::new(), left_out: 0 };
        for row in rows(include_str!("../reference/12_alarm_transitions.csv")) {
            let &[from, event, condition, to, latching, ..] = row.as_slice() else { panic!("{row:?}") };
            if from == "OOSRV" || to == "OOSRV" {
                table.left_out += 1;
                continue;
            }
            let latchings: &[bool] = match latching {
                "either" => &[false, true],
                // A latched alarm gets there too, by a reset before it was seen (LUNACK, reset); it must not stay there for ever.
                "no" if from == "RTNUN" => &[false, true],
                "no" => &[false],
                "yes" => &[true],
                _ => panic!("{row:?}"),
            };
            for latching in latchings {
                let known = table.rows.insert((from, event, condition, *latching), to);
                assert!(known.is_none(), "twice: {row:?}");
            }
        }
        table
    }

    /// How many transitions there are, counted for plain and latching alarms apart.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// The state after that event.
    pub fn next(
        &self,
        from: &'static str,
        (event, condition): (&'static str, &'static str),
        latching: bool,
    ) -> &'static str {
        self.rows.get(&(from, event, condition, latching)).copied().unwrap_or(from)
    }
}
