//! What the simulated controller says, read by the wire room and by a plain JSON reader.

use kickpanel::controller::{Simulated, Story};
use kickpanel::time::{MILLISECOND, SECOND, Stamp};
use kickpanel::wire::{Decoded, Decoder, Form, Raw, Reset};
use rstest::rstest;
use serde_json::Value;

use super::{NAMES, bytes, field};

fn decoder() -> Decoder {
    Decoder::new(Form::Counts { checksum_required: true }, &NAMES.map(str::to_owned))
}

fn lines(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    bytes.strip_suffix(b"\n").unwrap().split(|&byte| byte == b'\n')
}

fn json(line: &[u8]) -> Value {
    serde_json::from_slice(line).unwrap()
}

#[rstest]
#[case::filter(Story::Filter)]
#[case::ground(Story::Ground)]
#[case::supply(Story::Supply)]
#[case::healthy(Story::Healthy)]
#[case::restart(Story::Restart)]
#[case::lines(Story::Lines)]
fn the_same_story_and_seed_give_the_same_bytes_in_whatever_portions(#[case] story: Story) {
    let whole = bytes(story, 7, 100);
    let mut portions = Vec::new();
    let mut lorry = Simulated::new(story, 7);
    for step in 1..=100 * 1_000_000 / 3_333 + 1 {
        lorry.advance((step * 3_333).min(100 * SECOND), &mut portions);
    }
    assert!(whole == portions);
    assert!(whole != bytes(story, 8, 100));
}

#[rstest]
#[case::filter(Story::Filter)]
#[case::ground(Story::Ground)]
#[case::supply(Story::Supply)]
#[case::healthy(Story::Healthy)]
#[case::restart(Story::Restart)]
fn every_line_is_taken_and_none_is_missing(#[case] story: Story) {
    let mut decoder = decoder();
    let mut lorry = Simulated::new(story, 3);
    let mut out = Vec::new();
    lorry.advance(600 * SECOND, &mut out);
    for line in lines(&out) {
        assert!(line.len() < 1024);
        decoder.line(Stamp(0), line).unwrap_or_else(|reject| panic!("{reject:?} {}", line.escape_ascii()));
    }
    let tally = decoder.tally();
    assert_eq!(tally.lines, lorry.sent());
    assert_eq!(tally.lost, 0);
    assert_eq!(tally.restarts > 0, story == Story::Restart, "{}", tally.restarts);
    assert!(tally.readings > 29_000, "{}", tally.readings);
    assert!(decoder.unknown_names().iter().all(|name| name == "w6"), "{:?}", decoder.unknown_names());
}

#[test]
fn readings_are_numbered_without_gap_and_stay_in_their_ranges() {
    let (mut number, mut before) = (None, (0, 0));
    for line in lines(&bytes(Story::Filter, 5, 1_400)).filter(|line| line.starts_with(b"{\"s\"")) {
        let line = json(line);
        let s = line["s"].as_u64().unwrap();
        assert_eq!(s, number.map_or(0, |last: u64| (last + 1) % 65_536));
        number = Some(s);
        assert!((1..=1023).contains(&line["ref"].as_u64().unwrap()));
        for pin in 0..6 {
            let counts = line[format!("a{pin}")].as_f64().unwrap();
            assert!((0.0..=1023.0).contains(&counts) && (counts * 4.0).fract() == 0.0, "a{pin} {counts}");
        }
        let t = line["t"].as_u64().unwrap();
        for pin in ["p2", "p3"] {
            let part = |index: usize| line[pin][index].as_u64().unwrap();
            assert!(part(1) <= t && part(2) <= part(3), "{line}");
            assert_eq!(part(0) == 0, part(1) == 0);
        }
        let counts = (line["p2"][0].as_u64().unwrap(), line["p3"][0].as_u64().unwrap());
        assert!(counts.0 >= before.0 && counts.1 >= before.1);
        before = counts;
    }
    // Over 65,536 readings came, so that the number wrapped.
    assert!(before.0 > 0 && number.unwrap() < 5_000);
}

#[test]
fn a_lone_lf_and_a_hello_come_first_and_a_hello_every_five_seconds() {
    let out = bytes(Story::Healthy, 1, 21);
    assert_eq!(out[0], b'\n');
    let hellos: Vec<Value> = lines(&out).filter(|line| line.starts_with(b"{\"hello\"")).map(json).collect();
    let up: Vec<u64> = hellos.iter().map(|hello| hello["hello"]["up_ms"].as_u64().unwrap()).collect();
    assert_eq!(up, [12, 5012, 10012, 15012, 20012]);
    let expected = serde_json::json!({"format": 1, "fw": "0.1.0", "board": "simulated", "reset": "power-on",
        "adc_max": 1023, "analog": 6, "pulse": [2, 3], "digital": [4], "output": [7, 12], "freq": [9], "duty": [6],
        "rate_hz": 50, "up_ms": 12});
    assert_eq!(hellos[0]["hello"], expected);
}

