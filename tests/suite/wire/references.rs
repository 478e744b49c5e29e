//! Values that others published or computed, in `tests/reference/04_*` and `05_nmea.jsonl`. Sources: the catalogue of parametrised CRC algorithms, three CRC libraries and a bit-by-bit loop that agree; NMEA sentences of a
//! NOAA ship, of a modem manual, and widely reprinted ones, decoded by a reference library.

use kickpanel::time::Stamp;
use kickpanel::wire::{Decoded, Decoder, FieldId, Form, Raw, Reject, checksum};
use serde_json::Value;

fn reference(name: &str) -> String {
    let path = format!("{}/tests/reference/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).unwrap()
}

fn rows(name: &str) -> Vec<Value> {
    reference(name).lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn checksums_are_those_of_the_catalogue_and_of_three_libraries() {
    let text = reference("04_crc16_ibm3740.csv");
    let mut rows = 0;
    for row in text.lines().skip(1) {
        let mut columns = row.split(',');
        let hex = columns.next().unwrap();
        let message: Vec<u8> =
            (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap()).collect();
        let sum = columns.nth(1).unwrap();
        assert_eq!(format!("{:04X}", checksum(&message)), sum, "{row}");
        rows += 1;
    }
    assert_eq!(rows, 30);
}

#[test]
fn whole_lines_are_judged_by_their_checksum() {
    let (mut right, mut wrong, mut absent) = (0, 0, 0);
    for row in rows("04_wire_lines.jsonl") {
        let line = row["line"].as_str().unwrap();
        // Commands go the other way: as readings they only lack their clock, and that is judged after the checksum.
        let command = line.starts_with(r#"{"ask"#) || line.starts_with(r#"{"set"#);
        let with = super::fate(&mut super::counts(&[]), line.as_bytes());
        let without = super::fate(&mut Decoder::new(Form::Counts { checksum_required: true }, &[]), line.as_bytes());
        match row["checksum"].as_str().unwrap() {
            "right" => {
                right += 1;
                let expected = match line {
                    _ if command => Err(Reject::FieldMissing),
                    _ if line.contains("hello") => Ok("hello"),
                    _ => Ok("reading"),
                };
                assert_eq!((with, without), (expected, expected), "{line}");
            }
            "wrong" => {
                wrong += 1;
                assert_eq!((with, without), (Err(Reject::Checksum), Err(Reject::Checksum)), "{line}");
            }
            _ => {
                absent += 1;
                assert_eq!((with, without), (Ok("reading"), Err(Reject::ChecksumMissing)), "{line}");
            }
        }
    }
    assert_eq!((right, wrong, absent), (6, 3, 1));
}

const NAMES: [&str; 18] = [
    "latitude_deg",
    "longitude_deg",
    "speed_kn",
    "speed_m_per_s",
    "speed_km_per_h",
    "course_true_deg",
    "course_magnetic_deg",
    "magnetic_variation_deg",
    "altitude_m",
    "geoid_separation_m",
    "satellites",
    "hdop",
    "quality",
    "valid",
    "utc_s",
    "year",
    "month",
    "day",
];

#[test]
fn sentences_decode_as_the_reference_library_has_them() {
    let mut good = 0;
    for row in rows("05_nmea.jsonl") {
        let sentence = row["sentence"].as_str().unwrap();
        let mut decoder = super::decoder(Form::Nmea, &NAMES);
        let fate = super::fate(&mut decoder, sentence.as_bytes());
        let kind = row["decoded"]["type"].as_str();
        match (row["checksum"].as_str().unwrap(), kind) {
            ("right", Some("RMC" | "GGA" | "VTG")) => {
                assert_eq!(fate, Ok("reading"), "{sentence}");
                compare(sentence, &row["decoded"]);
                good += 1;
            }
            ("right", _) => assert_eq!(fate, Err(Reject::UnknownSentence), "{sentence}"),
            ("wrong", _) => assert_eq!(fate, Err(Reject::Checksum), "{sentence}"),
            _ => assert_eq!(fate, Err(Reject::ChecksumMissing), "{sentence}"),
        }
    }
    assert_eq!(good, 12);
}

/// Holds every value that the reference has for `sentence` against ours, and that nothing else is there but what it implies.
fn compare(sentence: &str, expected: &Value) {
    let mut decoder = super::decoder(Form::Nmea, &NAMES);
    let Decoded::Reading(reading) = decoder.line(Stamp(0), sentence.as_bytes()).unwrap() else { panic!("{sentence}") };
    for (place, name) in NAMES.iter().enumerate() {
        let is = reading.get(FieldId(u16::try_from(place).unwrap() + 2));
        let Some(wanted) = wanted(name, expected) else { continue };
        match (is, wanted) {
            (Raw::Null, None) => {}
            (Raw::Number(is), Some(wanted)) => assert!((is - wanted).abs() < 1e-9, "{sentence} {name}: {is} {wanted}"),
            (is, wanted) => panic!("{sentence} {name}: {is:?} {wanted:?}"),
        }
    }
}

/// What the reference says of `name`: `None` where it says nothing, `Some(None)` where it says null.
#[expect(clippy::option_option, reason = "no word about it, and null, are two things")]
fn wanted(name: &str, expected: &Value) -> Option<Option<f64>> {
    let date = |range: std::ops::Range<usize>| expected["date"].as_str().map(|date| date[range].parse().ok());
    match name {
        "valid" => expected["valid"].as_bool().map(|valid| Some(f64::from(u8::from(valid)))),
        "magnetic_variation_deg" => {
            let sign = if expected["magnetic_variation_dir"] == "W" { -1.0 } else { 1.0 };
            expected.get(name).map(|value| value.as_f64().map(|value| value * sign))
        }
        "utc_s" => expected["utc"].as_str().map(|utc| {
            let clock = utc.strip_suffix("+00:00").unwrap();
            Some(clock.split(':').fold(0.0, |sum, part| sum * 60.0 + part.parse::<f64>().unwrap()))
        }),
        "year" => date(0..4),
        "month" => date(5..7),
        "day" => date(8..10),
        // Nine decimals stand in the reference, from knots times 1852/3600.
        _ => expected.get(name).map(Value::as_f64),
    }
}
