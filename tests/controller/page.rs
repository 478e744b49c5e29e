//! The page of lines that is written beside the firmware, held to the program's own decoder and commands, and to the firmware.
//!
//! Whoever writes a sketch of their own has nothing but this page, so each example on it must be what it says.

use std::process::Command;

use kickpanel::time::Stamp;
use kickpanel::wire::{
    Decoded, Decoder, Edges, FieldId, Form, Hello, Pin, Raw, Reading, Reset, ask_hello, checksum, set, set_rate,
};

use super::play::{OUTPUTS, Play, SECOND};

const PAGE: &str = include_str!("../../src/controller/firmware/LINES.md");
const NAMES: [&str; 9] = ["a0", "a1", "a2", "p2", "q2", "d4", "d7", "f9", "w6"];

/// The lines that the page shows, in their order.
fn examples() -> Vec<&'static str> {
    PAGE.lines().filter_map(|line| line.strip_prefix("    ")).filter(|line| line.starts_with('{')).collect()
}

/// Those that a controller sends, decoded by the program, which is told that each must have its checksum.
fn decoded() -> (Vec<Reading>, Vec<Hello>) {
    let mut decoder = Decoder::new(Form::Counts { checksum_required: true }, &NAMES.map(String::from));
    let (mut readings, mut hellos) = (Vec::new(), Vec::new());
    for line in examples().iter().filter(|line| !to_controller(line)) {
        match decoder.line(Stamp(0), line.as_bytes()) {
            Ok(Decoded::Reading(reading)) => readings.push(reading.clone()),
            Ok(Decoded::Hello(hello)) => hellos.push(hello.clone()),
            Ok(_) => panic!("no reading and no hello: {line}"),
            Err(reject) => panic!("{}: {line}", reject.name()),
        }
    }
    assert_eq!(decoder.unknown_names(), Vec::<String>::new());
    (readings, hellos)
}

fn to_controller(line: &str) -> bool {
    ["{\"ask\"", "{\"rate_hz\"", "{\"set\""].iter().any(|head| line.starts_with(head))
}

fn field(reading: &Reading, name: &str) -> Raw {
    let index = match name {
        "ref" => FieldId::REF.index(),
        _ => FieldId::FIXED.len() + NAMES.iter().position(|known| *known == name).unwrap(),
    };
    reading.get(FieldId(index as u16))
}

#[test]
fn every_line_on_the_page_that_a_controller_sends_is_taken_and_says_what_the_page_says() {
    let (readings, hellos) = decoded();
    assert_eq!((examples().len(), readings.len(), hellos.len()), (8, 4, 1));
    assert_eq!((readings[0].t, field(&readings[0], "a0")), (20_840_132, Raw::Number(512.0)));
    let full = &readings[1];
    let numbers = [("ref", 226.0), ("a0", 512.0), ("a1", 87.4), ("q2", 17.0), ("d4", 1.0)];
    for (name, number) in numbers.into_iter().chain([("d7", 0.0), ("f9", 0.0), ("w6", 0.0)]) {
        assert_eq!(field(full, name), Raw::Number(number), "{name}");
    }
    assert_eq!(field(full, "a2"), Raw::Null);
    let edges = Edges { count: 8_123, last: 20_858_001, gaps: Some((9_820, 10_240)) };
    assert_eq!(field(full, "p2"), Raw::Edges(edges));
    let hello = &hellos[0];
    assert_eq!((hello.format, hello.adc_max, hello.analog, hello.rate_hz, hello.up_ms), (1, 1_023, 6, 50, 12));
    assert_eq!((hello.fw.as_str(), hello.board.as_str(), hello.reset), ("my-1.0", "mine", Reset::PowerOn));
    assert_eq!((&hello.pulse[..], &hello.digital[..], &hello.output[..]), (&[2, 3][..], &[4][..], &[7, 12][..]));
    assert_eq!((&hello.freq[..], &hello.duty[..]), (&[9][..], &[6][..]));
}

#[test]
fn the_two_readings_on_the_page_come_to_the_frequency_that_it_works_out() {
    let (readings, _) = decoded();
    let edges: Vec<_> = readings[2..]
        .iter()
        .map(|reading| match field(reading, "p2") {
            Raw::Edges(edges) => edges,
            other => panic!("{other:?}"),
        })
        .collect();
    let (count, span) = (edges[1].count - edges[0].count, edges[1].last - edges[0].last);
    assert_eq!((edges[0].last, edges[1].last, span), (20_878_001, 20_898_001, 20_000));
    let hertz = count * 1_000_000 / span;
    assert!(PAGE.contains(&format!("{count} edges in 20,898,001 - 20,878,001 = 20,000 us, which is {hertz} Hz")));
}

