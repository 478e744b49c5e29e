//! D4 of the catalogue of faults: the computer stands still for a second to an hour, and goes on.
//!
//! An hour is handed in as an instant like any other: the drive's own state machine is given what its tasks would give it.
//! The built program is stopped for up to five seconds.

use std::sync::{Arc, Mutex};

use kickpanel::channel::Trust;
use kickpanel::config::LinkId;
use kickpanel::drive::Engine;
use kickpanel::link::{Event, Sink};
use kickpanel::pipeline::Pipeline;
use kickpanel::state::{Shared, Snapshot};
use kickpanel::time::{MILLISECOND, Micros, SECOND, Stamp};
use kickpanel::wire::seal;
use rustix::process::Signal;
use tokio::sync::mpsc;

use super::bench::until;
use super::board::{Board, CHANNEL, FOUR_BAR};
use super::driving::bench;
use super::seat::Seat;
use super::trouble::notes;
use crate::rig::model;

const STEP: Micros = 20 * MILLISECOND;
const ENGINE: LinkId = LinkId(0);
/// Two limits of a channel, one with its slope, one of a pulse input: what a gap or a burst could pass.
const LIMITS: &str = r#"
[[channel.oil.alarm]]
level = "danger"
below = 3
after = "1 s"
[[channel.oil.alarm]]
level = "caution"
above = 7
[channel.shaft]
input = "p2"
unit = "Hz"
[[channel.shaft.alarm]]
level = "caution"
below = 40
[[channel.shaft.alarm]]
level = "caution"
above = 60
[channel.slope]
formula = "rate(oil, 1)"
unit = "bar"
[[channel.slope.alarm]]
level = "caution"
above = 2
[[channel.slope.alarm]]
level = "caution"
below = -2
"#;

/// A drive at its desk, and everything that it handed on.
struct Desk {
    engine: Engine,
    seen: Arc<Mutex<Vec<Snapshot>>>,
    /// What the controller has sampled so far.
    number: i64,
}

impl Desk {
    fn new() -> Self {
        let text = format!("format = 1\n[link.engine]\nreference = \"1.1 V\"\n{}{LIMITS}", cell());
        let model = Arc::new(model(&text));
        let shared = Shared::new(Arc::clone(&model), Pipeline::new(Arc::clone(&model)).snapshot().clone());
        let seen: Arc<Mutex<Vec<Snapshot>>> = Arc::default();
        let (log, reader, known) = (Arc::clone(&seen), Arc::downgrade(&shared), Arc::clone(&model));
        shared.subscribe(Arc::new(move || {
            let mut snapshot = Snapshot::default();
            reader.upgrade().unwrap().read(&known, &mut snapshot);
            log.lock().unwrap().push(snapshot);
        }));
        let commands = vec![mpsc::channel(1).0];
        let mut engine = Engine::new(model, None, shared, commands);
        engine.event(ENGINE, Stamp(0), Event::Up { device: std::path::Path::new("port") });
        Self { engine, seen, number: 0 }
    }

    /// The next reading; the shaft turns at 50 Hz.
    fn sample(&mut self, oil: u32) -> String {
        self.number += 1;
        let (number, t) = (self.number, self.number * STEP);
        let wrapped = |value: i64| value.rem_euclid(1 << 32);
        let mut line = format!(
            "{{\"s\":{},\"t\":{},\"ref\":225,\"a1\":{oil},\"p2\":[{},{}]",
            number.rem_euclid(65_536),
            wrapped(t),
            wrapped(number),
            wrapped(t)
        );
        seal(&mut line);
        line + "\n"
    }

    fn bytes(&mut self, now: Stamp, bytes: &str) {
        self.engine.event(ENGINE, now, Event::Bytes(bytes.as_bytes()));
    }

    /// So many readings that come as they are sampled, with a look of the attendant between.
    fn run(&mut self, readings: usize, oil: u32) {
        for _ in 0..readings {
            let line = self.sample(oil);
            let now = Stamp(self.number * STEP + 3 * MILLISECOND);
            self.bytes(now, &line);
            self.engine.tick(now.after(MILLISECOND));
        }
    }

    fn take_seen(&self) -> Vec<Snapshot> {
        std::mem::take(&mut self.seen.lock().unwrap())
    }
}

/// The channel of the board, without its page.
fn cell() -> &'static str {
    CHANNEL.split("[[page]]").next().unwrap()
}

fn trusts(snapshot: &Snapshot) -> Vec<Trust> {
    snapshot.channels.iter().map(|shown| shown.value.trust()).collect()
}

