//! C2 of the catalogue of faults: `kill -9` at random moments, two hundred times, on twenty boards at once.

use std::process::Stdio;
use std::time::{Duration, Instant};

use kickpanel::record::{Item, Recording};
use rustix::process::Signal;
use serde_json::Value;

use super::bench::{Bench, Running, until};
use super::board::{Board, FOUR_BAR};
use super::driving::bench;

const LANES: u64 = 20;
const KILLS: u32 = 10;
const FOLDER: &str = "data/kickpanel/recordings";
/// The contract is 1 s, which is measured by hand on a machine that is at rest; on one that is busy with all other tests a
/// thread may wait for seconds. What must never be is a drive that is lost from its beginning.
const MOST_LOST: Duration = Duration::from_secs(5);

/// The numbers of the readings of a drive; what follows its last LF is dropped by the reader.
#[track_caller]
fn kept(bench: &Bench, drive: u32) -> Vec<i64> {
    let path = bench.path(&format!("{FOLDER}/{drive:06}-01.kpr"));
    let mut numbers = Vec::new();
    // A drive that was killed before its first second was written has an empty file, or none.
    let Ok(mut recording) = Recording::open(&[path]) else { return numbers };
    while let Some(item) = recording.next().unwrap() {
        if let Item::Line(line) = item {
            let reading: Value = serde_json::from_slice(line.bytes).unwrap();
            numbers.extend(reading["s"].as_i64());
        }
    }
    numbers
}

/// Kills the drives of one board; gives how much of each was lost.
fn lane(seed: u64) -> Vec<Duration> {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut state = seed;
    let mut lost = Vec::new();
    for drive in 1..=KILLS {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let before = board.heard();
        let mut command = bench.command(&["drive", "--no-screen"]);
        let mut program = Running::start(command.stdout(Stdio::null()).stderr(Stdio::null()));
        // Two seconds and a half, in which the recorder writes at least twice, at any of their readings.
        let moment = before + 1 + i64::try_from((state >> 33) % 125).unwrap();
        until("the drive is under way", || board.heard() >= moment);
        program.send(Signal::KILL);
        let killed = Instant::now();
        assert_eq!(program.ended().code(), None);
        let kept = kept(&bench, drive);
        if let (Some(first), Some(last)) = (kept.first(), kept.last()) {
            // Where the machine gives the program no turn for a second, its port is full, and no board is heard.
            assert_eq!(kept, board.heard_within(*first, *last), "lane {seed}, drive {drive}");
        }
        let first_lost = kept.last().map_or(before + 1, |last| last + 1);
        lost.push(board.heard_at(first_lost).map_or(Duration::ZERO, |at| killed.saturating_duration_since(at)));
    }
    // Each start took a number of its own and left the others alone.
    let names: Vec<_> = bench.names(FOLDER);
    assert!(names.len() <= KILLS as usize && names.is_sorted(), "{names:?}");
    lost
}

#[test]
fn two_hundred_kills_at_random_moments_cost_at_most_the_last_second() {
    let mut lost: Vec<Duration> = std::thread::scope(|scope| {
        let lanes: Vec<_> = (1..=LANES).map(|seed| scope.spawn(move || lane(seed))).collect();
        lanes.into_iter().flat_map(|lane| lane.join().unwrap()).collect()
    });
    lost.sort();
    assert_eq!(lost.len(), 200);
    println!("lost: median {:?}, worst five {:?}", lost[100], &lost[195..]);
    assert!(lost[199] <= MOST_LOST, "{:?}", &lost[195..]);
}
