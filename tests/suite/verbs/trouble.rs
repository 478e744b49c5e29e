//! What keeps a drive from beginning, told in a sentence with status 3; and what it survives.

use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::os::unix::process::CommandExt as _;
use std::process::Command;

use rstest::rstest;
use rustix::fs::{CWD, FileType, Mode, mknodat};
use rustix::process::Signal;
use serde_json::Value;

use kickpanel::record::{Item, Recording};

use super::bench::{Bench, until};
use super::board::{Board, FOUR_BAR, SIX_BAR, config};
use super::driving::bench;
use super::seat::Seat;

const FOLDER: &str = "data/kickpanel/recordings";

/// Every note of a drive's first part, as it stands in the file, head and sums left out.
#[track_caller]
pub fn notes(bench: &Bench, drive: u32) -> Vec<Value> {
    let text = bench.read(&format!("{FOLDER}/{drive:06}-01.kpr"));
    let notes = text.lines().filter_map(|line| line.split('\t').skip_while(|column| *column != "!").nth(1));
    let notes = notes.map(|json| serde_json::from_str::<Value>(json).unwrap());
    notes.filter(|note| note["note"] != "recording" && note["note"] != "sum").collect()
}

/// The numbers of all readings of a drive, through the reader.
#[track_caller]
fn numbers(bench: &Bench, drive: u32) -> Vec<i64> {
    let path = bench.path(&format!("{FOLDER}/{drive:06}-01.kpr"));
    let mut recording = Recording::open(&[path]).unwrap();
    let mut numbers = Vec::new();
    while let Some(item) = recording.next().unwrap() {
        if let Item::Line(line) = item
            && let Ok(reading) = serde_json::from_slice::<Value>(line.bytes)
        {
            numbers.extend(reading["s"].as_i64());
        }
    }
    assert_eq!(recording.damage().bytes, 0);
    numbers
}

const ADVICE: &str = "Name the port as `device` in the config, best by a name below /dev/serial/by-id, which stays the \
    same wherever it is plugged in. To look at a recorded drive, use `kickpanel replay`.";

#[rstest]
#[case::folder("folder", "a folder")]
#[case::file("file", "an ordinary file")]
#[case::pipe("pipe", "a named pipe")]
#[case::null("null", "a device that is not a serial line")]
fn what_is_no_port_is_refused_in_a_sentence(#[case] name: &str, #[case] what: &str) {
    let bench = Bench::new();
    std::fs::create_dir(bench.path("folder")).unwrap();
    bench.write("file", "");
    mknodat(CWD, bench.path("pipe"), FileType::Fifo, Mode::from_raw_mode(0o600), 0).unwrap();
    symlink("/dev/null", bench.path("null")).unwrap();
    let device = bench.name(name);
    bench.write("kickpanel.toml", config(&device));
    let sentence = format!("kickpanel: link engine: {device} is no serial port but {what}. {ADVICE}\n");
    bench.run(&["drive", "--no-screen", "--no-record"]).refused(3, &sentence);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    assert_eq!(seat.ended().code(), Some(3));
    assert_eq!(seat.errors(), sentence, "the same on a terminal");
    seat.is_given_back();
}

#[test]
fn a_link_without_a_device_is_refused_in_a_sentence() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", "format = 1\n[link.engine]\nform = \"counts\"\n");
    bench.run(&["drive"]).refused(
        3,
        "kickpanel: link engine has no device; put `device = \"/dev/serial/by-id/…\"` under [link.engine] in kickpanel.toml\n",
    );
}

#[test]
fn without_a_terminal_nothing_is_opened_or_recorded() {
    let bench = bench();
    bench.run(&["demo", "--write", "a.kpr", "--minutes", "0.1"]).done();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    for (verb, instead) in [
        (["drive"].as_slice(), "use --no-screen"),
        (&["demo"], "use --no-screen"),
        (&["replay", "a.kpr"], "write the values with `kickpanel export`"),
    ] {
        let mut command = bench.command(verb);
        command.env("TERM", "xterm-256color");
        Bench::finish(command).refused(
            3,
            &format!("kickpanel: the screen needs a terminal, and the output is none; run it in one, or {instead}\n"),
        );
    }
    assert_eq!(board.heard(), -1, "opening resets a board");
    assert_eq!(bench.names("data"), [""; 0]);
}