#[track_caller]
fn all_quiet(seen: &[Snapshot]) {
    for snapshot in seen {
        assert!(snapshot.alarms.iter().all(|alarm| !alarm.active), "{snapshot:?}");
    }
}

/// Oil at 4 bar, as the board has it, and at 1 bar: 205 of 1024 of 5 V are 1.0 V, an eighth of the way from 0.5 V to 4.5 V.
const WELL: u32 = 512;
const LOW: u32 = 205;

#[test]
fn after_a_stop_of_a_second_to_an_hour_nothing_old_is_shown_as_new_and_nothing_sounds() {
    for seconds in [1, 2, 5, 60, 600, 1_800, 2_400, 3_600] {
        for waited in [1, 20, 30] {
            for (look_first, low) in [(true, false), (false, false), (true, true), (false, true)] {
                let what = format!("{seconds} s, {waited} lines waited, {look_first}, {low}");
                let mut desk = Desk::new();
                desk.run(200, WELL);
                // The oil is low for less than its second: before the stop, in what waited, and after it.
                desk.run(10, if low { LOW } else { WELL });
                assert_eq!(trusts(desk.seen.lock().unwrap().last().unwrap()), [Trust::Ok; 3], "{what}");
                all_quiet(&desk.take_seen());
                let before = desk.number;

                let mut text = String::new();
                (0..waited).for_each(|_| text += &desk.sample(if low { LOW } else { WELL }));
                // What came after that found no room.
                let readings = seconds * SECOND / STEP;
                desk.number = before + readings;
                let now = Stamp(desk.number * STEP + 5 * MILLISECOND);
                if look_first {
                    desk.engine.tick(now);
                }
                let (first, second) = text.split_at(text.len() / 2);
                desk.bytes(now, first);
                desk.engine.tick(now.after(10));
                desk.bytes(now.after(20), second);
                desk.engine.tick(now.after(30));
                let seen = desk.take_seen();
                assert!(seen.len() >= 2, "{what}");
                // The youngest that waited is at least 0.4 s old, and an age of 0.5 s is stale.
                let old = seconds * SECOND - waited * STEP > 600 * MILLISECOND;
                for snapshot in seen.iter().take(if old { usize::MAX } else { 1 }) {
                    assert_eq!(trusts(snapshot)[..2], [Trust::Stale; 2], "{what}");
                }
                all_quiet(&seen);

                desk.run(1, WELL);
                let seen = desk.take_seen();
                assert_eq!(trusts(seen.last().unwrap())[..2], [Trust::Ok; 2], "{what}");
                all_quiet(&seen);
                desk.run(200, WELL);
                let seen = desk.take_seen();
                assert_eq!(trusts(seen.last().unwrap()), [Trust::Ok; 3], "{what}");
                all_quiet(&seen);
                let link = seen.last().unwrap().links[0];
                let lost = u64::try_from((readings - waited) % 65_536).unwrap();
                assert_eq!((link.restarts, link.lost, link.bad), (0, lost, 0), "{what}");
            }
        }
    }
}

#[test]
fn an_alarm_that_sounds_goes_on_over_a_stop_and_does_not_sound_anew() {
    let mut desk = Desk::new();
    desk.run(200, WELL);
    desk.run(100, LOW);
    let edges = |seen: &[Snapshot]| {
        let active: Vec<_> = seen.iter().map(|snapshot| snapshot.alarms[0].active).collect();
        active.windows(2).filter(|pair| pair[0] != pair[1]).count()
    };
    assert_eq!(edges(&desk.take_seen()), 1);
    desk.number += 3_600 * SECOND / STEP;
    desk.run(100, LOW);
    let seen = desk.take_seen();
    let told = edges(&seen);
    assert!(told <= 2 && seen.last().unwrap().alarms[0].active, "{told} changes");
}

#[test]
fn the_program_stopped_for_seconds_tells_no_alarm_of_a_channel_and_shows_what_is_true_now() {
    std::thread::scope(|scope| {
        for seconds in [1, 2, 5] {
            scope.spawn(move || stop_for(seconds));
        }
    });
}

