//! What the controller says of itself, and that every line is right.

use kickpanel::wire::{Reset, ask_hello, set_rate};
use rstest::rstest;

use super::play::{Play, SECOND};

#[test]
fn the_first_thing_said_is_an_empty_line_and_then_what_the_board_has() {
    let told = Play::new().until(SECOND / 2);
    assert_eq!(told.lines[0].1, "", "a restart cuts a line: this ends it");
    let heard = told.heard();
    let (at, hello) = &heard.hellos[0];
    assert!(*at < 20_000, "the hello came after {at} us");
    assert_eq!((hello.format, hello.adc_max, hello.analog, hello.rate_hz), (1, 1023, 6, 50));
    assert_eq!((hello.board.as_str(), hello.reset), ("atmega328p", Reset::PowerOn));
    assert_eq!((&hello.pulse[..], &hello.digital[..], &hello.output[..]), (&[2, 3][..], &[4][..], &[7, 12][..]));
    assert_eq!((&hello.freq[..], &hello.duty[..]), (&[9][..], &[6][..]));
    assert_eq!(told.baud, 500_000);
}

#[test]
fn a_hello_comes_every_five_seconds_and_its_time_goes_on() {
    let heard = Play::new().until(21 * SECOND).heard();
    assert_eq!(heard.hellos.len(), 5);
    for pair in heard.hellos.windows(2) {
        let ((before_at, before), (at, hello)) = (&pair[0], &pair[1]);
        assert!((4_990_000..=5_010_000).contains(&(at - before_at)), "{}", at - before_at);
        assert!((4_990..=5_010).contains(&(hello.up_ms - before.up_ms)));
    }
}

#[test]
fn a_hello_that_is_asked_for_comes_at_once() {
    let asked = SECOND + 1;
    let heard = Play::new().raw(asked, ask_hello().as_bytes()).until(SECOND + SECOND / 2).heard();
    let (at, _) = heard.hellos[1];
    assert!(at > asked && at - asked < 30_000, "asked at {asked}, answered at {at}");
}

#[rstest]
#[case::least(1)]
#[case::three(3)]
#[case::usual(50)]
#[case::odd(77)]
#[case::most(200)]
fn a_rate_that_is_asked_for_is_answered_by_a_hello_and_kept(#[case] rate: u32) {
    let asked = SECOND;
    let line = set_rate(rate).unwrap();
    let heard = Play::new().raw(asked, line.as_bytes()).until(9 * SECOND).heard();
    let (at, hello) = heard.hellos.iter().find(|(at, _)| *at > asked).unwrap();
    assert!(at - asked < 30_000 && hello.rate_hz == rate, "{at} {hello:?}");
    // From the third second on, so that the last period of the old rate is over.
    let count = heard.readings.iter().filter(|read| (3 * SECOND..8 * SECOND).contains(&read.at)).count();
    let should = 5 * rate as usize;
    assert!(count.abs_diff(should) <= 1 + should / 200, "{count} readings in five seconds, {should} were asked for");
}

#[test]
fn every_line_is_right_and_none_is_missing_while_everything_runs() {
    let mut play = Play::new().at(0, "square 2 5000").at(0, "square 3 4999").at(0, "noise 7 40");
    for input in 0..6 {
        play.add(0, &format!("analog {input} {}", 700 * input + 350));
    }
    for tenth in 1..200 {
        let at = tenth * SECOND / 10;
        play = play.command(at, &super::play::set(r#""d7":1,"d12":1,"f9":4321000,"w6":321"#, 500));
    }
    let told = play.until(20 * SECOND);
    let heard = told.heard();
    assert!((998..=1000).contains(&heard.readings.len()), "{}", heard.readings.len());
    assert_eq!(told.overruns, 0);
}
