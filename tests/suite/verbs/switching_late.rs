//! Outputs when something comes late: readings that waited, commands that nobody took, locks that outlive the program.
//!
//! J2, J6, J7 and J8 of the faults to survive, with the built program on a real pseudo-terminal. The controller is that of
//! `switching`, with the leases of the counts format.

use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::time::Duration;

use rstest::rstest;
use rustix::fs::OFlags;
use rustix::process::Signal;

use super::bench::{Bench, until};
use super::seat::Seat;
use super::switching::{HEATER, OFF, ON, Plugged, bench_with};

/// HEATER without a time of rest: nothing but the rule keeps it off.
fn restless() -> Bench {
    bench_with(&HEATER.replace("rest = \"100 ms\"", "rest = \"0 ms\""))
}

/// The computer stands still; what the controller says meanwhile waits in the kernel. It says first that the heater is to be on,
/// for longer than any buffer lasts, and then that it is not.
#[test]
fn readings_that_waited_while_the_program_stood_still_switch_nothing_on() {
    let bench = restless();
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive", "--no-screen"]);
    plugged.until(true);
    plugged.says(OFF);
    plugged.until(false);
    for _ in 0..3 {
        seat.look_on(Duration::from_millis(700));
        seat.signal(Signal::STOP);
        plugged.says(ON);
        seat.look_on(Duration::from_millis(1_500));
        plugged.says(OFF);
        seat.look_on(Duration::from_millis(700));
        let before = plugged.board().sets.len();
        let bytes = recorded(&bench);
        seat.signal(Signal::CONT);
        until("the lines that waited are recorded", || recorded(&bench) > bytes + 4_096);
        seat.look_on(Duration::from_millis(500));
        let board = plugged.board();
        assert!(board.sets[before..].iter().all(|(_, value)| *value == 0), "{:?}", &board.sets[before..]);
    }
    plugged.says(ON);
    plugged.until(true);
    seat.signal(Signal::TERM);
    assert_eq!(seat.ended().code(), Some(0));
}

/// Bytes of the recording.
fn recorded(bench: &Bench) -> u64 {
    std::fs::metadata(bench.path("data/kickpanel/recordings/000001-01.kpr")).map_or(0, |about| about.len())
}

/// J8: nobody takes what the port has to send, for seconds; what comes out afterwards is new. The needle's value tells when a
/// command was made: it follows the oil, which rises all the time.
#[test]
fn after_a_port_that_nobody_drained_no_old_command_comes_out() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, 300);
    // Opened before the program takes the port for itself.
    let flags = (OFlags::NONBLOCK | OFlags::NOCTTY).bits().cast_signed();
    let mut port = std::fs::OpenOptions::new().write(true).custom_flags(flags).open(bench.path("port0")).unwrap();
    let mut seat = Seat::start(&bench, &["drive", "--no-screen", "--no-record"]);
    plugged.until(true);
    plugged.board().deaf = true;
    // What the kernel takes is out of anybody's hands, so it is filled up with something else.
    while port.write(b"0123456789abcdef\n").is_ok() {}
    let step = Duration::from_millis(50);
    for counts in 301..361 {
        plugged.says(counts);
        seat.look_on(step);
        // The kernel may make room behind what it holds.
        while port.write(b"\n").is_ok() {}
    }
    let from = {
        let mut board = plugged.board();
        board.deaf = false;
        board.heard.len()
    };
    seat.look_on(Duration::from_millis(600));
    let heard = String::from_utf8_lossy(&plugged.board().heard[from..]).into_owned();
    let needle = |line: &str| line.split("\"f9\":").nth(1)?.split([',', '}']).next()?.parse::<u32>().ok();
    let needles: Vec<u32> = heard.lines().filter_map(needle).collect();
    // 0.5 V to 4.5 V of 5 V are 0 to 8 bar, and these 0 to 80 Hz: 97.75 mHz a count.
    let of = |counts: f64| (counts / 1_024.0 * 5.0 - 0.5) * 20_000.0;
    let oldest = f64::from(*needles.iter().min().expect("it goes on"));
    // 200 ms in the queue, 200 ms on its way into the port, and two steps of this test on a busy machine.
    assert!(oldest > of(360.0 - 10.0), "{oldest} of {} in {needles:?}", of(360.0));
    plugged.until(true);
    seat.signal(Signal::TERM);
    assert_eq!(seat.ended().code(), Some(0));
}

