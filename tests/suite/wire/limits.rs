//! Each odd line has one stated fate. Source of the rules: the counts format, version 1, and RFC 8259.

use kickpanel::time::Stamp;
use kickpanel::wire::{ClockField, Decoded, Edges, Form, LINE_MAX, Raw, Reject, Reset};
use rstest::rstest;

use super::{assert_tally_adds_up, counts, decoder, fate, field, sealed};

const READING: Result<&str, Reject> = Ok("reading");

#[rstest]
#[case::depth_500(&format!("{{\"t\":1,\"x\":{}{}}}", "[".repeat(500), "]".repeat(500)), READING)]
#[case::depth_500_left_open(&format!("{{\"t\":1,\"x\":{}}}", "[".repeat(500)), Err(Reject::Malformed))]
#[case::endless_number(r#"{"t":1,"x":1e999}"#, Err(Reject::OutOfRange))]
#[case::endless_known_number(r#"{"t":1,"oil":-1e999}"#, Err(Reject::OutOfRange))]
#[case::nan(r#"{"t":1,"x":NaN}"#, Err(Reject::Malformed))]
#[case::infinity(r#"{"t":1,"x":Infinity}"#, Err(Reject::Malformed))]
#[case::minus_zero(r#"{"t":-0,"a0":-0}"#, READING)]
#[case::tiny(r#"{"t":1,"oil":1e-400}"#, READING)]
#[case::two_to_the_64(r#"{"t":18446744073709551616}"#, Err(Reject::OutOfRange))]
#[case::unknown_two_to_the_64(r#"{"t":1,"x":18446744073709551616}"#, READING)]
#[case::same_name(r#"{"t":1,"a0":1,"a0":1}"#, Err(Reject::Duplicate))]
#[case::same_clock(r#"{"t":1,"t":1}"#, Err(Reject::Duplicate))]
#[case::same_unknown_name(r#"{"t":1,"x":1,"x":"y"}"#, Err(Reject::Duplicate))]
#[case::same_name_once_escaped(r#"{"t":1,"a0":1,"\u00610":1}"#, Err(Reject::Duplicate))]
#[case::same_name_within_an_unknown_member(r#"{"t":1,"x":{"y":1,"y":2}}"#, READING)]
#[case::half_a_surrogate_pair_as_value(r#"{"t":1,"x":"\ud800"}"#, READING)]
#[case::half_a_surrogate_pair_as_name(r#"{"t":1,"\ud800":1}"#, Err(Reject::Malformed))]
#[case::escaped_nul(r#"{"t":1,"\u0000":1}"#, READING)]
#[case::raw_nul("{\"t\":1,\"\0\":1}", Err(Reject::Malformed))]
#[case::byte_order_mark("\u{FEFF}{\"t\":1}", Err(Reject::Malformed))]
#[case::name_of_900_bytes(&format!("{{\"t\":1,\"{}\":1}}", "k".repeat(900)), READING)]
#[case::blank_ahead(r#" {"t":1}"#, Err(Reject::Malformed))]
#[case::blank_behind(r#"{"t":1} "#, Err(Reject::Malformed))]
#[case::something_behind(r#"{"t":1}x"#, Err(Reject::Malformed))]
#[case::two_objects(r#"{"t":1}{"t":2}"#, Err(Reject::Malformed))]
#[case::blanks_within("{ \"t\" : 1 ,\t\"a0\" : 5 }", READING)]
#[case::carriage_return_behind("{\"t\":1}\r", READING)]
#[case::array("[1]", Err(Reject::Malformed))]
#[case::number("17", Err(Reject::Malformed))]
#[case::comma_too_many(r#"{"t":1,}"#, Err(Reject::Malformed))]
#[case::cut(r#"{"t":1,"a0":5"#, Err(Reject::Malformed))]
#[case::nothing_in_it("{}", Err(Reject::FieldMissing))]
#[case::no_clock(r#"{"a0":5}"#, Err(Reject::FieldMissing))]
#[case::null_clock(r#"{"t":null}"#, Err(Reject::WrongType))]
#[case::clock_with_fraction(r#"{"t":5.0}"#, Err(Reject::WrongType))]
#[case::clock_with_exponent(r#"{"t":5e0}"#, Err(Reject::WrongType))]
#[case::clock_as_text(r#"{"t":"5"}"#, Err(Reject::WrongType))]
#[case::clock_with_leading_zero(r#"{"t":05}"#, Err(Reject::Malformed))]
#[case::highest_clock(r#"{"t":4294967295}"#, READING)]
#[case::clock_too_high(r#"{"t":4294967296}"#, Err(Reject::OutOfRange))]
#[case::clock_below_zero(r#"{"t":-1}"#, Err(Reject::OutOfRange))]
#[case::highest_number(r#"{"s":65535,"t":1}"#, READING)]
#[case::number_too_high(r#"{"s":65536,"t":1}"#, Err(Reject::OutOfRange))]
#[case::null_number(r#"{"s":null,"t":1}"#, Err(Reject::WrongType))]
#[case::highest_counts(r#"{"t":1,"a0":1023}"#, READING)]
#[case::counts_too_high(r#"{"t":1,"a0":1023.5}"#, Err(Reject::OutOfRange))]
#[case::unused_counts_too_high(r#"{"t":1,"a9":1024}"#, Err(Reject::OutOfRange))]
#[case::counts_below_zero(r#"{"t":1,"a0":-0.5}"#, Err(Reject::OutOfRange))]
#[case::counts_as_text(r#"{"t":1,"a0":"1"}"#, Err(Reject::WrongType))]
#[case::counts_as_truth(r#"{"t":1,"a0":true}"#, Err(Reject::WrongType))]
#[case::lowest_reference(r#"{"t":1,"ref":1}"#, READING)]
#[case::no_reference(r#"{"t":1,"ref":0}"#, Err(Reject::OutOfRange))]
#[case::level(r#"{"t":1,"d4":1}"#, READING)]
#[case::level_of_two(r#"{"t":1,"d4":2}"#, Err(Reject::OutOfRange))]
#[case::level_with_fraction(r#"{"t":1,"d4":1.0}"#, Err(Reject::WrongType))]
#[case::used_name_with_a_text(r#"{"t":1,"oil":"warm"}"#, Err(Reject::WrongType))]
#[case::unknown_name_with_a_text(r#"{"t":1,"note":"warm"}"#, READING)]
#[case::two_edge_parts(r#"{"t":9,"p2":[3,9]}"#, READING)]
#[case::one_edge_part(r#"{"t":9,"p2":[3]}"#, Err(Reject::WrongType))]
#[case::three_edge_parts(r#"{"t":9,"p2":[3,9,1]}"#, Err(Reject::WrongType))]
#[case::five_edge_parts(r#"{"t":9,"p2":[3,9,1,1,1]}"#, Err(Reject::WrongType))]
#[case::edge_with_fraction(r#"{"t":9,"p2":[3,9.0]}"#, Err(Reject::WrongType))]
#[case::null_edge_part(r#"{"t":9,"p2":[3,null]}"#, Err(Reject::WrongType))]
#[case::edge_as_number(r#"{"t":9,"p2":3}"#, Err(Reject::WrongType))]
#[case::edge_after_the_clock(r#"{"t":9,"p2":[3,10]}"#, Err(Reject::OutOfRange))]
#[case::edge_ahead_of_the_clock_in_the_line(r#"{"p2":[3,9],"t":9}"#, READING)]
#[case::edge_across_the_wrap(r#"{"t":9,"p2":[3,4294967290]}"#, READING)]
#[case::edge_of_30_min_ago(r#"{"t":0,"p2":[3,2494967296]}"#, READING)]
#[case::no_edge_yet(r#"{"t":9,"p2":[0,0,0,0]}"#, READING)]
#[case::no_edge_but_a_time(r#"{"t":9,"p2":[0,5]}"#, Err(Reject::OutOfRange))]
#[case::shortest_gap_over_longest(r#"{"t":9,"p2":[3,9,2,1]}"#, Err(Reject::OutOfRange))]
#[case::lower_case_checksum(r#"{"s":1046,"t":20920132,"a3":99,"crc":"a204"}"#, Err(Reject::Checksum))]
#[case::checksum_as_number(r#"{"t":1,"crc":6817}"#, Err(Reject::Checksum))]
#[case::checksum_not_last(r#"{"crc":"6817","t":1}"#, Err(Reject::Checksum))]
#[case::checksum_alone(r#"{"crc":"6817"}"#, Err(Reject::Checksum))]
#[case::checksum_with_blanks(r#"{"t":1, "crc" : "6817" }"#, READING)]
#[case::wrong_checksum_before_shape(r#"{"t":1,"t":1,"crc":"0000"}"#, Err(Reject::Checksum))]
#[case::something_ahead_of_a_right_checksum(r#"x{"t":1,"crc":"6817"}"#, Err(Reject::Malformed))]
fn a_line_at_the_limits_has_one_fate(#[case] line: &str, #[case] expected: Result<&str, Reject>) {
    let mut decoder = counts(&["a0", "p2", "oil"]);
    assert_eq!(fate(&mut decoder, line.as_bytes()), expected, "{line}");
    // The same again, now that the names are learned.
    assert_eq!(fate(&mut decoder, line.as_bytes()), expected, "{line}");
    assert_tally_adds_up(&decoder, 2);
}

