//! The hot path allocates nothing: counted, not claimed.
#![allow(missing_docs, clippy::unwrap_used, clippy::format_push_string, reason = "tests")]

use std::sync::Arc;

use kickpanel::config::{self, LinkId};
use kickpanel::pipeline::{Outcome, Pipeline};
use kickpanel::state::Shared;
use kickpanel::time::Stamp;
use kickpanel::wire::{Decoder, Form, Piece, Pin, Splitter, seal};

/// A line of an engine at work, each second with one that carries a field less.
fn line(number: u32) -> String {
    let t = 2_084_013_200 + number * 20_000;
    let wave = |pin: u32| 300 + (number * (pin + 3)) % 400;
    let mut line = format!("{{\"s\":{},\"t\":{t},\"ref\":{}", number % 65_536, 225 + number % 3);
    for pin in (0..6).filter(|pin| !number.is_multiple_of(50) || *pin != 1) {
        line += &format!(",\"a{pin}\":{}", wave(pin));
    }
    line += &format!(",\"p2\":[{},{},9820,10240],\"p3\":[{},{}]", 81_230 + number * 2, t - 201, 1_204 + number, t - 99);
    line += &format!(",\"d4\":{},\"f9\":40000", number / 50 % 2);
    seal(&mut line);
    line
}

#[test]
fn ten_thousand_usual_lines_allocate_nothing_on_their_way_to_the_readers() {
    let text = include_str!("suite/pipeline/lorry.toml");
    let more = "\n[channel.trend]\nformula = \"rate(oil, 3) + mean(feed, 2)\"\n";
    let outputs = "\n[output.fan]\npin = \"d7\"\non = \"rate(oil) > 0\"\noff_if = \"mean(feed, 1) < 0\"\nlongest = \"3 s\"\narmed = true\n\
        [output.needle]\npin = \"f9\"\nfrom = \"oil\"\npoints = [[0, \"0 Hz\"], [8, \"80 Hz\"]]\narmed = true\n";
    let model = config::load(&format!("{text}{more}{outputs}")).model.unwrap();
    let mut pipeline = Pipeline::new(Arc::new(model));
    let shared = Shared::new(Arc::clone(pipeline.model()), pipeline.snapshot().clone());
    let lines: Vec<String> = (0..11_000).map(line).collect();
    let pin = Pin::parse("d7").unwrap();
    let sets = [0, 1].map(|value| kickpanel::wire::set(&[(pin, value)], 1000).unwrap().remove(0));
    let (mut heard, mut switched) = (0, 0);
    let mut run = |from: usize, to: usize| {
        for (number, line) in (0_i64..).zip(&lines).skip(from).take(to - from) {
            let now = Stamp(number * 20_000);
            let outcome = pipeline.line(LinkId(0), now, line.as_bytes(), &mut |_| heard += 1);
            assert_eq!(outcome, Outcome::Reading);
            let wanted = usize::from(pipeline.snapshot().outputs[0].wanted == 1);
            if number % 15 == 0 {
                pipeline.sent(LinkId(0), now.after(5_000), sets[wanted].as_bytes(), &mut |_| heard += 1);
            }
            switched += wanted;
            pipeline.tick(now.after(10_000), &mut |_| heard += 1);
            shared.publish(pipeline.snapshot());
        }
    };
    run(0, 1000);
    let counted = allocation_counter::measure(|| run(1000, 11_000));
    assert_eq!((counted.count_total, counted.bytes_total), (0, 0));
    assert!(heard > 0, "alarms came and went on the way");
    assert!(switched > 0, "an output was on");
}

#[test]
fn the_counter_counts() {
    let counted = allocation_counter::measure(|| drop(std::hint::black_box(vec![0_u8; 100])));
    assert_eq!(counted.count_total, 1);
}

// A1 and A5 of the catalogue of faults: whatever comes, the memory does not grow.
#[test]
fn a_million_random_bytes_and_ten_million_without_lf_leave_no_memory_behind() {
    let usual = b"{}[]\":,.0123456789tsa=;$*\n";
    let mut decoder = Decoder::new(Form::Counts { checksum_required: false }, &[]);
    let mut splitter = Splitter::new();
    let mut seed = 0x2545_F491_4F6C_DD1D_u64;
    let mut noise = [0; 2_000];
    let mut feed = |rounds: usize, without_lf: bool| {
        for round in 0..rounds {
            for byte in &mut noise {
                seed ^= seed << 13;
                seed ^= seed >> 7;
                seed ^= seed << 17;
                let any = seed.to_le_bytes()[3];
                *byte = if round % 2 == 0 { any } else { usual[usize::from(any) % usual.len()] };
                if without_lf && *byte == b'\n' {
                    *byte = b'x';
                }
            }
            splitter.push(&noise, &mut |piece| match piece {
                Piece::Line(line) => drop(decoder.line(Stamp(0), line)),
                Piece::TooLong(_) => decoder.too_long(),
            });
        }
    };
    // Names that nobody knows are kept, up to 256 of them.
    feed(500, false);
    let counted = allocation_counter::measure(|| {
        feed(500, false);
        feed(5_000, true);
    });
    assert_eq!(counted.bytes_current, 0);
    assert!(counted.bytes_max < 4_096, "{}", counted.bytes_max);
}
