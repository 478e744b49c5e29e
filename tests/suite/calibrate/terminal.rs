//! Pairs at the terminal, from a board that is plugged in.

use crate::verbs::bench::{Bench, until};
use crate::verbs::board::{Board, FOUR_BAR, SIX_BAR, config};
use crate::verbs::seat::Seat;

#[test]
fn a_person_at_the_terminal_takes_two_pairs_and_says_yes() {
    let bench = Bench::new();
    let port = bench.path("port");
    let text = config(port.to_str().unwrap());
    bench.write("kickpanel.toml", &text);
    let board = Board::at(&port, FOUR_BAR);
    let mut seat = Seat::sized(&bench, (40, 20), &["calibrate", "oil", "--against", "shop gauge"]);
    seat.until("gauge says>");
    seat.send("f");
    seat.until("no pair yet");
    seat.send("4.1\r");
    // It is too early, and said so; the text stays to be sent again.
    seat.until("not taken");
    seat.until("STEADY");
    seat.send("\r");
    seat.until("pair 1 taken");
    seat.send("9\r");
    seat.until("pair 2 taken");
    seat.send("u");
    seat.until("taken back");
    seat.is_within();
    board.say(SIX_BAR);
    seat.until("shown   6");
    seat.send("620 kPa\r");
    seat.until("not taken, still moving");
    seat.until("STEADY");
    seat.send("\r");
    seat.until("pair 2 taken");
    seat.is_within();
    seat.send("f");
    seat.until("[y/N]");
    assert_eq!(bench.read("kickpanel.toml"), text, "nothing before yes");
    seat.send("y\r");
    seat.ends_well();
    let new = bench.read("kickpanel.toml");
    assert!(
        new.contains("\n[channel.oil.calibration]\ngain = 1.04") && new.contains("against = \"shop gauge\"\n"),
        "{new}"
    );
    assert_eq!(bench.names(".").iter().filter(|name| name.starts_with("kickpanel.toml.")).count(), 1);
}

#[test]
fn q_or_a_break_ends_it_with_nothing_written() {
    for key in ["q", "\u{3}"] {
        let bench = Bench::new();
        let port = bench.path("port");
        bench.write("kickpanel.toml", config(port.to_str().unwrap()));
        let _board = Board::at(&port, FOUR_BAR);
        let mut seat = Seat::start(&bench, &["calibrate", "oil"]);
        seat.until("wait");
        seat.send(key);
        assert_eq!(seat.ended().code(), Some(1));
        assert_eq!(seat.errors(), "kickpanel: cancelled; nothing was written\n");
        seat.is_given_back();
        assert_eq!(bench.names(".").iter().filter(|name| name.contains("toml")).count(), 1);
    }
}

#[test]
fn a_break_at_the_question_is_a_no() {
    let bench = Bench::new();
    let port = bench.path("port");
    let text = config(port.to_str().unwrap());
    bench.write("kickpanel.toml", &text);
    let _board = Board::at(&port, FOUR_BAR);
    let mut seat = Seat::start(&bench, &["calibrate", "oil"]);
    seat.until("STEADY");
    seat.send("4.1\rf");
    seat.until("[y/N]");
    // A key of the terminal's would need a session of its own.
    seat.signal(rustix::process::Signal::INT);
    assert_eq!(seat.ended().code(), Some(1));
    assert_eq!((seat.errors().as_str(), bench.read("kickpanel.toml")), ("kickpanel: nothing was written\n", text));
    seat.is_given_back();
}

#[test]
fn while_a_drive_holds_the_port_it_refuses_in_words() {
    let bench = Bench::new();
    let port = bench.path("port");
    bench.write("kickpanel.toml", config(port.to_str().unwrap()));
    let board = Board::at(&port, FOUR_BAR);
    let mut drive = Seat::start(&bench, &["drive"]);
    until("the drive hears the board", || board.heard() > 10);
    let mut seat = Seat::start(&bench, &["calibrate", "oil"]);
    assert_eq!(seat.ended().code(), Some(3));
    let said = seat.errors();
    assert!(said.contains("is held by") && said.contains("calibrate from its recording"), "{said}");
    seat.is_given_back();
    drive.send("q");
    drive.ended();
}
