//! G1 of the catalogue of faults with the built program: two hundred texts in each place that its messages quote.

use std::os::unix::ffi::OsStrExt as _;

use kickpanel::record::Mark;
use kickpanel::record::format::write_line;
use kickpanel::text::is_showable;
use kickpanel::time::Stamp;
use kickpanel::wire::seal;
use rstest::rstest;

use super::bench::Bench;
use super::board::{CHANNEL, FOUR_BAR, config, reading};
use super::seat::Seat;
use crate::unfriendly::{assert_safe, corpus};

/// Those that can be an argument or a name; the kernel takes no NUL in either.
fn names() -> Vec<String> {
    corpus().into_iter().filter(|text| !text.contains('\0')).collect()
}

/// Runs the program and looks at every byte that it writes.
#[track_caller]
fn says_safely(bench: &Bench, arguments: &[&str]) -> Option<i32> {
    let ran = bench.run(arguments);
    assert_safe(&ran.out, &format!("{arguments:?}"));
    assert_safe(&ran.err, &format!("{arguments:?}"));
    assert!(!ran.err.is_empty(), "{arguments:?} is told of");
    ran.status
}

// In each of these `$` is the text.
#[rstest]
#[case::config(&["-c", "$", "check"], 3)]
#[case::recording(&["export", "$"], 3)]
#[case::replayed(&["replay", "$"], 3)]
#[case::folder_of_a_recording(&["demo", "--minutes", "0.01", "--write", "$/nowhere/x.kpr"], 3)]
#[case::verb(&["$"], 2)]
#[case::option(&["export", "--$"], 2)]
#[case::choice(&["export", "--to", "$", "x"], 2)]
#[case::number(&["replay", "--speed", "$", "x"], 2)]
#[case::moment(&["replay", "--from", "$", "x"], 2)]
fn what_was_typed_is_quoted_and_not_obeyed(#[case] arguments: &[&str], #[case] status: i32) {
    let bench = Bench::new();
    for text in names() {
        let arguments: Vec<String> = arguments.iter().map(|argument| argument.replace('$', &text)).collect();
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        assert_eq!(says_safely(&bench, &arguments), Some(status), "{arguments:?}");
    }
}

#[test]
fn a_port_with_such_a_name_is_quoted() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config(&bench.name("port*")));
    for text in names() {
        let path = bench.write(&format!("port{text}"), "");
        assert_eq!(says_safely(&bench, &["drive", "--no-screen", "--no-record"]), Some(3));
        std::fs::remove_file(path).unwrap();
    }
    // What is no UTF-8 either.
    std::fs::write(bench.path("").join(std::ffi::OsStr::from_bytes(b"port\x9B\xFF")), "").unwrap();
    assert_eq!(says_safely(&bench, &["drive", "--no-screen", "--no-record"]), Some(3));
}

#[test]
fn a_config_inside_a_strangers_recording_is_quoted() {
    let bench = Bench::new();
    for text in corpus() {
        let config = format!("format = 1\nname = \"{text}\"\n");
        let head = serde_json::json!({
            "note": "recording", "format": 1, "program": text, "drive": 1, "part": 1, "wall": text, "clock": text, "config": config,
        });
        let mut file = Vec::new();
        write_line(Stamp(0), "-", Mark::Note, head.to_string().as_bytes(), &mut file);
        write_line(Stamp(0), "engine", Mark::Received, b"{\"t\":1}", &mut file);
        bench.write("theirs.kpr", &file);
        says_safely(&bench, &["export", "theirs.kpr"]);
    }
}

/// A stranger's recording with every text in every note and every text of a line.
fn strangers() -> Vec<u8> {
    let mut file = Vec::new();
    let good = format!("format = 1\n[link.engine]\nreference = \"1.1 V\"\n{CHANNEL}");
    let head = serde_json::json!({
        "note": "recording", "format": 1, "program": "x", "drive": 1, "part": 1, "clock": "unset", "config": good,
    });
    write_line(Stamp(0), "-", Mark::Note, head.to_string().as_bytes(), &mut file);
    for (number, text) in (0_u16..).zip(corpus()) {
        let at = Stamp::from_millis(i64::from(number) * 20);
        let note = |file: &mut Vec<u8>, note: serde_json::Value| {
            write_line(at, "engine", Mark::Note, note.to_string().as_bytes(), file);
        };
        note(&mut file, serde_json::json!({ "note": "link", "state": "up", "why": text }));
        note(&mut file, serde_json::json!({ "note": "mark", "text": text }));
        note(&mut file, serde_json::json!({ "note": text, "text": text }));
        note(&mut file, serde_json::json!({ "note": "alarm", "channel": text, "state": text, "level": text }));
        note(&mut file, serde_json::json!({ "note": "link", "state": "down", "why": text }));
        note(&mut file, serde_json::json!({ "note": "link", "state": "up" }));
        let quoted = serde_json::Value::from(text.as_str()).to_string();
        let mut hello = format!(
            "{{\"hello\":{{\"format\":1,\"fw\":{quoted},\"board\":{quoted},\"reset\":{quoted},\"adc_max\":1023,\"analog\":6,\
             \"pulse\":[],\"digital\":[],\"output\":[],\"rate_hz\":50,\"up_ms\":1}}"
        );
        seal(&mut hello);
        write_line(at, "engine", Mark::Received, hello.as_bytes(), &mut file);
        write_line(at, "engine", Mark::Received, text.as_bytes(), &mut file);
        let with = reading(number, &format!("{FOUR_BAR},{quoted}:1,\"oil\":{quoted}"));
        write_line(at, "engine", Mark::Received, with.trim_end().as_bytes(), &mut file);
    }
    file
}

#[test]
fn what_a_strangers_recording_holds_reaches_no_text_as_itself() {
    let bench = Bench::new();
    bench.write("theirs.kpr", strangers());
    for arguments in [
        ["export", "theirs.kpr", "--states", "--summary", "summary.json"].as_slice(),
        &["export", "theirs.kpr", "--to", "jsonl"],
        &["list", "--alarms", "theirs.kpr"],
    ] {
        let ran = bench.run(arguments);
        assert_eq!(ran.status, Some(0), "{}", ran.err);
        let least = if arguments[0] == "list" { 12 } else { 200 };
        assert!(ran.out.lines().count() >= least, "{}", ran.err);
        assert_safe(&ran.out, &format!("{arguments:?}"));
        assert_safe(&ran.err, &format!("{arguments:?}"));
    }
    assert_safe(&bench.read("summary.json"), "the summary");
}

#[test]
fn what_a_strangers_recording_holds_does_not_steer_the_screen() {
    let bench = Bench::new();
    bench.write("theirs.kpr", strangers());
    let mut seat = Seat::start(&bench, &["replay", "theirs.kpr", "--speed", "4"]);
    seat.until("4.0 bar");
    for key in ["n", " ", " ", "]", "["] {
        seat.send(key);
        seat.until_that("it draws on", |seat| seat.text().contains("bar") || seat.text().contains("replay"));
        let bad = seat.text().chars().find(|&c| c != '\n' && !is_showable(c));
        assert_eq!(bad, None, "{}", seat.text());
        seat.is_within();
    }
    seat.send("q");
    seat.ends_well();
}
