//! Every way in which a drive ends gives the terminal back and closes the recording. The contract says within 1 s; here
//! it is that it happens at all within the patience of [`super::bench`].

use rstest::rstest;
use rustix::process::Signal;

use super::bench::Bench;
use super::board::{Board, FOUR_BAR};
use super::driving::bench;
use super::seat::Seat;
use super::trouble::notes;

fn driving(bench: &Bench) -> (Board, Seat) {
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(bench, &["drive"]);
    seat.until("4.0 bar");
    seat.until("drive 1 recording");
    (board, seat)
}

#[rstest]
#[case::q("q")]
#[case::control_c("\x03")]
fn a_key_ends_it(#[case] key: &str) {
    let bench = bench();
    let (_board, mut seat) = driving(&bench);
    seat.send(key);
    seat.ends_well();
    assert_eq!(notes(&bench, 1).last().unwrap()["note"], "closed");
}

#[rstest]
#[case::terminate(Signal::TERM)]
#[case::interrupt(Signal::INT)]
#[case::hang_up(Signal::HUP)]
fn a_signal_ends_it(#[case] signal: Signal) {
    let bench = bench();
    let (_board, mut seat) = driving(&bench);
    seat.signal(signal);
    seat.ends_well();
    assert_eq!(notes(&bench, 1).last().unwrap()["note"], "closed");
}

#[test]
fn a_terminal_that_goes_away_ends_it() {
    let bench = bench();
    let (_board, mut seat) = driving(&bench);
    seat.hang_up();
    assert_eq!(seat.ended().code(), Some(0), "{}", seat.errors());
    assert_eq!(notes(&bench, 1).last().unwrap()["note"], "closed");
}

#[rstest]
#[case::terminate(Signal::TERM)]
#[case::interrupt(Signal::INT)]
#[case::hang_up(Signal::HUP)]
fn a_signal_ends_a_replay_too(#[case] signal: Signal) {
    let bench = Bench::new();
    bench.run(&["demo", "--write", "a.kpr", "--minutes", "0.1"]).done();
    let mut seat = Seat::start(&bench, &["replay", "a.kpr", "--loop"]);
    seat.until("replay x1");
    seat.signal(signal);
    seat.ends_well();
}