#[test]
fn the_length_comes_first_and_then_the_encoding() {
    let mut decoder = counts(&[]);
    let long = |length: usize| [br#"{"t":1,"x":""#, &vec![b'y'; length - 14][..], br#""}"#].concat();
    assert_eq!(fate(&mut decoder, &long(LINE_MAX - 1)), Ok("reading"));
    assert_eq!(fate(&mut decoder, &long(LINE_MAX)), Err(Reject::TooLong));
    assert_eq!(fate(&mut decoder, &[0xFF; LINE_MAX]), Err(Reject::TooLong));
    assert_eq!(fate(&mut decoder, b"{\"t\":1,\"x\":\"\xFF\",\"crc\":\"0000\"}"), Err(Reject::NotUtf8));
    assert_eq!(fate(&mut decoder, b""), Ok("empty"));
    assert_eq!(fate(&mut decoder, b"\r"), Ok("empty"));
    decoder.too_long();
    assert_tally_adds_up(&decoder, 5);
}

#[test]
fn fields_come_out_as_they_were_sent() {
    let mut decoder = counts(&["a0", "a1", "p2", "p3", "d4", "oil", "a9"]);
    let line =
        br#"{"s":1,"t":500,"ref":226,"vcc":4987.5,"a0":512,"a1":87.25,"p2":[8,450,98,102],"p3":[1,2],"d4":1,"oil":null}"#;
    for _ in 0..3 {
        let Decoded::Reading(reading) = decoder.line(Stamp(7), line).unwrap() else { panic!() };
        let fields = [
            Raw::Number(226.0),
            Raw::Number(4987.5),
            Raw::Number(512.0),
            Raw::Number(87.25),
            Raw::Edges(Edges { count: 8, last: 450, gaps: Some((98, 102)) }),
            Raw::Edges(Edges { count: 1, last: 2, gaps: None }),
            Raw::Number(1.0),
            Raw::Null,
            Raw::Absent,
        ];
        assert_eq!((reading.t, reading.at, reading.fields()), (500, 0, &fields[..]));
    }
    let Decoded::Reading(reading) = decoder.line(Stamp(7), br#"{"t":501}"#).unwrap() else { panic!() };
    assert!(reading.fields().iter().all(|field| *field == Raw::Absent), "nothing of the line before is left");
}

#[test]
fn after_eight_right_checksums_a_line_without_one_is_refused_until_the_link_is_opened() {
    let hello = sealed(
        r#"{"hello":{"format":1,"fw":"1","board":"x","reset":"unknown","adc_max":1023,"analog":0,"pulse":[],"digital":[],"output":[],"rate_hz":50,"up_ms":1}"#,
    );
    let (with, without) = (sealed(r#"{"t":1"#), br#"{"t":1}"#);
    let mut decoder = counts(&[]);
    for _ in 0..7 {
        assert_eq!(fate(&mut decoder, with.as_bytes()), Ok("reading"));
        // A wrong one in between takes nothing back.
        assert_eq!(fate(&mut decoder, br#"{"t":1,"crc":"0000"}"#), Err(Reject::Checksum));
        assert_eq!(fate(&mut decoder, without), Ok("reading"));
    }
    assert_eq!(fate(&mut decoder, hello.as_bytes()), Ok("hello"));
    assert_eq!(fate(&mut decoder, without), Err(Reject::ChecksumMissing));
    assert_eq!(fate(&mut decoder, b"boot"), Err(Reject::Malformed));
    decoder.opened();
    assert_eq!(fate(&mut decoder, without), Ok("reading"));
}

fn hello_with(change: (&str, &str)) -> String {
    r#"{"hello":{"format":1,"fw":"0.1.0","board":"atmega328p","reset":"brown-out","adc_max":4095,"analog":6,"pulse":[2,3],"digital":[4],"output":[7],"rate_hz":50,"up_ms":12},"a0":"whatever"}"#
        .replacen(change.0, change.1, 1)
}

#[rstest]
#[case::as_it_is("", "", Ok("hello"))]
#[case::unknown_member(r#""fw""#, r#""colour":{"a":1},"fw""#, Ok("hello"))]
#[case::unknown_reset("brown-out", "bored", Ok("hello"))]
#[case::required_member_missing(r#""rate_hz":50,"#, "", Err(Reject::FieldMissing))]
#[case::member_twice(r#""analog":6"#, r#""analog":6,"analog":6"#, Err(Reject::Duplicate))]
#[case::text_as_number(r#""0.1.0""#, "1", Err(Reject::WrongType))]
#[case::number_as_text("4095", r#""4095""#, Err(Reject::WrongType))]
#[case::number_with_fraction("4095", "4095.0", Err(Reject::WrongType))]
#[case::another_format(r#""format":1"#, r#""format":2"#, Err(Reject::OutOfRange))]
#[case::no_counts("4095", "0", Err(Reject::OutOfRange))]
#[case::pin_too_high("[2,3]", "[2,256]", Err(Reject::OutOfRange))]
#[case::pins_as_number("[2,3]", "2", Err(Reject::WrongType))]
#[case::null_member("[2,3]", "null", Err(Reject::WrongType))]
fn a_hello_has_all_its_members(#[case] from: &str, #[case] to: &str, #[case] expected: Result<&str, Reject>) {
    assert_eq!(fate(&mut counts(&["a0"]), hello_with((from, to)).as_bytes()), expected);
}

#[test]
fn a_hello_says_how_high_the_converter_counts() {
    let mut decoder = counts(&["a0"]);
    let high = br#"{"t":1,"a0":4095}"#;
    assert_eq!(fate(&mut decoder, high), Err(Reject::OutOfRange));
    let Decoded::Hello(hello) = decoder.line(Stamp(0), hello_with(("", "")).as_bytes()).unwrap() else { panic!() };
    assert_eq!(
        (hello.reset, hello.adc_max, &hello.pulse[..], &hello.freq[..]),
        (Reset::BrownOut, 4095, &[2, 3][..], &[][..])
    );
    assert_eq!(fate(&mut decoder, high), Ok("reading"));
    assert_eq!(fate(&mut decoder, br#"{"hello":null}"#), Err(Reject::WrongType));
}

#[test]
fn unknown_names_are_kept_up_to_256_and_then_counted() {
    let mut decoder = counts(&["a0"]);
    let mut lines = 0;
    for first in (0..400).step_by(100) {
        let members: Vec<_> = (first..first + 100).map(|n| format!("\"{n}\":1")).collect();
        let line = format!("{{\"t\":1,\"a0\":5,{}}}", members.join(","));
        assert!(line.len() < LINE_MAX);
        for _ in 0..2 {
            assert_eq!(fate(&mut decoder, line.as_bytes()), Ok("reading"));
            lines += 1;
        }
    }
    assert_eq!((decoder.unknown_names().len(), decoder.unknown_passed_over()), (256, 2 * (400 - 256)));
    assert_tally_adds_up(&decoder, lines);
}

fn milliseconds() -> ClockField {
    ClockField { name: "time".into(), step_us: 1000.0 }
}

#[test]
fn columns_take_their_names_from_a_header() {
    let mut decoder = decoder(Form::Columns { names: None, clock: Some(milliseconds()) }, &["oil", "water"]);
    assert_eq!(fate(&mut decoder, b"10, 2.5, 80"), Err(Reject::ColumnCount));
    assert_eq!(fate(&mut decoder, b"Ready"), Ok("header"));
    assert_eq!(fate(&mut decoder, b"time, oil, oil"), Err(Reject::Duplicate));
    assert_eq!(fate(&mut decoder, b"time, oil, fan, water"), Ok("header"));
    assert_eq!(fate(&mut decoder, b"card not found"), Err(Reject::Malformed));
    let mut read = |line: &[u8]| {
        let Decoded::Reading(reading) = decoder.line(Stamp(9), line).unwrap() else { panic!() };
        (reading.at, reading.restarted, field(reading, 0), field(reading, 1))
    };
    assert_eq!(read(b"100, 2.5, 1, 80"), (0, false, Raw::Number(2.5), Raw::Number(80.0)));
    assert_eq!(read(b"120;nan;1;;"), (20_000, false, Raw::Null, Raw::Null));
    assert_eq!(read(b"140 -3 1 .5"), (40_000, false, Raw::Number(-3.0), Raw::Number(0.5)));
    assert_eq!(read(b"5\t1\t2\t3"), (45_000, true, Raw::Number(1.0), Raw::Number(3.0)));
    assert_eq!(fate(&mut decoder, b"6,1,2"), Err(Reject::ColumnCount));
    assert_eq!(fate(&mut decoder, b"6,1,2,x"), Err(Reject::WrongType));
    assert_eq!(fate(&mut decoder, b"6,1,x,2"), Ok("reading"));
    assert_eq!(fate(&mut decoder, b"6,1,2,1e999"), Err(Reject::OutOfRange));
    assert_eq!(fate(&mut decoder, b"-6,1,2,3"), Err(Reject::OutOfRange));
    assert_eq!(fate(&mut decoder, b",1,2,3"), Err(Reject::WrongType));
    assert_eq!(fate(&mut decoder, b"6,1,2,\xFF"), Err(Reject::NotUtf8));
    assert_eq!(fate(&mut decoder, b" \t "), Ok("empty"));
    assert_eq!(decoder.unknown_names(), ["fan"]);
    assert_eq!(decoder.tally().restarts, 1);
    decoder.opened();
    assert_eq!(fate(&mut decoder, b"7,1,2,3"), Err(Reject::ColumnCount));
}

#[test]
fn columns_named_in_the_config_need_no_header() {
    let names = Some(vec!["a".to_owned(), "b".to_owned()]);
    let mut decoder = decoder(Form::Columns { names, clock: None }, &["b"]);
    assert_eq!(fate(&mut decoder, b"a,b"), Ok("header"));
    assert_eq!(fate(&mut decoder, b"c,d"), Err(Reject::Malformed));
    for (now, at) in [(3_000_000, 0), (3_500_000, 500_000)] {
        let Decoded::Reading(reading) = decoder.line(Stamp(now), b"1,2").unwrap() else { panic!() };
        assert_eq!((reading.at, field(reading, 0)), (at, Raw::Number(2.0)));
    }
    assert_eq!(decoder.unknown_names(), ["a"]);
}

#[rstest]
#[case::equals("time=5,oil=2.5", READING)]
#[case::colons("time:5 oil:2.5 note:warm", READING)]
#[case::blanks("time: 5; oil: 2.5", READING)]
#[case::no_clock("oil=2.5", Err(Reject::FieldMissing))]
#[case::null_clock("time=,oil=2.5", Err(Reject::WrongType))]
#[case::name_twice("time=5,x=1,x=2", Err(Reject::Duplicate))]
#[case::stray_word("time=5 bar oil=2.5", Err(Reject::Malformed))]
#[case::lost_separator("time=5oil=2.5", Err(Reject::Malformed))]
#[case::text("time=5,oil=warm", Err(Reject::WrongType))]
#[case::endless("time=5,oil=1e999", Err(Reject::OutOfRange))]
#[case::nothing(" , ", Ok("empty"))]
fn pairs_are_judged_one_by_one(#[case] line: &str, #[case] expected: Result<&str, Reject>) {
    let mut decoder = decoder(Form::Pairs { clock: Some(milliseconds()) }, &["oil"]);
    assert_eq!(fate(&mut decoder, line.as_bytes()), expected);
    assert_tally_adds_up(&decoder, u64::from(expected != Ok("empty")));
}

/// A sentence with its checksum.
fn sentence(body: &str) -> String {
    format!("${body}*{:02X}", body.bytes().fold(0, |sum, byte| sum ^ byte))
}

#[rstest]
#[case::void_with_old_position("GPRMC,235959,V,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", READING)]
#[case::too_few_fields("GPRMC,235959,A,4807.038,N", Err(Reject::Malformed))]
#[case::minute_too_high("GPRMC,235959,A,4860.000,N,01131.000,E,,,230394,,", Err(Reject::OutOfRange))]
#[case::pole("GPRMC,235959,A,9000.000,N,01131.000,E,,,230394,,", READING)]
#[case::beyond_the_pole("GPRMC,235959,A,9000.001,N,01131.000,E,,,230394,,", Err(Reject::OutOfRange))]
#[case::no_such_side("GPRMC,235959,A,4807.038,X,01131.000,E,,,230394,,", Err(Reject::WrongType))]
#[case::no_such_status("GPRMC,235959,B,4807.038,N,01131.000,E,,,230394,,", Err(Reject::WrongType))]
#[case::no_number("GPRMC,235959,A,48x7.038,N,01131.000,E,,,230394,,", Err(Reject::WrongType))]
#[case::no_such_month("GPRMC,235959,A,4807.038,N,01131.000,E,,,231394,,", Err(Reject::OutOfRange))]
#[case::no_such_hour("GPRMC,245959,A,4807.038,N,01131.000,E,,,230394,,", Err(Reject::OutOfRange))]
#[case::of_a_maker("PABCD,1,2", Err(Reject::UnknownSentence))]
#[case::other_kind("GPGSV,1,1,00", Err(Reject::UnknownSentence))]
#[case::other_unit("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,F,46.9,M,,", Err(Reject::Malformed))]
fn sentences_are_judged_by_their_fields(#[case] body: &str, #[case] expected: Result<&str, Reject>) {
    assert_eq!(fate(&mut decoder(Form::Nmea, &[]), sentence(body).as_bytes()), expected);
}

#[test]
fn a_position_that_the_receiver_calls_void_is_null() {
    let mut decoder = decoder(Form::Nmea, &["latitude_deg", "speed_kn", "valid", "altitude_m"]);
    let line = sentence("GPRMC,235959,V,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W");
    let Decoded::Reading(reading) = decoder.line(Stamp(0), line.as_bytes()).unwrap() else { panic!() };
    let fields: Vec<_> = (0..4).map(|index| field(reading, index)).collect();
    assert_eq!(fields, [Raw::Null, Raw::Null, Raw::Number(0.0), Raw::Absent]);
    let line = sentence("GPGGA,123519,4807.038,N,01131.000,E,0,08,0.9,545.4,M,46.9,M,,");
    let Decoded::Reading(reading) = decoder.line(Stamp(0), line.as_bytes()).unwrap() else { panic!() };
    assert_eq!((field(reading, 0), field(reading, 3)), (Raw::Null, Raw::Null));
}
