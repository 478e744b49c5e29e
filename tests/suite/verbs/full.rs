//! C5 of the catalogue of faults, with the built program: no room on a real disk, and room again.
//!
//! A small disk is mounted in name spaces of the program's own where the kernel lets this user do that. Everywhere else,
//! too, the kernel itself refuses the writes: a limit on the size of files is put on the running program and taken away.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::io::Write as _;
use std::process::Command;
use std::time::Instant;

use kickpanel::record::{Item, Recording};
use rustix::process::{Pid, Resource, Rlimit, getrlimit, prlimit};
use serde_json::Value;

use super::bench::{Bench, until};
use super::board::{Board, FOUR_BAR};
use super::driving::bench;
use super::seat::Seat;
use super::trouble::drives_on;

/// Readings of about 900 bytes fill a small disk within a second or two.
fn long_readings() -> String {
    let mut members = FOUR_BAR.to_owned();
    for number in 0..80 {
        write!(members, ",\"x{number}\":1234").unwrap();
    }
    members
}

/// What stands in all parts in `folder`: the numbers of the readings in order, and the parts that heads say went before.
#[track_caller]
fn recorded(bench: &Bench, folder: &str) -> (Vec<i64>, Vec<Value>) {
    let mut recording = Recording::open(&[bench.path(folder)]).unwrap();
    let (mut numbers, mut again) = (Vec::new(), Vec::new());
    while let Some(item) = recording.next().unwrap() {
        match item {
            Item::Line(line) => {
                let reading: Value = serde_json::from_slice(line.bytes).unwrap();
                numbers.extend(reading["s"].as_i64());
            }
            Item::Head(head) => again.extend(head.again.iter().map(|again| serde_json::to_value(again).unwrap())),
            _ => {}
        }
    }
    assert_eq!(recording.damage().bytes, 0);
    (numbers, again)
}

/// No reading is missing between the first and the last, none stands there twice, and a head tells of the part that failed.
#[track_caller]
fn nothing_is_missing(bench: &Bench, folder: &str, last: i64) {
    let (numbers, again) = recorded(bench, folder);
    let wanted: Vec<i64> = (numbers[0]..=last).collect();
    assert_eq!(numbers, wanted);
    assert!(bench.names(folder).len() >= 2, "it went on in a new part: {:?}", bench.names(folder));
    assert_eq!(again.first().map(|again| &again["part"]), Some(&Value::from(1)), "{again:?}");
    assert_eq!(again.iter().map(ToString::to_string).collect::<BTreeSet<_>>().len(), again.len(), "{again:?}");
}

/// `drive` with a disk of 2 MiB at `data`, of which all but 64 KiB is taken until there is a file `room`; `None` where the kernel lets
/// this user mount none. What was recorded is in `kept` afterwards.
fn on_a_small_disk(bench: &Bench) -> Option<Command> {
    let mount = "mount -t tmpfs -o size=2m none data";
    let shell = |script: String| {
        let mut command = Command::new("/usr/bin/unshare");
        bench.dress(&mut command);
        command.env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin").args(["-rm", "/bin/sh", "-c", &script]);
        command
    };
    std::fs::create_dir(bench.path("data")).unwrap();
    let can = shell(mount.to_owned()).status().is_ok_and(|status| status.success());
    // Whoever clears the disk looks twenty times a second and gives up after half a minute.
    let clear = "for n in $(seq 600); do [ -e room ] && break; sleep 0.05; done; rm data/ballast";
    let program = env!("CARGO_BIN_EXE_kickpanel");
    can.then(|| {
        shell(format!(
            "{mount} && head -c 2031616 /dev/zero > data/ballast || exit 99\n({clear}) <&- >&- 2>&- &\n{program} drive\n\
             status=$?; cp -r data/kickpanel/recordings kept; exit $status"
        ))
    })
}

#[test]
fn a_full_disk_is_told_driving_goes_on_and_recording_resumes_by_itself_once_there_is_room() {
    let bench = bench();
    let Some(command) = on_a_small_disk(&bench) else {
        // Past the capture of the test runner, so that it is seen in a run that passes.
        let said = b"NOT SHOWN HERE: a full file system (this system lets nobody mount one); refused writes are, in the test beside it\n";
        std::io::stderr().write_all(said).unwrap();
        return;
    };
    let board = Board::at(&bench.path("port0"), &long_readings());
    let mut seat = Seat::with(command, (80, 24));
    seat.until("4.0 bar");
    seat.until("recording stopped: disk full; driving goes on");
    drives_on(&mut seat, &board);
    bench.write("room", "");
    let room = Instant::now();
    seat.until_that("recording goes on", |seat| !seat.text().contains("recording stopped"));
    println!("resumed {:?} after there was room", room.elapsed());
    seat.until("drive 1 recording");
    board.say("");
    seat.until("stale");
    seat.send("q");
    seat.ends_well();
    nothing_is_missing(&bench, "kept", board.heard());
}

/// So many bytes may a file of `seat`'s program have from now on.
#[track_caller]
fn limit(seat: &Seat, bytes: Option<u64>) {
    let pid = Pid::from_raw(seat.id().cast_signed()).unwrap();
    // The hard limit stays as it is, so that anyone may lift the other again.
    let maximum = getrlimit(Resource::Fsize).maximum;
    prlimit(Some(pid), Resource::Fsize, Rlimit { current: bytes.or(maximum), maximum }).unwrap();
}

#[test]
fn writes_that_the_kernel_refuses_are_told_and_recording_resumes_by_itself_once_it_does_not() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    let part = bench.path("data/kickpanel/recordings/000001-01.kpr");
    until("something is safe", || std::fs::read_to_string(&part).is_ok_and(|text| text.contains("\"sum\"")));
    limit(&seat, Some(0));
    seat.until("recording stopped: ");
    seat.until("! not recording");
    drives_on(&mut seat, &board);
    limit(&seat, None);
    let room = Instant::now();
    seat.until_that("recording goes on", |seat| !seat.text().contains("recording stopped"));
    println!("resumed {:?} after writes were let through", room.elapsed());
    seat.until("drive 1 recording");
    board.say("");
    seat.until("stale");
    seat.send("q");
    seat.ends_well();
    nothing_is_missing(&bench, "data/kickpanel/recordings", board.heard());
}
