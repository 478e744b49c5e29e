//! What a drive writes down reads back as what the board said.

use kickpanel::record::{Item, Recording};

use super::bench::until;
use super::board::{Board, FOUR_BAR, reading};
use super::driving::bench;
use super::seat::Seat;

#[test]
fn every_line_stands_in_the_recording_byte_for_byte_and_in_the_order_it_came() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    until("a second is heard", || board.heard() > 50);
    board.say("");
    seat.until("stale");
    seat.send("q");
    seat.ends_well();
    let mut recording = Recording::open(&[bench.path("data/kickpanel/recordings/000001-01.kpr")]).unwrap();
    let (mut lines, mut sent, mut times) = (Vec::new(), Vec::new(), Vec::new());
    while let Some(item) = recording.next().unwrap() {
        match item {
            Item::Line(line) => {
                lines.push(String::from_utf8(line.bytes.to_vec()).unwrap());
                times.push(line.at.unwrap());
            }
            Item::Sent(line) => sent.push(String::from_utf8(line.bytes.to_vec()).unwrap()),
            _ => {}
        }
    }
    let last = u16::try_from(board.heard()).unwrap();
    let first = last + 1 - u16::try_from(lines.len()).unwrap();
    let wanted: Vec<String> = (first..=last).map(|number| reading(number, FOUR_BAR).trim_end().to_owned()).collect();
    assert_eq!(lines, wanted);
    assert!(times.is_sorted());
    assert_eq!(sent, [kickpanel::wire::ask_hello().trim_end()], "the question for a hello went out once");
}
