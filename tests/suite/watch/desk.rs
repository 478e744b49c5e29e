//! The desk against a plain model: the standard's table, a flag for what is wrong, and the time when a shelf ends.

use kickpanel::config::Level;
use kickpanel::state::{AlarmShown, AlarmState, Calls, Raised};
use kickpanel::time::{Micros, SECOND, Stamp};
use kickpanel::watch::desk::{Attend, DANGER_SHELF, Desk, FIRST_OUT, SHELF, Wrong};

use super::{Dice, Table, state};
use crate::rig::model;

/// Three alarms without a delay to be in the way: the desk is told what is wrong.
const THREE: &str = r#"
format = 1
[link.engine]
[channel.oil]
input = "n_oil"
[[channel.oil.alarm]]
level = "danger"
below = 1
text = "Oil"
[channel.water]
input = "n_water"
[[channel.water.alarm]]
level = "caution"
above = 90
latch = true
text = "Water"
[channel.fuel]
input = "n_fuel"
[[channel.fuel.alarm]]
level = "notice"
below = 5
text = "Fuel"
"#;
const LEVELS: [Level; 3] = [Level::Danger, Level::Caution, Level::Notice];
const LATCHING: [bool; 3] = [false, true, false];

/// A desk, and what it is told.
struct Bench {
    desk: Desk,
    calls: Calls,
    now: Stamp,
    active: [bool; 3],
    asleep: [bool; 3],
}

impl Bench {
    fn new() -> Self {
        let model = model(THREE);
        let calls = Calls::new(3, 0);
        Self { desk: Desk::new(&model, 0), calls, now: Stamp(0), active: [false; 3], asleep: [false; 3] }
    }

    fn step(&mut self) {
        let alarms: Vec<AlarmShown> =
            (0..3).map(|at| AlarmShown { level: LEVELS[at], active: self.active[at], since: Stamp(0) }).collect();
        let asleep = |at: usize| self.asleep[at];
        let wrong = Wrong { alarms: &alarms, faults: &[], channels: &[], asleep: &asleep };
        self.desk.step(self.now, &wrong, &mut self.calls);
    }

    fn set(&mut self, at: usize, active: bool) {
        self.active[at] = active;
        self.step();
    }

    fn attend(&mut self, act: Attend) {
        self.desk.attend(self.now, act, self.calls.newest, &mut self.calls);
    }

    fn wait(&mut self, span: Micros) {
        self.now = self.now.after(span);
        if self.desk.is_busy(self.now) {
            self.desk.pass(self.now, &[], &mut self.calls);
        }
    }

    fn state(&self, at: usize) -> AlarmState {
        self.calls.list[at].state
    }

    fn firsts(&self) -> Vec<usize> {
        let first = self.calls.journal.iter().filter(|entry| entry.first);
        first.map(|entry| self.calls.place(entry.raised)).collect()
    }
}

/// The same in the words of the table.
struct Plain {
    states: [&'static str; 3],
    until: [Option<Stamp>; 3],
}

impl Plain {
    fn event(&mut self, table: &Table, at: usize, event: (&'static str, &'static str)) {
        self.states[at] = table.next(self.states[at], event, LATCHING[at]);
        self.until[at] = self.until[at].filter(|_| self.states[at] == "SHLVD");
    }

    fn condition(in_alarm: bool) -> &'static str {
        if in_alarm { "process in alarm" } else { "process normal" }
    }
}

