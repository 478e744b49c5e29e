//! The scanner holds against the exact way: whatever the lines, both take and refuse the same, and read the same.

use proptest::prelude::*;

use super::{Decoded, Decoder, Form, Reject, seal};
use crate::time::Stamp;

/// What a decoder made of a line, as text that can be compared.
fn outcome(decoder: &mut Decoder, line: &[u8]) -> Result<String, Reject> {
    decoder.line(Stamp(0), line).map(|decoded| match decoded {
        // What a hello leaves behind shows in the ranges that follow.
        Decoded::Hello(hello) => format!("{hello:?}"),
        other => format!("{other:?}"),
    })
}

#[track_caller]
fn compare(lines: &[Vec<u8>], required: bool) {
    let names: Vec<String> =
        ["a0", "a1", "p2", "p3", "d4", "oil", "a_name_longer_than_eight", "f9"].into_iter().map(String::from).collect();
    let form = Form::Counts { checksum_required: required };
    let mut scanning = Decoder::new(form.clone(), &names);
    let mut exact = Decoder::new(form, &names).without_scanner();
    for line in lines {
        let text = String::from_utf8_lossy(line);
        assert_eq!(outcome(&mut scanning, line), outcome(&mut exact, line), "{text}");
    }
    assert_eq!(scanning.tally(), exact.tally());
    assert_eq!(scanning.unknown_names(), exact.unknown_names());
    assert_eq!(scanning.unknown_passed_over(), exact.unknown_passed_over());
}

/// A value as a controller, or something worse, may write it.
fn value() -> impl Strategy<Value = String> {
    prop_oneof![
        8 => (0..1100_u32).prop_map(|value| value.to_string()),
        2 => any::<u64>().prop_flat_map(|value| (0..64_u32).prop_map(move |shift| (value >> shift).to_string())),
        2 => (0..1024_u32, 0..1000_u32).prop_map(|(whole, part)| format!("{whole}.{part}")),
        1 => "-?[0-9]{1,17}(\\.[0-9]{0,3})?([eE][+-]?[0-9]{0,3})?",
        1 => prop::sample::select(vec![
            "null", "nul", "true", "\"x\"", "[]", "{}", "[1,2]", "[1]", "[0,0]", "[0,5,1,2]", "[7,5,0,0]", "01", "-0", "",
            "1e999", " 5", "5 ", "4294967296", "65536", "[7,5,9,1]", "[7,5.0]", "[7,4294967295,1,2]",
        ]).prop_map(String::from),
        3 => (0..9_u32, 0..3000_u32, 0..300_u32, 0..300_u32)
            .prop_map(|(count, last, low, more)| format!("[{count},{last},{low},{}]", low + more)),
        2 => (0..99_u32, 0..3000_u32).prop_map(|(count, last)| format!("[{count},{last}]")),
    ]
}

fn name() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "s",
        "t",
        "t",
        "ref",
        "vcc",
        "a0",
        "a1",
        "a5",
        "p2",
        "p3",
        "p7",
        "d4",
        "d8",
        "f9",
        "q2",
        "oil",
        "a_name_longer_than_eight",
        "x",
        "x",
        "unknown_name",
        "crc",
        "\\u0061",
        "hello",
        "",
    ])
}

/// A body that a controller could have sent: the usual members in their order, each of which may be left out or odd.
fn usual() -> impl Strategy<Value = String> {
    let odd = prop::option::weighted(0.04, value());
    let counts = (0..1030_u32).prop_map(|value| value.to_string());
    let fields = prop::collection::vec((counts, odd, prop::bool::weighted(0.9)), 9);
    (0..70_000_u32, 0..5_000_u32, fields).prop_map(|(s, t, fields)| {
        let names = ["ref", "a0", "a1", "oil", "d4", "p2", "p3", "f9", "x"];
        let mut body = format!("{{\"s\":{s},\"t\":{}", t + 5_000);
        for (name, (counts, odd, there)) in names.iter().zip(fields) {
            let value = odd.unwrap_or(match *name {
                "d4" => (counts.len() % 2).to_string(),
                "p2" => format!("[{counts},{},{counts},{counts}]", t + 1),
                "p3" => format!("[{},{counts}]", t + 1),
                _ => counts,
            });
            if there {
                body.extend([",\"", name, "\":", &value]);
            }
        }
        body
    })
}

