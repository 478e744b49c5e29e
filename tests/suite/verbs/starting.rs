//! A signal at any instant of a start leaves the terminal as it was.
//!
//! A signal in the first milliseconds once found the terminal taken and nobody listening yet: the program was ended by
//! the system, and the shell was left without echo on the second screen. Half of the signals here come at instants from
//! the start on, half from the very first byte on that the program sends to its terminal, which is when it takes it.

use std::os::unix::process::ExitStatusExt as _;
use std::time::Duration;

use rstest::rstest;
use rustix::process::Signal;

use super::driving::bench;
use super::seat::Seat;

/// Starts of each verb.
const STARTS: u64 = 60;
/// From one instant after the start to the next, µs.
const STEP: u64 = 500;
/// From one instant after the first byte to the next, µs.
const FINE_STEP: u64 = 50;

#[rstest]
#[case::drive(&["drive"])]
#[case::replay(&["replay", "a.kpr"])]
#[case::demo(&["demo"])]
fn a_signal_at_any_instant_of_a_start_leaves_the_terminal_as_it_was(#[case] arguments: &[&str]) {
    let bench = bench();
    bench.run(&["demo", "--write", "a.kpr", "--minutes", "0.05"]).done();
    for number in 0..STARTS {
        let signal = [Signal::TERM, Signal::INT, Signal::HUP][usize::try_from(number % 3).unwrap()];
        let mut seat = Seat::start(&bench, arguments);
        let is_taken = number % 2 == 1;
        if is_taken {
            seat.until_the_first_byte();
            seat.look_on(Duration::from_micros(number / 2 * FINE_STEP));
        } else {
            seat.look_on(Duration::from_micros(number / 2 * STEP));
        }
        seat.signal(signal);
        let status = seat.ended();
        let what = format!("start {number}, {signal:?}, {status}: {}", seat.errors());
        // Before it listens the system may end it: the terminal must not have been touched by then.
        let by_signal = !is_taken && status.signal() == Some(signal.as_raw());
        assert!(status.code() == Some(0) || by_signal, "{what}");
        assert_eq!(seat.errors(), "", "{what}");
        seat.is_given_back();
    }
}
