//! Lines to the controller that break a rule of the counts format: each is ignored whole.

use rstest::rstest;

use super::play::{Play, SECOND, set, signed};

/// From one line to the next, µs; longer than a line takes to be understood.
const STEP: u64 = 50_000;

/// Nothing switches on any of `lines`, and the controller still obeys after each.
#[track_caller]
fn refused(lines: &[Vec<u8>]) {
    let mut play = Play::new();
    let mut at = SECOND;
    let good = signed(&set(r#""d12":1"#, 20));
    for line in lines {
        // A lone LF ends whatever the line before left open.
        play = play.raw(at, line).raw(at + STEP, b"\n").raw(at + STEP + 1_000, good.as_bytes());
        at += 3 * STEP;
    }
    let told = play.until(at + SECOND);
    let moved: Vec<_> = told.of_outputs().into_iter().filter(|(_, pin, _)| *pin != 12).collect();
    let which = moved.first().map(|(at, _, _)| &lines[((at - SECOND) / (3 * STEP)) as usize]);
    assert!(moved.is_empty(), "{:?} moved {moved:?}", which.map(|line| String::from_utf8_lossy(line)));
    let ons = told.of_pin(12).iter().filter(|(_, level)| *level).count();
    assert_eq!(ons, lines.len(), "after each refused line a good one is obeyed, and nothing else switches");
    told.heard();
}

#[rstest]
#[case::order(&[r#"{"lease_ms":1000,"set":{"d7":1}"#])]
#[case::blanks(&[r#"{"set": {"d7":1},"lease_ms":1000"#, r#"{ "set":{"d7":1},"lease_ms":1000"#, r#"{"set":{"d7":1}, "lease_ms":1000"#,
    r#"{"set":{"d7":1},"lease_ms":1000 "#, r#"{"set":{"d7": 1},"lease_ms":1000"#, " {\"set\":{\"d7\":1},\"lease_ms\":1000"])]
#[case::level(&[r#"{"set":{"d7":2},"lease_ms":1000"#, r#"{"set":{"d7":10},"lease_ms":1000"#, r#"{"set":{"d7":257},"lease_ms":1000"#,
    r#"{"set":{"d7":65537},"lease_ms":1000"#, r#"{"set":{"d7":4294967297},"lease_ms":1000"#])]
#[case::spelling(&[r#"{"set":{"d7":01},"lease_ms":1000"#, r#"{"set":{"d7":+1},"lease_ms":1000"#, r#"{"set":{"d7":-1},"lease_ms":1000"#,
    r#"{"set":{"d7":1.0},"lease_ms":1000"#, r#"{"set":{"d7":1e0},"lease_ms":1000"#, r#"{"set":{"d7":"1"},"lease_ms":1000"#,
    r#"{"set":{"d7":true},"lease_ms":1000"#, r#"{"set":{"d7":},"lease_ms":1000"#, r#"{"set":{"d7"},"lease_ms":1000"#,
    r#"{"set":{"d07":1},"lease_ms":1000"#, r#"{"set":{"D7":1},"lease_ms":1000"#, r#"{"set":{"d7":1},"lease_ms":01000"#])]
#[case::frequency(&[r#"{"set":{"f9":1},"lease_ms":1000"#, r#"{"set":{"f9":999},"lease_ms":1000"#, r#"{"set":{"f9":5000001},"lease_ms":1000"#,
    r#"{"set":{"f9":4295067296},"lease_ms":1000"#])]
#[case::duty(&[r#"{"set":{"w6":1001},"lease_ms":1000"#, r#"{"set":{"w6":65636},"lease_ms":1000"#])]
#[case::lease(&[r#"{"set":{"d7":1},"lease_ms":0"#, r#"{"set":{"d7":1},"lease_ms":9"#, r#"{"set":{"d7":1},"lease_ms":5001"#,
    r#"{"set":{"d7":1},"lease_ms":66536"#, r#"{"set":{"d7":1},"lease_ms":4294968296"#, r#"{"set":{"d7":1},"lease_ms":"#,
    r#"{"set":{"d7":1}"#, r#"{"set":{"d7":1},"lease_ms":-1000"#, r#"{"set":{"d7":1},"lease_ms":1000,"lease_ms":1000"#])]
#[case::no_such_output(&[r#"{"set":{"d8":1},"lease_ms":1000"#, r#"{"set":{"d4":1},"lease_ms":1000"#, r#"{"set":{"d2":1},"lease_ms":1000"#,
    r#"{"set":{"w7":1000},"lease_ms":1000"#, r#"{"set":{"f7":1000},"lease_ms":1000"#, r#"{"set":{"d9":1},"lease_ms":1000"#,
    r#"{"set":{"w9":1000},"lease_ms":1000"#, r#"{"set":{"d6":1},"lease_ms":1000"#, r#"{"set":{"d263":1},"lease_ms":1000"#,
    r#"{"set":{"a0":1},"lease_ms":1000"#])]
#[case::twice(&[r#"{"set":{"d7":1,"d7":1},"lease_ms":1000"#, r#"{"set":{"d7":1,"w6":100,"d7":0},"lease_ms":1000"#])]
#[case::one_bad_member(&[r#"{"set":{"d7":1,"d8":1},"lease_ms":1000"#, r#"{"set":{"d7":1,"f9":999},"lease_ms":1000"#,
    r#"{"set":{"w6":500,"d7":2},"lease_ms":1000"#, r#"{"set":{"d7":1,"f9":100000,"w6":1001},"lease_ms":1000"#])]
#[case::shape(&[r#"{"set":{},"lease_ms":1000"#, r#"{"set":{"d7":1,},"lease_ms":1000"#, r#"{"set":{,"d7":1},"lease_ms":1000"#,
    r#"{"set":{"d7":1}},"lease_ms":1000"#, r#"{"set":["d7",1],"lease_ms":1000"#, r#"{"set":{"d7":1},"lease_ms":1000,"x":1"#,
    r#"{"set":{"d7":1},"lease_ms":1000}{"#, r#"{"rate_hz":50,"set":{"d7":1},"lease_ms":1000"#, r#"{"set":{"d7":1;"w6":1},"lease_ms":1000"#])]
fn a_line_that_breaks_a_rule_switches_nothing(#[case] open: &[&str]) {
    let lines: Vec<_> = open.iter().map(|open| signed(open).into_bytes()).collect();
    refused(&lines);
}

#[test]
fn a_line_whose_checksum_is_not_right_switches_nothing() {
    let good = signed(&set(r#""d7":1"#, 1_000));
    let digits = good.len() - 7;
    let mut lines = Vec::new();
    for place in 0..4 {
        let mut line = good.clone().into_bytes();
        line[digits + place] = if line[digits + place] == b'0' { b'1' } else { b'0' };
        lines.push(line);
    }
    lines.push(format!("{}}}\n", set(r#""d7":1"#, 1_000)).into_bytes());
    lines.push(good.replace("\"crc\"", "\"CRC\"").into_bytes());
    // Of the right value, in lower case: a lease is looked for whose checksum has a letter.
    let lettered = (1_000..2_000).map(|lease| signed(&set(r#""d7":1"#, lease))).find(|line| {
        let said = &line[line.len() - 7..line.len() - 3];
        said.bytes().any(|digit| digit.is_ascii_uppercase())
    });
    let lettered = lettered.unwrap();
    let (head, said) = lettered.split_at(lettered.len() - 7);
    lines.push(format!("{head}{}", said.to_lowercase()).into_bytes());
    // The length of the line is not known to be right either.
    lines.push(good.as_bytes()[..good.len() - 2].to_vec());
    lines.push(good.trim_end().replace('}', "} ").into_bytes());
    lines.push(format!("{}x\n", good.trim_end()).into_bytes());
    lines.push(format!("x{good}").into_bytes());
    lines.push(format!("\0{good}").into_bytes());
    lines.push(good.replace("set", "s\0t").into_bytes());
    refused(&lines);
}

#[test]
fn a_line_of_over_96_bytes_is_ignored_to_its_end_however_long() {
    let good = signed(&set(r#""d7":1"#, 1_000));
    // A whole good line behind so many other bytes without an LF in between: around the length of the buffer, around where
    // an eight-bit length comes round, and both at once.
    let fillers = [1, 40, 96 - good.len() + 1, 95, 96, 97, 96 * 2, 159, 160, 191, 255, 256, 257, 256 + 96, 512, 1_000];
    refused(&fillers.map(|length| [vec![b'x'; length], good.clone().into_bytes()].concat()));
}

#[test]
fn the_edges_of_every_range_are_taken() {
    let told = Play::new()
        .command(SECOND, &set(r#""d7":1"#, 10))
        .command(2 * SECOND, &set(r#""d7":1,"d12":1,"f9":5000000,"w6":1000"#, 5_000))
        .command(3 * SECOND, &set(r#""w6":1,"f9":1000,"d12":0"#, 5_000))
        .command(5 * SECOND, &set(r#""f9":0,"d7":0,"w6":0"#, 5_000))
        .until(6 * SECOND);
    let heard = told.heard();
    let says = |at| ["d7", "d12", "f9", "w6"].map(|name| heard.before(at).number(name));
    assert_eq!(told.of_pin(7)[..2].iter().map(|(_, level)| *level).collect::<Vec<_>>(), [true, false]);
    assert_eq!(says(3 * SECOND), [1.0, 1.0, 5_000_000.0, 1_000.0]);
    assert_eq!(says(5 * SECOND), [1.0, 0.0, 1_000.0, 0.0]);
    assert_eq!(says(6 * SECOND), [0.0; 4]);
}

#[rstest]
#[case::none(r#"{"rate_hz":0"#)]
#[case::over(r#"{"rate_hz":201"#)]
#[case::comes_round(r#"{"rate_hz":356"#)]
#[case::zero_before(r#"{"rate_hz":0100"#)]
#[case::fraction(r#"{"rate_hz":100.0"#)]
#[case::more(r#"{"rate_hz":100,"ask":"hello""#)]
#[case::another_question(r#"{"ask":"hallo""#)]
fn a_rate_that_cannot_be_is_neither_kept_nor_answered(#[case] open: &str) {
    let heard = Play::new().command(SECOND, open).until(4 * SECOND).heard();
    assert_eq!(heard.hellos.len(), 1);
    let count = heard.readings.iter().filter(|read| read.at >= 2 * SECOND).count();
    assert!((99..=101).contains(&count), "{count} readings in two seconds");
}