/// Members in any order, with any value.
fn wild() -> impl Strategy<Value = String> {
    prop::collection::vec((name(), value()), 0..8).prop_map(|members| {
        let members: Vec<_> = members.iter().map(|(name, value)| format!("\"{name}\":{value}")).collect();
        format!("{{{}", members.join(","))
    })
}

fn hello() -> impl Strategy<Value = String> {
    (1..5000_u32, 0..9000_u32).prop_map(|(adc_max, up_ms)| {
        format!(
            r#"{{"hello":{{"format":1,"fw":"1","board":"x","reset":"unknown","adc_max":{adc_max},"analog":6,"pulse":[2],"digital":[],"output":[],"rate_hz":50,"up_ms":{up_ms}}}"#
        )
    })
}

/// A line with or without its checksum, sometimes hurt.
fn line() -> impl Strategy<Value = Vec<u8>> {
    let body = prop_oneof![8 => usual(), 3 => wild(), 1 => hello()];
    let hurt = prop::option::weighted(0.15, (any::<prop::sample::Index>(), any::<u8>(), 0..3_u8));
    (body, prop::bool::weighted(0.5), hurt).prop_map(|(mut body, with_sum, hurt)| {
        if with_sum {
            seal(&mut body);
        } else {
            body.push('}');
        }
        let mut line = body.into_bytes();
        if let Some((index, byte, how)) = hurt {
            let place = index.index(line.len());
            match how {
                0 => line[place] = byte,
                1 => drop(line.remove(place)),
                _ => line.insert(place, byte),
            }
        }
        line
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]

    #[test]
    fn scanner_and_exact_way_agree_on_any_lines(lines in prop::collection::vec(line(), 1..40), required in any::<bool>()) {
        compare(&lines, required);
    }

    #[test]
    fn both_agree_on_lines_that_come_twice_and_then_hurt(
        body in usual(), index in any::<prop::sample::Index>(), byte in prop::sample::select(b"0123456789,.]}\"e- x".to_vec()),
    ) {
        let line = format!("{body}}}").into_bytes();
        let mut hurt = line.clone();
        hurt[index.index(line.len())] = byte;
        compare(&[line.clone(), line.clone(), line.clone(), hurt, line], false);
    }

    #[test]
    fn all_agree_on_lines_of_one_look_with_other_digits(
        body in usual(), turns in prop::collection::vec(prop::collection::vec(0..40_u8, 30), 1..20), with_sum in any::<bool>(),
    ) {
        let lines: Vec<Vec<u8>> = turns.iter().map(|turn| {
            // Most digits stay, so that most lines are good ones.
            let mut turn = turn.iter().cycle();
            let mut other: String = body.chars().map(|c| match (c, turn.next()) {
                ('0'..='9', Some(&digit @ 0..10)) => char::from(b'0' + digit),
                _ => c,
            }).collect();
            if with_sum { seal(&mut other) } else { other.push('}') }
            other.into_bytes()
        }).collect();
        compare(&lines, false);
    }
}

#[test]
fn nearly_every_line_of_a_controller_is_a_usual_one() {
    // Otherwise the agreement above would compare the exact way with itself.
    let mut decoder = Decoder::new(Form::Counts { checksum_required: true }, &["a0".into(), "p2".into()]);
    let mut usual = 0;
    for number in 0..1000_u32 {
        let mut line =
            format!(r#"{{"s":{number},"t":{},"a0":{},"p2":[{number},{}]"#, 5000 + number, 990 + number % 20, number);
        seal(&mut line);
        usual += u32::from(decoder.takes_by_scanner(line.as_bytes()));
    }
    assert_eq!(usual, 1000);
}
