//! `replay` on a terminal: the value at a place, and what each key does to the line below.

use std::fmt::Write as _;

use kickpanel::record::{Item, Recording};
use rstest::rstest;

use super::bench::Bench;
use super::board::{Board, CHANNEL, FOUR_BAR, SIX_BAR, reading};
use super::driving::bench;
use super::seat::Seat;

/// How long the recording is, with a reading each 20 ms.
const SECONDS: u16 = 30;

/// A recording in which `a1` rises by one count with every second reading, and a mark at 12 s. Without sums: they are
/// not asked for.
fn recorded() -> Bench {
    let bench = Bench::new();
    let config =
        format!("format = 1\n[link.engine]\nreference = \"1.1 V\"\n{}", CHANNEL.replace("digits = 1", "digits = 3"));
    let head = serde_json::json!({ "note": "recording", "format": 1, "program": "by hand", "drive": 7, "part": 1,
        "clock": "unset", "config": config });
    let mut text = format!("0\t-\t!\t{head}\n0\tengine\t!\t{{\"note\":\"link\",\"state\":\"up\"}}\n");
    for number in 0..SECONDS * 50 {
        let line = reading(number, &format!("\"ref\":225,\"a1\":{}", counts(number)));
        write!(text, "{}\tengine\t<\t{line}", u32::from(number) * 20).unwrap();
        if number == 12 * 50 {
            text.push_str("12000\t-\t!\t{\"note\":\"mark\",\"text\":\"\"}\n");
        }
    }
    bench.write("drive.kpr", text);
    bench
}

fn counts(number: u16) -> u16 {
    200 + number / 2
}

/// What is shown of reading `number`: by hand, from the config. The share of the supply does not depend on the supply.
fn shown(number: u16) -> String {
    let volts = f64::from(counts(number)) / 1024.0 * 5.0;
    format!("{:.3} bar", (volts - 0.5) / 4.0 * 8.0)
}

/// The status line begins with the state and the place.
#[track_caller]
fn stands(seat: &mut Seat, state: &str, place: &str) {
    let begins = format!(" {state}  {place} of 0:29.9");
    seat.until_that(&format!("{begins:?} is the status"), |seat| seat.status().starts_with(&begins));
}

#[test]
fn a_replay_stands_where_it_is_told_and_every_key_moves_it() {
    let bench = recorded();
    let mut seat = Seat::start(&bench, &["replay", "drive.kpr", "--from", "10", "--paused"]);
    stands(&mut seat, "standing", "0:10.0");
    seat.until(&shown(500));
    seat.send("f");
    seat.until(&shown(502 - 1));
    for _ in 0..4 {
        seat.send("f");
    }
    stands(&mut seat, "standing", "0:10.1");
    seat.until(&shown(505));
    seat.send("b");
    seat.until(&shown(504));
    seat.send("\x1b[C");
    stands(&mut seat, "standing", "0:20.0");
    seat.until(&shown(1004));
    // Not before --from, however often.
    seat.send("\x1b[D\x1b[D\x1b[D");
    stands(&mut seat, "standing", "0:10.0");
    seat.send("l");
    stands(&mut seat, "standing", "0:12.0");
    seat.until(&shown(600));
    seat.until("mark 1 of 1 at 0:12.0");
    seat.send("l");
    seat.until("no mark or alarm is later than this");
    seat.send("a");
    seat.until("at the end it will begin again; a: stop at the end");
    seat.until_that("it says that it begins again", |seat| seat.status().contains("over again"));
    seat.send("a");
    seat.until_that("it no longer says so", |seat| !seat.status().contains("over again"));
    seat.send("\x1b[A ");
    seat.until_that("it plays at twice the speed", |seat| seat.status().starts_with(" replay x2 "));
    seat.send("\x1b[B\x1b[B");
    seat.until_that("it plays at half the speed", |seat| seat.status().starts_with(" replay x0.5 "));
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_replay_ends_where_it_is_told_and_begins_again_by_a_key() {
    let bench = recorded();
    let mut seat = Seat::start(&bench, &["replay", "drive.kpr", "--from", "1", "--to", "0:03", "--speed", "10"]);
    stands(&mut seat, "end", "0:03.0");
    seat.until(&shown(150));
    // What works there is shown, and nothing else.
    seat.until("a again  left 10 s back");
    assert!(!seat.text().contains("space") && !seat.text().contains("right"), "{}", seat.text());
    seat.send(" ");
    seat.until("this is the end; a: play again from the beginning");
    seat.send("a");
    seat.until("playing again from the beginning, and so at each end; a: stop at the end");
    seat.until_that("it plays", |seat| seat.status().starts_with(" replay x10 "));
    seat.send("q");
    seat.ends_well();
}

#[rstest]
#[case::phone((40, 20))]
#[case::small_panel((53, 15))]
fn all_keys_are_listed_by_one_of_them_and_can_be_tapped(#[case] size: (u16, u16)) {
    let bench = recorded();
    let mut seat = Seat::sized(&bench, size, &["replay", "drive.kpr", "--from", "10", "--paused"]);
    seat.until("? keys");
    seat.until(&shown(500));
    seat.send("?");
    seat.until("l      to the mark or alarm after");
    for about in ["space  go on", "f      one line on, and stop", "up     faster", "q      quit"] {
        assert!(seat.text().contains(about), "{about} is not in\n{}", seat.text());
    }
    seat.is_within();
    let row = seat.text().lines().position(|line| line.contains("l      to the mark")).unwrap();
    seat.send(&format!("\x1b[<0;12;{}M", row + 1));
    // It does what it says, and the page is back.
    seat.until(&shown(600));
    seat.until("mark 1 of 1 at 0:12.0");
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_replay_from_standard_input_is_played_too() {
    let bench = recorded();
    let mut command = bench.command(&["replay", "-", "--from", "5", "--paused"]);
    // The seat gives its own standard input, so a shell redirects.
    let mut shell = std::process::Command::new("/bin/sh");
    bench.dress(&mut shell);
    shell.args(["-c", &format!("exec {} replay - --from 5 --paused < drive.kpr", command.get_program().display())]);
    command = shell;
    let mut seat = Seat::with(command, (80, 24));
    stands(&mut seat, "standing", "0:05.0");
    seat.until(&shown(250));
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_changed_layout_is_rehearsed_on_an_old_recording() {
    let bench = recorded();
    let config =
        format!("format = 1\n[link.engine]\nreference = \"1.1 V\"\n{}", CHANNEL.replace("Oil pressure", "Lubrication"));
    bench.write("other.toml", config);
    let mut seat = Seat::start(&bench, &["-c", "other.toml", "replay", "drive.kpr", "--from", "10", "--paused"]);
    seat.until("Lubrication");
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_drive_is_replayed_from_its_own_recording() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    board.say(SIX_BAR);
    seat.until("6.0 bar");
    seat.send("q");
    seat.ends_well();
    let name = "data/kickpanel/recordings/000001-01.kpr";
    let mut recording = Recording::open(&[bench.path(name)]).unwrap();
    let mut last = 0;
    while let Some(item) = recording.next().unwrap() {
        if let Item::Line(line) = item {
            last = line.at.unwrap().0;
        }
    }
    let mut seat = Seat::start(&bench, &["replay", name, "--speed", "100"]);
    seat.until_that("it has come to its end", |seat| seat.status().starts_with(" end "));
    seat.until("6.0 bar");
    assert!(last > 0);
    seat.send("q");
    seat.ends_well();
}