#[test]
fn the_lines_on_the_page_that_kickpanel_sends_are_those_that_it_sends() {
    let pin = |name: &str| Pin::parse(name).unwrap();
    let outputs = [(pin("d7"), 1), (pin("f9"), 133_333), (pin("w6"), 250)];
    let sent = [vec![ask_hello(), set_rate(100).unwrap()], set(&outputs, 1_000).unwrap()].concat();
    let shown: Vec<_> = examples().into_iter().filter(|line| to_controller(line)).collect();
    assert_eq!(shown, sent.iter().map(|line| line.trim_end()).collect::<Vec<_>>());
}

#[test]
fn the_firmware_obeys_the_lines_on_the_page() {
    let mut play = Play::new();
    for (second, line) in (1..).zip(examples().into_iter().filter(|line| to_controller(line))) {
        play = play.raw(second * SECOND, format!("{line}\n").as_bytes());
    }
    let told = play.until(4 * SECOND);
    let heard = told.heard();
    let hellos: Vec<_> = heard.hellos.iter().map(|(at, hello)| (at / SECOND, hello.rate_hz)).collect();
    assert_eq!(hellos, [(0, 50), (1, 50), (2, 100)]);
    let says = |at| ["d7", "f9", "w6"].map(|name| heard.before(at).number(name));
    assert_eq!(says(3 * SECOND + SECOND / 2), [1.0, 133_333.0, 250.0]);
    assert!(told.of_outputs().iter().all(|(at, pin, _)| *at > 3 * SECOND && OUTPUTS.contains(pin)));
}

/// CRC-16/IBM-3740: its check value is that of the catalogue of parametrised CRC algorithms.
#[test]
fn the_program_on_the_page_makes_the_checksums_on_the_page() {
    assert!(PAGE.contains("Of the nine bytes `123456789`\nit is `29B1`"));
    assert_eq!(checksum(b"123456789"), 0x29B1);
    let code = PAGE.split("```c\n").nth(1).unwrap().split("```").next().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("page.c");
    let main = r#"
int main(void)
{
    static char line[1024];
    printf("%04X\n", (unsigned)checksum("123456789"));
    while (scanf("%1000s", line) == 1) {
        finish(line);
        fputs(line, stdout);
    }
    return 0;
}
"#;
    std::fs::write(&source, format!("{code}{main}")).unwrap();
    let program = folder.path().join("page");
    let built = Command::new("cc")
        .args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-o"])
        .args([&program, &source])
        .output()
        .expect("a C compiler: install gcc, or run tests/run");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    let bodies: Vec<_> = examples().iter().map(|line| line.split(",\"crc\"").next().unwrap()).collect();
    let input = folder.path().join("input");
    std::fs::write(&input, bodies.join("\n")).unwrap();
    let run = Command::new(&program).stdin(std::fs::File::open(&input).unwrap()).output().unwrap();
    let made = String::from_utf8(run.stdout).unwrap();
    assert_eq!(made, format!("29B1\n{}\n", examples().join("\n")));
    // The worked example names the bytes and the result.
    let (body, sum) = (bodies[0], checksum(bodies[0].as_bytes()));
    assert!(PAGE.contains(&format!("that is `{body}`, and the checksum `{sum:04X}`")));
}

/// Every member that the firmware sends stands in the tables, so that a sketch can do all that the firmware does.
#[test]
fn every_member_that_the_firmware_sends_stands_on_the_page() {
    let told = Play::new().at(SECOND, "level 2 1").at(SECOND + 10, "burst 2 20 30").until(2 * SECOND);
    let mut names = std::collections::BTreeSet::new();
    for (_, line) in told.lines.iter().filter(|(_, line)| !line.is_empty()) {
        let value: serde_json::Value = serde_json::from_str(line).unwrap();
        let whole = value.as_object().unwrap();
        names.extend(whole.keys().cloned());
        if let Some(hello) = whole.get("hello") {
            names.extend(hello.as_object().unwrap().keys().cloned());
        }
    }
    names.remove("hello");
    names.remove("crc");
    assert!(names.contains("q2") && names.contains("up_ms"), "{names:?}");
    let rows: String = PAGE.lines().filter(|line| line.starts_with("| `")).collect();
    for name in names {
        let letters = name.trim_end_matches(|c: char| c.is_ascii_digit());
        let known = if letters == name { format!("`{name}`") } else { format!("`{letters}N`") };
        assert!(rows.contains(&known), "{known} stands in no table");
    }
}