/// What the lorry answers within `span` after `command`, as JSON.
fn answer(lorry: &mut Simulated, command: &[u8], span: i64) -> Vec<Value> {
    let mut out = Vec::new();
    lorry.advance(lorry.now() + 7 * MILLISECOND, &mut out);
    out.clear();
    lorry.command(command, &mut out);
    lorry.advance(lorry.now() + span, &mut out);
    out.split(|&byte| byte == b'\n').filter(|line| !line.is_empty()).map(json).collect()
}

/// The command and its checksum stand in `tests/reference/04_wire_lines.jsonl`.
#[test]
fn a_hello_comes_at_once_when_asked() {
    let mut lorry = Simulated::new(Story::Healthy, 1);
    lorry.advance(SECOND, &mut Vec::new());
    let lines = answer(&mut lorry, b"{\"ask\":\"hello\",\"crc\":\"ECC4\"}\n", 0);
    assert_eq!(lines.len(), 1);
    assert_eq!(lines[0]["hello"]["format"], 1);
    assert!(answer(&mut lorry, b"{\"ask\":\"hello\",\"crc\":\"ECC5\"}\n", 0).is_empty());
}

#[test]
fn the_rate_changes_when_asked_and_a_hello_says_so() {
    let mut lorry = Simulated::new(Story::Healthy, 1);
    lorry.advance(SECOND, &mut Vec::new());
    let body = br#"{"rate_hz":100"#;
    let checksum = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740).checksum(body);
    let command = format!("{},\"crc\":\"{checksum:04X}\"}}\n", std::str::from_utf8(body).unwrap());
    let lines = answer(&mut lorry, command.as_bytes(), SECOND);
    assert_eq!(lines[0]["hello"]["rate_hz"], 100);
    assert_eq!(lines.iter().filter(|line| line.get("s").is_some()).count(), 100);
}

/// The command and its checksum stand in `tests/reference/04_wire_lines.jsonl`.
#[test]
fn an_output_that_is_set_is_told_and_falls_when_its_lease_ends() {
    let mut lorry = Simulated::new(Story::Healthy, 1);
    lorry.advance(SECOND, &mut Vec::new());
    let lines = answer(&mut lorry, b"{\"set\":{\"d7\":1},\"lease_ms\":1000,\"crc\":\"4C98\"}\n", 2 * SECOND);
    let told: Vec<u64> = lines.iter().filter_map(|line| line.get("d7")?.as_u64()).collect();
    assert_eq!((told.first(), told.last()), (Some(&1), Some(&0)));
    let high = lines.iter().filter(|line| line.get("d7").is_some_and(|level| level == 1));
    let last = high.filter_map(|line| line["t"].as_i64()).max().unwrap();
    let low = lines.iter().filter(|line| line.get("d7").is_some_and(|level| level == 0));
    let first = low.filter_map(|line| line["t"].as_i64()).min().unwrap();
    // Set at 1,007 ms of the story, so it ends at 2,007 ms; the readings come every 20 ms.
    assert!(last <= 2_007_000 && first > 2_006_000 && first < 2_040_000, "{last} {first}");
}

#[test]
fn after_a_brown_out_everything_begins_at_nought() {
    let out = bytes(Story::Restart, 7, 120);
    let mut decoder = decoder();
    let mut hellos = Vec::new();
    let (mut restarted, mut empty) = (0, 0);
    for line in lines(&out) {
        match decoder.line(Stamp(0), line).unwrap() {
            Decoded::Hello(hello) if hello.up_ms == 12 => hellos.push(hello.reset),
            Decoded::Reading(reading) if reading.restarted => {
                restarted += 1;
                assert!(reading.t < 50_000, "{}", reading.t);
                let Raw::Edges(edges) = reading.get(field("p2")) else { panic!("no p2") };
                assert!(edges.count < 30);
            }
            Decoded::Empty => empty += 1,
            _ => {}
        }
    }
    assert_eq!(hellos[0], Reset::PowerOn);
    assert!(hellos.len() > 1 && hellos[1..].iter().all(|&reset| reset == Reset::BrownOut), "{hellos:?}");
    assert_eq!((restarted + 1, empty), (hellos.len(), hellos.len()));
}

#[test]
fn a_bad_line_is_counted_and_no_more_is_missing_than_was_sent() {
    let mut decoder = decoder();
    let mut lorry = Simulated::new(Story::Lines, 7);
    let mut out = Vec::new();
    lorry.advance(300 * SECOND, &mut out);
    for line in lines(&out) {
        let _ = decoder.line(Stamp(0), line);
    }
    let tally = *decoder.tally();
    let refused: u64 = tally.refused.iter().sum();
    let taken = tally.readings + tally.hellos;
    assert!(refused > 20 && tally.lost > refused, "{tally:?}");
    assert_eq!(tally.restarts, 0);
    assert!(taken < lorry.sent() && taken + tally.lost <= lorry.sent() && taken + tally.lost + 5 >= lorry.sent());
}
