//! B8 of the catalogue of faults: the program is not let run for half a second, a thousand times on a hundred boards, and
//! no line is lost.
//!
//! The board skips a reading that does not fit, as a real one would lose it, so that a hole in the numbers is a loss. A
//! pseudo-terminal holds more than the 4 KiB that the kernel promises for a serial port; that those are enough for half a
//! second is arithmetic: fifty readings of 136 bytes a second are 6.8 kB/s, and 4 KiB of them 0.6 s.

use std::process::Stdio;

use kickpanel::record::{Item, Recording};
use rustix::process::Signal;
use serde_json::Value;

use super::bench::{Running, until};
use super::board::Board;
use super::driving::bench;

const LANES: usize = 100;
const STALLS: usize = 10;
/// Readings in half a second.
const HALF_A_SECOND: i64 = 25;
/// With number, clock and checksum a reading of the usual length.
const USUAL: &str =
    "\"ref\":225,\"a0\":512,\"a1\":512,\"a2\":300,\"a3\":87,\"p2\":[0,0],\"p3\":[0,0],\"d4\":1,\"a4\":400,\"d5\":0";

fn lane() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), USUAL);
    let mut command = bench.command(&["drive", "--no-screen"]);
    let mut program = Running::start(command.stdout(Stdio::null()).stderr(Stdio::null()));
    until("readings are heard", || board.heard() > 5);
    for _ in 0..STALLS {
        program.send(Signal::STOP);
        let stopped = board.heard();
        until("half a second passes", || board.heard() >= stopped + HALF_A_SECOND);
        program.send(Signal::CONT);
        let goes_on = board.heard();
        until("it catches up", || board.heard() >= goes_on + 5);
    }
    // What is on the wire is still read before the end is asked for.
    board.say("");
    let part = bench.path("data/kickpanel/recordings/000001-01.kpr");
    let last = format!("\"s\":{},", board.heard());
    until("the last reading is recorded", || std::fs::read_to_string(&part).is_ok_and(|text| text.contains(&last)));
    program.send(Signal::TERM);
    assert_eq!(program.ended().code(), Some(0));
    let mut recording = Recording::open(&[part]).unwrap();
    let mut numbers = Vec::new();
    while let Some(item) = recording.next().unwrap() {
        if let Item::Line(line) = item {
            let reading: Value = serde_json::from_slice(line.bytes).unwrap();
            numbers.extend(reading["s"].as_i64());
        }
    }
    let wanted: Vec<i64> = (numbers[0]..=board.heard()).collect();
    assert_eq!(numbers, wanted);
    assert!(numbers.len() >= STALLS * 30);
}

#[test]
fn half_a_second_without_a_turn_a_thousand_times_loses_no_line() {
    assert_eq!(LANES * STALLS, 1_000);
    std::thread::scope(|scope| (0..LANES).for_each(|_| drop(scope.spawn(lane))));
}