/// One move of `dice` on both; gives its number for the message.
fn one(dice: &mut Dice, table: &Table, bench: &mut Bench, plain: &mut Plain) -> usize {
    let (kind, at) = (dice.roll(12), dice.roll(3));
    let raised = Raised::Limit(at);
    match kind {
        0..4 => {
            let active = !bench.active[at];
            let slept = std::mem::take(&mut bench.asleep[at]);
            bench.set(at, active);
            match (active, slept) {
                (true, true) => plain.event(table, at, ("unsuppress", "process in alarm")),
                (false, true) => unreachable!("what sounds does not sleep"),
                _ => {}
            }
            plain.event(table, at, (if active { "alarm" } else { "clear" }, ""));
        }
        4 if !bench.active[at] => {
            bench.asleep[at] = !bench.asleep[at];
            bench.step();
            // Only what is well otherwise is put to sleep: what nobody saw yet, or is latched, stays.
            if bench.asleep[at] && plain.states[at] == "NORM" {
                plain.event(table, at, ("suppress by design", ""));
            } else if !bench.asleep[at] {
                plain.event(table, at, ("unsuppress", "process normal"));
            }
        }
        4 => {}
        5 => {
            bench.attend(Attend::Acknowledge(Some(raised)));
            plain.event(table, at, ("acknowledge", ""));
        }
        6 => {
            bench.attend(Attend::Acknowledge(None));
            (0..3).for_each(|at| plain.event(table, at, ("acknowledge", "")));
        }
        7 => {
            bench.attend(Attend::Reset(Some(raised)));
            plain.event(table, at, ("reset", ""));
        }
        8 => {
            let span = (1 + dice.roll(90) as i64) * 60 * SECOND;
            bench.attend(Attend::Shelve(raised, span));
            if !matches!(plain.states[at], "SHLVD" | "DSUPR") {
                plain.event(table, at, ("shelve", ""));
                let most = if at == 0 { 600 * SECOND } else { 3600 * SECOND };
                plain.until[at] = Some(bench.now.after(span.min(most)));
            }
        }
        9 => {
            bench.attend(Attend::Unshelve(Some(raised)));
            plain.event(table, at, ("unshelve", Plain::condition(bench.active[at])));
        }
        _ => {
            bench.wait((dice.roll(20) as i64) * 60 * SECOND);
            for at in 0..3 {
                if plain.until[at].is_some_and(|until| until <= bench.now) {
                    plain.event(table, at, ("unshelve", Plain::condition(bench.active[at])));
                }
            }
        }
    }
    // What sleeps and is well otherwise is put to sleep whenever it is looked at.
    bench.step();
    for at in 0..3 {
        if bench.asleep[at] && plain.states[at] == "NORM" {
            plain.event(table, at, ("suppress by design", ""));
        }
    }
    kind
}

// I6 of the catalogue of faults.
#[test]
fn a_hundred_thousand_sequences_go_as_the_plain_model_of_the_standard_does() {
    let table = Table::read();
    let mut dice = Dice(182);
    let mut seen = std::collections::HashSet::new();
    for sequence in 0..100_000 {
        let mut bench = Bench::new();
        let mut plain = Plain { states: ["NORM"; 3], until: [None; 3] };
        for step in 0..12 {
            let kind = one(&mut dice, &table, &mut bench, &mut plain);
            for at in 0..3 {
                let (is, wanted) = (bench.state(at), plain.states[at]);
                assert_eq!(Some(is), state(wanted), "sequence {sequence}, step {step}, move {kind}, alarm {at}");
                assert_eq!(bench.calls.list[at].until, plain.until[at]);
                seen.insert((at, is));
                // Nothing that is wrong is hidden without being listed.
                assert!(!bench.active[at] || is.is_told() || is == AlarmState::Shelved);
            }
        }
    }
    // All states of the latching one, and all but the latched ones of the two others.
    assert_eq!(seen.len(), 8 + 6 + 6);
}

#[test]
fn a_danger_is_back_after_ten_minutes_and_anything_else_after_an_hour_at_the_latest() {
    for (at, most) in [(0, DANGER_SHELF), (1, SHELF), (2, SHELF)] {
        let mut bench = Bench::new();
        bench.set(at, true);
        bench.attend(Attend::Shelve(Raised::Limit(at), 100 * SHELF));
        assert_eq!(bench.desk.due(&bench.calls), Some(Stamp(most)));
        bench.wait(most - 1);
        assert_eq!(bench.state(at), AlarmState::Shelved);
        bench.wait(1);
        assert_eq!((bench.state(at), bench.calls.rings), (AlarmState::Unacknowledged, 2), "it rings anew");
    }
    assert_eq!((DANGER_SHELF, SHELF), (600 * SECOND, 3600 * SECOND));
}

