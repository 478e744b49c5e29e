//! Restarts: their cause, outputs at rest, the watchdog.

use kickpanel::wire::Reset;
use rstest::rstest;

use super::play::{OUTPUTS, Play, SECOND, Told, set};

const ALL_ON: &str = r#""d7":1,"d12":1,"f9":1234000,"w6":1000"#;

/// All outputs on at one second, `what` at two.
#[track_caller]
fn with_all_on(what: &str) -> Told {
    Play::new().command(SECOND, &set(ALL_ON, 5_000)).at(2 * SECOND, what).until(4 * SECOND)
}

/// From `from` on no output is high.
#[track_caller]
fn at_rest_from(told: &Told, from: u64) {
    for pin in OUTPUTS {
        let moves = told.of_pin(pin);
        let (at, level) = *moves.last().unwrap();
        assert!(!level && at <= from, "pin {pin} is {level} since {at}");
        assert!(moves.iter().any(|(_, level)| *level), "pin {pin} was never on");
    }
}

#[test]
fn no_output_is_ever_high_before_the_first_command() {
    let told = Play::new().until(2 * SECOND);
    assert_eq!(told.of_outputs(), []);
}

#[rstest]
#[case::power("power", Reset::PowerOn)]
#[case::external("external", Reset::External)]
#[case::brown_out("brown-out", Reset::BrownOut)]
#[case::watchdog("watchdog", Reset::Watchdog)]
fn a_restart_tells_its_cause_and_leaves_all_outputs_at_rest(#[case] word: &str, #[case] cause: Reset) {
    let told = with_all_on(&format!("reset {word}"));
    at_rest_from(&told, 2 * SECOND + 10);
    let heard = told.heard_over_restarts();
    assert!(heard.refused.len() <= 1, "{:?}", heard.refused);
    assert_eq!((heard.restarts, heard.lost), (1, 0));
    let (at, hello) = heard.hellos.last().unwrap();
    assert_eq!(hello.reset, cause);
    assert!(*at > 2 * SECOND && *at < 2 * SECOND + 20_000, "the hello came at {at}");
    let first = heard.after(2 * SECOND + 5_000);
    assert!(first.reading.t < 100_000 && first.number("d7") == 0.0);
    assert_eq!(told.resets.len(), 2, "its watchdog does not bite after the restart");
}

#[test]
fn the_cause_is_that_of_the_newest_restart_not_of_one_before() {
    let told = Play::new()
        .at(SECOND, "reset watchdog")
        .at(2 * SECOND, "reset external")
        .at(3 * SECOND, "reset brown-out")
        .at(4 * SECOND, "reset external")
        .until(5 * SECOND);
    let causes: Vec<_> = told.heard_over_restarts().hellos.iter().map(|(_, hello)| hello.reset).collect();
    assert_eq!(causes, [Reset::PowerOn, Reset::Watchdog, Reset::External, Reset::BrownOut, Reset::External]);
}

#[test]
fn a_loop_that_stops_is_restarted_within_300_ms_and_all_outputs_go_to_rest() {
    let told = with_all_on("stop_loop");
    let [_, (reset, cause)] = &told.resets[..] else { panic!("{:?}", told.resets) };
    assert_eq!(cause, "watchdog");
    assert!(reset - 2 * SECOND <= 300_000, "restarted after {} us", reset - 2 * SECOND);
    at_rest_from(&told, reset + 10);
    assert_eq!(told.heard_over_restarts().hellos.last().unwrap().1.reset, Reset::Watchdog);
}

#[test]
fn a_lease_ends_in_time_though_the_loop_stopped() {
    let told = Play::new().command(SECOND, &set(ALL_ON, 100)).at(SECOND + 50_000, "stop_loop").until(2 * SECOND);
    let (reset, _) = told.resets[1];
    for pin in [7, 12] {
        let (off, _) = told.of_pin(pin)[1];
        println!("pin {pin} off {} us after the command, reset after {}", off - SECOND, reset - SECOND);
        // Sent in 2 ms; long before the watchdog would end it.
        assert!(off - SECOND <= 120_000 && off < reset, "pin {pin} is at rest by its lease, not by the watchdog");
    }
}

#[test]
fn twenty_restarts_in_a_minute_are_each_told_and_nothing_else_is_lost() {
    let mut play = Play::new();
    for restart in 1..=20_u64 {
        // Instants that fall on other places of a line each time.
        play.add(restart * 500_000 + restart * restart * 137, "reset brown-out");
    }
    let told = play.until(11 * SECOND);
    let heard = told.heard_over_restarts();
    assert_eq!(heard.hellos.len(), 21);
    assert_eq!((heard.restarts, heard.lost), (20, 0));
    assert!(heard.refused.len() <= 20, "{:?}", heard.refused);
}
