//! How fast lines are decoded, beside a typed `serde_json` that does less: no ranges, no clocks, no names of the config.
#![allow(missing_docs, clippy::cast_possible_truncation, clippy::unwrap_used, reason = "a benchmark")]

use std::sync::Arc;

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use kickpanel::config::{self, LinkId};
use kickpanel::pipeline::{Outcome, Pipeline};
use kickpanel::time::Stamp;
use kickpanel::wire::{Decoder, Form, Piece, Splitter, checksum, seal};

fn main() {
    divan::main();
}

/// How many lines a turn decodes.
const LINES: u32 = 4096;

/// Readings of a controller at 50 lines a second, of about 170 bytes each.
fn lines() -> Vec<String> {
    (0..LINES).map(line).collect()
}

fn line(number: u32) -> String {
    // Six signals with noise: five keep their count of digits, one swings about 100 and does not.
    const LEVELS: [u32; 6] = [512, 98, 730, 214, 871, 345];
    let noise = |pin: usize| (number.wrapping_mul(2_654_435_761) >> (3 * pin + 8)) % 5;
    // No two fall back in the same line: that would be the ground which they share.
    let counts = |pin: usize| LEVELS[pin] + noise(pin) + (number / 64 + 3 * pin as u32) % 16;
    let t = 2_084_013_200 + number * 20_000;
    let edges =
        |count: u32, gap: u32| format!("[{},{},{},{}]", count + number * 2, t - number % gap, gap, gap + number % 97);
    let analog: Vec<String> = (0..6).map(|pin| format!("\"a{pin}\":{}", counts(pin))).collect();
    let mut line = format!(
        r#"{{"s":{},"t":{t},"ref":{},{},"p2":{},"p3":{},"d4":{}"#,
        number % 65_536,
        226 + number % 3,
        analog.join(","),
        edges(81_230, 9_820),
        edges(1_204, 41_300),
        number / 50 % 2
    );
    seal(&mut line);
    line
}

/// The fields of the config: all that the lines carry.
fn names() -> Vec<String> {
    ["a0", "a1", "a2", "a3", "a4", "a5", "p2", "p3", "d4"].map(String::from).to_vec()
}

#[divan::bench]
fn wire_only(bencher: Bencher) {
    let lines = lines();
    let mut decoder = Decoder::new(Form::Counts { checksum_required: true }, &names());
    bencher.counter(ItemsCount::new(LINES)).bench_local(|| {
        for line in &lines {
            let taken = decoder.line(Stamp(0), black_box(line.as_bytes()));
            assert!(black_box(taken).is_ok());
        }
    });
}

#[divan::bench]
fn wire_with_splitter(bencher: Bencher) {
    let bytes = lines().join("\n").into_bytes();
    let mut decoder = Decoder::new(Form::Counts { checksum_required: true }, &names());
    let mut splitter = Splitter::new();
    bencher.counter(ItemsCount::new(LINES)).bench_local(|| {
        for chunk in bytes.chunks(4096) {
            splitter.push(chunk, &mut |piece| {
                if let Piece::Line(line) = piece {
                    assert!(black_box(decoder.line(Stamp(0), line)).is_ok());
                }
            });
        }
        splitter.push(b"\n", &mut |_| {});
    });
}

#[divan::bench]
fn checksum_only(bencher: Bencher) {
    let lines = lines();
    bencher.counter(ItemsCount::new(LINES)).bench_local(|| {
        for line in &lines {
            black_box(checksum(&black_box(line.as_bytes())[..line.len() - 14]));
        }
    });
}

/// What a plain program would have `serde_json` fill, borrowing from the line.
#[derive(serde::Deserialize)]
#[expect(dead_code, reason = "only filled")]
struct Typed<'a> {
    s: u16,
    t: u32,
    r#ref: f64,
    a0: f64,
    a1: f64,
    a2: f64,
    a3: f64,
    a4: f64,
    a5: f64,
    p2: [u32; 4],
    p3: [u32; 4],
    d4: u8,
    crc: &'a str,
}

#[divan::bench]
fn serde_json_typed(bencher: Bencher) {
    let lines = lines();
    bencher.counter(ItemsCount::new(LINES)).bench_local(|| {
        for line in &lines {
            let line = black_box(line.as_bytes());
            let typed: Typed<'_> = serde_json::from_slice(line).unwrap();
            let sum = checksum(&line[..line.len() - 14]);
            assert_eq!(u16::from_str_radix(typed.crc, 16), Ok(sum));
            black_box(typed);
        }
    });
}

/// Everything from a line to the snapshot: 11 channels and 13 alarms of the lorry.
#[divan::bench]
fn pipeline(bencher: Bencher) {
    through_the_pipeline(bencher, &lines());
}

/// The same with values that move as those of a healthy engine do: a few counts from line to line, no alarm.
#[divan::bench]
fn pipeline_of_a_steady_engine(bencher: Bencher) {
    through_the_pipeline(bencher, &(0..LINES).map(steady).collect::<Vec<_>>());
}

fn through_the_pipeline(bencher: Bencher, lines: &[String]) {
    let model = config::load(include_str!("../suite/pipeline/lorry.toml")).model.unwrap();
    let mut pipeline = Pipeline::new(Arc::new(model));
    let mut now = Stamp(0);
    bencher.counter(ItemsCount::new(LINES)).bench_local(|| {
        for line in lines {
            now = now.after(20_000);
            let outcome = pipeline.line(LinkId(0), now, black_box(line.as_bytes()), &mut |change| {
                black_box(change);
            });
            assert_eq!(outcome, Outcome::Reading);
            black_box(pipeline.snapshot());
        }
    });
}

fn steady(number: u32) -> String {
    let noise = |pin: u32| (number.wrapping_mul(2_654_435_761).rotate_left(pin * 5) ^ number) % 4;
    let t = 2_084_013_200 + number * 20_000;
    // Edges come every so many µs, whenever the line is; their gaps tremble a little.
    let edges = |first: u32, gap: u32, noise: u32| {
        let count = (t - 2_000_000_000) / gap;
        format!("[{},{},{},{}]", first + count, 2_000_000_000 + count * gap - noise, gap - 20 - noise, gap + 20 + noise)
    };
    let mut line = format!(
        r#"{{"s":{},"t":{t},"ref":{},"a0":{},"a1":{},"a2":{},"a3":{},"a4":{},"a5":{},"p2":{},"p3":{},"d4":1"#,
        number % 65_536,
        225 + noise(7) / 3,
        300 + noise(0),
        540 + noise(1),
        512 + noise(2),
        387 + noise(3),
        498 + noise(4),
        701 + noise(5),
        edges(81_230, 13_340, noise(1)),
        edges(1_204, 41_300, noise(2)),
    );
    seal(&mut line);
    line
}