#[rstest]
#[case::drive(&["drive"])]
#[case::demo(&["demo"])]
fn a_terminal_that_shows_text_only_is_refused_without_a_stray_byte(#[case] verb: &[&str]) {
    let bench = bench();
    let mut command = bench.command(verb);
    command.env("TERM", "dumb");
    let mut seat = Seat::with(command, (80, 24));
    assert_eq!(seat.ended().code(), Some(3));
    assert_eq!(
        seat.errors(),
        "kickpanel: the terminal says that it shows plain text only (TERM=dumb): no picture can be drawn on it; on a \
         terminal that can, set TERM, for example TERM=xterm-256color\n"
    );
    assert_eq!(seat.text(), "");
    assert_eq!(bench.names("data"), [""; 0]);
}

#[test]
fn a_terminal_of_one_cell_is_survived() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::sized(&bench, (1, 1), &["drive"]);
    until("readings are heard", || board.heard() > 20);
    seat.is_within();
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_second_drive_names_what_holds_the_port_and_the_first_loses_no_line() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    for _ in 0..3 {
        let second = bench.run(&["drive", "--no-screen"]);
        assert_eq!((second.status, second.out.as_str()), (Some(3), ""));
        assert_eq!(bench.names(FOLDER), ["000001-01.kpr"], "a drive that cannot begin takes no number");
        let sentence = format!(
            "kickpanel: link engine: {} is held by kickpanel (process {}). End it first. Only one program can read a port",
            bench.name("port0"),
            seat.id()
        );
        assert!(second.err.starts_with(&sentence), "{}", second.err);
    }
    let then = board.heard();
    until("readings go on", || board.heard() > then + 10);
    board.say("");
    seat.until("stale");
    assert!(seat.status().contains("0 lost"), "{}", seat.status());
    seat.send("q");
    seat.ends_well();
    let numbers = numbers(&bench, 1);
    let wanted: Vec<i64> = (numbers[0]..=board.heard()).collect();
    assert_eq!(numbers, wanted);
}

#[test]
fn a_killed_drive_leaves_a_recording_that_reads_and_the_next_takes_another_number() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    until("some seconds are recorded", || board.heard() > 150);
    seat.signal(Signal::KILL);
    assert_eq!(seat.ended().code(), None);
    let kept = numbers(&bench, 1);
    // How much is lost is measured in `killed`, two hundred times.
    assert!(!kept.is_empty() && kept.windows(2).all(|pair| pair[1] == pair[0] + 1));
    let before = bench.read(&format!("{FOLDER}/000001-01.kpr"));
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("drive 2 recording");
    seat.send("q");
    seat.ends_well();
    assert_eq!(bench.names(FOLDER), ["000001-01.kpr", "000002-01.kpr"]);
    assert_eq!(bench.read(&format!("{FOLDER}/000001-01.kpr")), before, "a part is never appended to after a restart");
}

/// Driving goes on: the value follows the board.
#[track_caller]
pub fn drives_on(seat: &mut Seat, board: &Board) {
    board.say(SIX_BAR);
    seat.until("6.0 bar");
    board.say(FOUR_BAR);
    seat.until("4.0 bar");
}

#[test]
fn a_recording_folder_that_cannot_be_made_is_told_and_driving_goes_on() {
    let bench = bench();
    bench.write("data", "");
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("recording stopped: its folder is not there and cannot be made; driving goes on");
    seat.until("! not recording");
    drives_on(&mut seat, &board);
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_recording_folder_that_may_not_be_written_is_told_and_driving_goes_on() {
    let bench = bench();
    std::fs::create_dir_all(bench.path(FOLDER)).unwrap();
    std::fs::set_permissions(bench.path(FOLDER), std::fs::Permissions::from_mode(0o555)).unwrap();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut command = bench.command(&["drive"]);
    if rustix::process::getuid().is_root() {
        // Root may write anywhere, so somebody else drives: with a copy, which that user can surely reach.
        std::fs::copy(env!("CARGO_BIN_EXE_kickpanel"), bench.path("program")).unwrap();
        std::fs::set_permissions(bench.path(""), std::fs::Permissions::from_mode(0o755)).unwrap();
        command = Command::new(bench.path("program"));
        bench.dress(&mut command);
        command.arg("drive").uid(65_534).gid(65_534);
    }
    let mut seat = Seat::with(command, (80, 24));
    seat.until("recording stopped: its folder cannot be written to; driving goes on");
    drives_on(&mut seat, &board);
    seat.send("q");
    seat.ends_well();
}