/// Stops a drive on a terminal for so long, while the oil is low for a moment.
fn stop_for(seconds: i64) {
    let bench = bench();
    let mut text = bench.read("kickpanel.toml");
    let page = text.find("[[page]]").unwrap();
    text.insert_str(page, LIMITS.split("[channel.shaft]").next().unwrap());
    bench.write("kickpanel.toml", text);
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    seat.signal(Signal::STOP);
    let passes = |readings: i64| {
        let from = board.sent();
        until("time passes", || board.sent() >= from + readings);
    };
    board.say("\"ref\":225,\"a1\":205");
    passes(25);
    board.say("\"ref\":225,\"a1\":614");
    passes(seconds * 50 - 25);
    seat.signal(Signal::CONT);
    seat.until("5.0 bar");
    assert!(!seat.text().contains("1.0 bar"), "{}", seat.text());
    passes(50);
    assert!(!seat.text().contains("stale"), "{}", seat.text());
    seat.send("q");
    seat.ends_well();
    let told = notes(&bench, 1);
    // D4 of the catalogue of faults: at most one alarm for the link, and none for its channels.
    let alarms: Vec<_> = told.iter().filter(|note| note["note"] == "alarm" && note["state"] == "on").collect();
    assert!(alarms.len() <= 1 && alarms.iter().all(|note| note.get("channel").is_none()), "{told:?}");
    assert!(told.iter().filter(|note| note["note"] == "link").count() <= 2, "{told:?}");
}

/// Limits that a moment of low oil passes, with no delay, a short one, and one that outlasts what waited; a loose sensor.
const HASTY: &str = r#"
[[channel.oil.alarm]]
level = "danger"
below = 3
after = "100 ms"
until = "100 ms"
[[channel.oil.alarm]]
level = "caution"
below = 3
after = "0 s"
until = "0 s"
[[channel.oil.alarm]]
level = "caution"
below = 2
after = "600 ms"
until = "100 ms"
"#;

/// Lines that waited for two seconds say `waited`, each for so many readings; then come 100 in time of `then`. How often
/// each alarm of a limit and each fault turned while lines were late, and which sound in the end.
fn waiting(before: u32, waited: &[(u32, usize)], then: u32, rests: bool) -> (usize, Vec<bool>) {
    let text = format!("format = 1\n[link.engine]\nreference = \"1.1 V\"\n{}{HASTY}", cell());
    let mut rig = crate::rig::Rig::whole(&text.replace("digits = 1\n", "digits = 1\nfresh = \"5 s\"\n"));
    let line = |number: i64, oil: u32| format!("{{\"s\":{number},\"t\":{},\"ref\":225,\"a1\":{oil}", number * STEP);
    let mut number = 0;
    let live = |rig: &mut crate::rig::Rig, number: &mut i64, oil: u32| {
        *number += 1;
        rig.line(0, *number * STEP + 3_000, &line(*number, oil));
    };
    (0..200).for_each(|_| live(&mut rig, &mut number, before));
    let (told, from) = (rig.changes.len(), number);
    let now = (from + 120) * STEP + 3_000;
    for (oil, readings) in waited {
        for _ in 0..*readings {
            number += 1;
            rig.line(0, now, &line(number, *oil));
            if rests {
                rig.tick(now + 1);
            }
        }
    }
    assert!(number - from <= 80, "the last is 0.8 s late");
    rig.tick(now + 400_000);
    let turned =
        rig.changes[told..].iter().filter(|change| matches!(change.raised, kickpanel::watch::Raised::Limit(_)));
    let turned = turned.count();
    number = from + 140;
    (0..100).for_each(|_| live(&mut rig, &mut number, then));
    let alarms = &rig.pipeline.snapshot().alarms;
    (turned, alarms.iter().map(|alarm| alarm.active).collect())
}

#[rstest::rstest]
#[case::low_for_a_while(WELL, &[(LOW, 60), (WELL, 20)], WELL, false)]
#[case::low_at_their_end(WELL, &[(WELL, 20), (LOW, 60)], WELL, false)]
#[case::low_and_still_so(WELL, &[(WELL, 20), (LOW, 60)], LOW, true)]
#[case::low_only_afterwards(WELL, &[(WELL, 80)], LOW, true)]
#[case::well_for_a_while(LOW, &[(WELL, 60), (LOW, 20)], LOW, true)]
#[case::well_and_still_so(LOW, &[(LOW, 20), (WELL, 60)], WELL, false)]
fn lines_that_waited_turn_no_alarm_and_the_first_in_time_decides(
    #[case] before: u32,
    #[case] waited: &[(u32, usize)],
    #[case] then: u32,
    #[case] sounds: bool,
    #[values(false, true)] rests: bool,
) {
    assert_eq!(waiting(before, waited, then, rests), (0, vec![sounds; 3]));
}