#[test]
fn putting_aside_what_is_put_aside_does_not_make_it_longer() {
    let mut bench = Bench::new();
    bench.set(0, true);
    bench.attend(Attend::Shelve(Raised::Limit(0), 120 * SECOND));
    bench.wait(60 * SECOND);
    bench.attend(Attend::Shelve(Raised::Limit(0), 600 * SECOND));
    assert_eq!(bench.calls.list[0].until, Some(Stamp(120 * SECOND)));
}

#[test]
fn of_several_within_five_seconds_the_first_is_marked() {
    for (second, firsts) in [(FIRST_OUT, vec![2]), (FIRST_OUT + 1, vec![])] {
        let mut bench = Bench::new();
        bench.set(2, true);
        bench.wait(second);
        bench.set(0, true);
        assert_eq!(bench.firsts(), firsts);
    }
}

#[test]
fn of_several_in_the_same_reading_the_worst_is_the_first() {
    let mut bench = Bench::new();
    bench.active = [true, true, true];
    bench.step();
    assert_eq!(bench.firsts(), [0]);
    assert_eq!(bench.calls.journal.iter().map(|entry| entry.number).collect::<Vec<_>>(), [1, 2, 3]);
}

#[test]
fn one_that_comes_alone_is_not_marked() {
    let mut bench = Bench::new();
    bench.set(1, true);
    assert_eq!(bench.firsts(), [] as [usize; 0]);
}

#[test]
fn what_came_after_the_picture_that_a_person_saw_stays_unseen() {
    let mut bench = Bench::new();
    bench.set(1, true);
    let known = bench.calls.newest;
    bench.set(0, true);
    bench.desk.attend(bench.now, Attend::Acknowledge(None), known, &mut bench.calls);
    assert_eq!((bench.state(0), bench.state(1)), (AlarmState::Unacknowledged, AlarmState::Acknowledged));
}

#[test]
fn each_new_alarm_rings_once() {
    let mut bench = Bench::new();
    let mut rings = vec![];
    bench.set(0, true);
    rings.push(bench.calls.rings);
    bench.step();
    bench.wait(SECOND);
    bench.attend(Attend::Acknowledge(None));
    rings.push(bench.calls.rings);
    bench.set(0, false);
    bench.set(0, true);
    rings.push(bench.calls.rings);
    // Over and back before anybody saw it: cleared and again abnormal is a new alarm.
    bench.set(0, false);
    bench.set(0, true);
    rings.push(bench.calls.rings);
    assert_eq!(rings, [1, 1, 2, 3]);
}

#[test]
fn the_journal_tells_when_each_came_was_over_and_was_seen_and_keeps_the_newest() {
    let mut bench = Bench::new();
    for _ in 0..100 {
        bench.wait(10 * SECOND);
        bench.set(1, true);
        bench.wait(SECOND);
        bench.attend(Attend::Acknowledge(None));
        bench.wait(SECOND);
        bench.set(1, false);
    }
    let journal = &bench.calls.journal;
    assert_eq!((journal.len(), journal.capacity(), journal[0].number, journal[63].number), (64, 64, 37, 100));
    let last = &journal[63];
    let of = |stamp: Stamp| stamp.since(last.began) / SECOND;
    assert_eq!((last.seen.map(of), last.ended.map(of)), (Some(1), Some(2)));
}

#[test]
fn two_copies_are_the_same_only_where_the_same_happened() {
    let (mut bench, mut copy) = (Bench::new(), Calls::default());
    copy.clone_from(&bench.calls);
    for at in [0, 1, 2] {
        bench.set(at, true);
        copy.clone_from(&bench.calls);
        assert_eq!(format!("{copy:?}"), format!("{:?}", bench.calls));
        bench.attend(Attend::Shelve(Raised::Limit(at), SECOND));
        copy.clone_from(&bench.calls);
        assert_eq!(format!("{copy:?}"), format!("{:?}", bench.calls));
    }
}
