//! `demo`: written at once, and on terminals of every size.

use rstest::rstest;

use super::bench::Bench;
use super::seat::Seat;

#[test]
fn standard_output_plain_and_packed_hold_the_same_recording() {
    let bench = Bench::new();
    let out = bench.run(&["demo", "--write", "-", "--minutes", "0.1"]).done();
    bench.run(&["demo", "filter", "--seed", "1", "--write", "a.kpr", "--minutes", "0.1"]).done();
    bench.run(&["demo", "--story", "filter", "--write", "b.kpr.zst", "--minutes", "0.1"]).done();
    assert_eq!(bench.read("a.kpr"), out);
    let packed = std::fs::read(bench.path("b.kpr.zst")).unwrap();
    assert_eq!(String::from_utf8(zstd::decode_all(packed.as_slice()).unwrap()).unwrap(), out);
    assert_eq!(bench.names("."), ["a.kpr", "b.kpr.zst"], "and nothing else was written");
    let other = bench.run(&["demo", "--seed", "2", "--write", "-", "--minutes", "0.1"]).done();
    assert_ne!(other, out);
}

#[test]
fn where_it_cannot_be_written_a_sentence_says_why() {
    let bench = Bench::new();
    std::fs::create_dir(bench.path("folder")).unwrap();
    bench.write("file", "");
    for (name, why) in [
        ("folder", "it is a folder; name a file in it"),
        ("nowhere/x.kpr", "the folder that it is to stand in is not there; make it first"),
        ("file/x.kpr", "what it is to stand in is no folder; check the path"),
        ("/dev/full", "the disk is full; make room first"),
    ] {
        bench
            .run(&["demo", "--write", name, "--minutes", "0.1"])
            .refused(3, &format!("kickpanel: cannot write {name}: {why}\n"));
    }
}

#[test]
fn a_recording_that_is_there_is_not_written_over() {
    let bench = Bench::new();
    bench.write("x.kpr", "a real drive");
    bench.run(&["demo", "--write", "x.kpr", "--minutes", "0.1"]).refused(
        3,
        "kickpanel: x.kpr is there already and is not written over; give another name, or remove it first\n",
    );
    assert_eq!(bench.read("x.kpr"), "a real drive");
}

#[rstest]
#[case::phone(40, 20)]
#[case::panel(53, 15)]
#[case::usual(80, 24)]
#[case::large(200, 60)]
fn a_demo_shows_its_channels_and_nothing_overflows(#[case] columns: u16, #[case] rows: u16) {
    let bench = Bench::new();
    let mut seat = Seat::sized(&bench, (columns, rows), &["demo", "--no-record"]);
    for label in ["Engine", "Speed", "Oil pres", "Coolant"] {
        seat.until(label);
    }
    // Readings come: the rate of lines stands in the status line, and so values are drawn.
    seat.until_that("the link is up", |seat| seat.status().contains("lines/s") && !seat.status().starts_with(" 0 "));
    seat.is_within();
    for page in ["2", "3", "1"] {
        seat.send(page);
        seat.until_that("something is drawn", |seat| seat.text().lines().count() > 3);
        seat.is_within();
    }
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_demo_records_beside_the_real_drives_and_says_how_to_see_it_again() {
    let bench = Bench::new();
    let mut seat = Seat::start(&bench, &["demo"]);
    seat.until("drive 1 recording");
    seat.send("q");
    seat.ends_well();
    assert_eq!(bench.names("data/kickpanel"), ["demo"]);
    assert_eq!(bench.names("data/kickpanel/demo"), ["000001-01.kpr"]);
    assert!(seat.text().contains("This drive was recorded. To see it again:"), "{}", seat.text());
}

#[test]
fn a_demo_names_its_own_recording_where_another_began_meanwhile() {
    let bench = Bench::new();
    let mut seat = Seat::start(&bench, &["demo"]);
    seat.until("drive 1 recording");
    let mut other = Seat::start(&bench, &["demo"]);
    other.until("drive 2 recording");
    for (seat, own) in [(&mut seat, "000001-01.kpr"), (&mut other, "000002-01.kpr")] {
        seat.send("q");
        seat.ends_well();
        let (text, own) = (seat.text().replace('\n', ""), format!("demo/{own}"));
        assert!(text.contains("kickpanel replay") && text.contains(&own), "{own}:\n{text}");
    }
}

#[test]
fn a_demo_that_could_not_record_does_not_name_an_older_one() {
    let bench = Bench::new();
    // A recording is there, but its folder can no longer be added to: it is a file.
    bench.write("data/kickpanel/demo", "");
    let mut seat = Seat::start(&bench, &["demo"]);
    seat.until("recording stopped");
    seat.send("q");
    seat.ends_well();
    assert!(!seat.text().contains("To see it again"), "{}", seat.text());
}
