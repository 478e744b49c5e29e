//! The state machine against the tables of ANSI/ISA-18.2 and IEC 62682 (tests/reference, 12).

use kickpanel::state::AlarmState;
use kickpanel::watch::machine::{Event, next};

use super::{EVENTS, STATES, Table, state};
use crate::rig::rows;

#[test]
fn every_state_and_every_event_lead_where_the_standard_says_and_nowhere_else() {
    let table = Table::read();
    // Rows that hold for both kinds of alarm count twice; eight have to do with "out of service".
    assert_eq!((table.len(), table.left_out), (47, 8));
    let mut changes = 0;
    for (from, is) in STATES {
        for (event, condition, happens) in EVENTS {
            for latching in [false, true] {
                // A plain alarm is never latched: the table has no rows for that.
                if is.is_latched() && !latching {
                    continue;
                }
                let wanted = table.next(from, (event, condition), latching);
                assert_eq!(Some(next(is, happens, latching)), state(wanted), "{from} {event} {condition} {latching}");
                changes += usize::from(wanted != from);
            }
        }
    }
    assert_eq!(changes, table.len(), "every row was looked at");
}

#[test]
fn the_sequences_of_the_standard_come_out_step_by_step() {
    let mut steps = 0;
    for row in rows(include_str!("../../reference/12_alarm_sequences.csv")) {
        let &[latching, events, states] = row.as_slice() else { panic!("{row:?}") };
        let (mut is, mut in_alarm) = (AlarmState::Normal, false);
        for (event, wanted) in events.split(' ').zip(states.split(' ')) {
            let happens = match event {
                "alarm" => Event::Alarm,
                "clear" => Event::Clear,
                "acknowledge" => Event::Acknowledge,
                "reset" => Event::Reset,
                "shelve" => Event::Shelve,
                "unshelve" => Event::Unshelve { in_alarm },
                _ => panic!("{event}"),
            };
            in_alarm = (in_alarm || event == "alarm") && event != "clear";
            is = next(is, happens, latching == "yes");
            assert_eq!(Some(is), state(wanted), "{row:?} at {event}");
            steps += 1;
        }
    }
    assert_eq!(steps, 26);
}

#[test]
fn what_is_annunciated_and_what_waits_is_what_the_standard_says_of_each_state() {
    let mut known = 0;
    for line in include_str!("../../reference/12_alarm_states.csv").lines().skip(1) {
        let row = quoted(line);
        let Some(is) = state(&row[0]) else {
            assert_eq!(row[0], "OOSRV");
            continue;
        };
        let (acknowledged, annunciated) = (row[4].as_str(), row[5].as_str());
        assert_eq!(is.waits(), acknowledged == "no", "{row:?}");
        assert_eq!(is.is_told(), annunciated != "no", "{row:?}");
        known += 1;
    }
    assert_eq!(known, AlarmState::ALL.len());
}

/// The columns of a line in which a column with commas stands in quotes.
fn quoted(line: &str) -> Vec<String> {
    let mut columns = vec![String::new()];
    let mut inside = false;
    for letter in line.chars() {
        match letter {
            '"' => inside = !inside,
            ',' if !inside => columns.push(String::new()),
            _ => columns.last_mut().unwrap().push(letter),
        }
    }
    columns
}