/// J7 and J6: the lock outlives the program, and a replay shows it as the drive did.
#[rstest]
#[case::restarts(true, "locked: two controller resets after switching on")]
#[case::does_not_follow(false, "locked: the pin did not follow")]
fn what_is_locked_stays_so_over_a_restart_of_the_program_until_a_person_acts(#[case] resets: bool, #[case] why: &str) {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.send("2");
    if resets {
        for _ in 0..2 {
            plugged.until(true);
            seat.look_on(Duration::from_millis(100));
            plugged.board().reset = true;
            plugged.until(false);
        }
    } else {
        plugged.board().stuck = Some(0);
    }
    seat.until(why);
    let file = bench.path("data/kickpanel/recordings/locked-outputs.json");
    until("the lock is on the disk", || file.exists());
    plugged.until(false);
    plugged.board().stuck = None;
    // As by a power cut.
    seat.signal(Signal::KILL);
    seat.ended();
    let mut again = Seat::start(&bench, &["drive"]);
    again.send("2");
    again.until(why);
    let before = plugged.board().sets.len();
    again.look_on(Duration::from_secs(1));
    assert!(plugged.board().sets[before..].iter().all(|(_, value)| *value == 0), "it stays off");
    again.send("q");
    again.ends_well();
    let mut replay = Seat::start(&bench, &["replay", &bench.name("data/kickpanel/recordings/000002-01.kpr")]);
    replay.send("2");
    replay.until(why);
    replay.send("q");
    replay.ends_well();
    let mut last = Seat::start(&bench, &["drive"]);
    last.send("2");
    last.until("u free outputs");
    last.send("u");
    last.until("hands off it?");
    last.look_on(Duration::from_millis(700));
    last.send("u");
    plugged.until(true);
    until("the lock is off the disk", || !file.exists());
    last.send("q");
    last.ends_well();
}

/// What was locked is not known, so nothing armed may be switched; a replay shows that as the drive did.
#[test]
fn a_damaged_file_of_locks_keeps_everything_off_until_a_person_acts() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let file = bench.path("data/kickpanel/recordings/locked-outputs.json");
    std::fs::create_dir_all(file.parent().unwrap()).unwrap();
    std::fs::write(&file, "").unwrap();
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("what was locked cannot be read");
    seat.send("2");
    seat.until("locked: what was locked cannot be read");
    seat.look_on(Duration::from_secs(1));
    assert!(plugged.board().sets.iter().all(|(_, value)| *value == 0), "it stays off");
    seat.send("u");
    seat.until("hands off it?");
    seat.look_on(Duration::from_millis(700));
    seat.send("u");
    plugged.until(true);
    until("the damaged file is gone", || !file.exists());
    seat.send("q");
    seat.ends_well();
    let recorded = bench.name("data/kickpanel/recordings/000001-01.kpr");
    let mut replay = Seat::start(&bench, &["replay", &recorded]);
    replay.send("2");
    replay.until("locked: what was locked cannot be read");
    replay.send("q");
    replay.ends_well();
}

/// A person frees a pin that is on against its order: it is locked again within a second, and says so.
#[test]
fn a_pin_that_still_misbehaves_is_locked_again_at_once() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, OFF);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    seat.until("6.0 bar");
    plugged.board().stuck = Some(1);
    seat.until("pin d7 does not follow  set off, is on");
    seat.send("2");
    seat.until("locked: the pin did not follow");
    seat.send("u");
    seat.until("hands off it?");
    seat.look_on(Duration::from_millis(700));
    seat.send("u");
    seat.until("freed, but a pin still does not follow");
    seat.until_that("it is free", |seat| !seat.text().contains("locked:"));
    seat.until("locked: the pin did not follow");
    seat.until("DANGER");
    seat.send("q");
    seat.ends_well();
}

/// What was on against its order is told as what was, once it is off, and by the next drive too.
#[test]
fn a_lock_kept_from_before_is_told_as_what_was() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, OFF);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("6.0 bar");
    plugged.board().stuck = Some(1);
    seat.until("pin d7 does not follow  set off, is on");
    plugged.board().stuck = None;
    seat.until("pin d7 did not follow  was on although set to off");
    seat.send("q");
    seat.ends_well();
    let mut again = Seat::start(&bench, &["drive"]);
    again.until("pin d7 did not follow  was on although set to off");
    assert!(!again.text().contains("is on"), "{}", again.text());
    plugged.board().stuck = Some(1);
    again.until("pin d7 does not follow  set off, is on");
    again.send("q");
    again.ends_well();
}
