//! The same lines at the same times give the same, bit for bit, however they were cut and whatever else was asked.

use std::sync::Arc;

use kickpanel::config::LinkId;
use kickpanel::pipeline::Pipeline;
use kickpanel::state::Snapshot;
use kickpanel::time::{Stamp, system};
use kickpanel::wire::{Piece, Splitter, seal};

use crate::rig::model;

/// Ten minutes of an engine that wanders, with damage, pauses and restarts.
fn drive() -> Vec<(i64, String)> {
    let mut seed = 0x9E37_79B9_7F4A_7C15_u64;
    let mut random = move |below: u64| {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        seed % below
    };
    let mut levels = [500; 6];
    let (mut now, mut t, mut count, mut s) = (0_i64, 4_200_000_000_u32, 0_u32, 0_u16);
    let mut lines = Vec::new();
    for _ in 0..30_000 {
        let pause = if random(500) == 0 { 3_000_000 } else { 20_000 };
        now += pause + random(4_000) as i64;
        (t, s) = (t.wrapping_add(pause as u32), s.wrapping_add(1));
        if random(4_000) == 0 {
            (t, count, s) = (30_000, 0, 0);
        }
        count += random(4) as u32;
        let mut line = format!("{{\"s\":{s},\"t\":{t},\"ref\":{}", 220 + random(12));
        for (pin, level) in levels.iter_mut().enumerate() {
            if random(10) > 0 {
                if random(700) == 0 {
                    *level = random(1015);
                }
                line += &format!(",\"a{pin}\":{}", *level + random(10));
            }
        }
        let last = if count == 0 { 0 } else { t.wrapping_sub(1_000) };
        line += &format!(",\"p2\":[{count},{last}],\"d4\":{}", random(2));
        seal(&mut line);
        if random(200) == 0 {
            line.truncate(line.len() / 2);
        }
        lines.push((now, line));
    }
    lines
}

fn pipeline() -> Pipeline {
    let text = include_str!("lorry.toml");
    let more = "\n[channel.trend]\nformula = \"rate(oil, 3) + mean(feed, 2)\"\n";
    Pipeline::new(Arc::new(model(&format!("{text}{more}"))))
}

fn assert_same(one: &Snapshot, other: &Snapshot) {
    // What is no number equals nothing, so the texts are compared: they tell every bit apart that matters.
    assert_eq!(format!("{one:?}"), format!("{other:?}"));
}

#[test]
fn the_same_lines_cut_anyhow_and_at_any_time_of_day_give_equal_snapshots() {
    let lines = drive();
    let (mut whole, mut cut, mut splitter) = (pipeline(), pipeline(), Splitter::new());
    let (mut one_hears, mut other_hears) = (Vec::new(), Vec::new());
    for (n, (now, line)) in lines.iter().enumerate() {
        whole.line(LinkId(0), Stamp(*now), line.as_bytes(), &mut |change| one_hears.push((*now, change)));
        // The wall clock is asked in between and must not matter to anything.
        let _ = system::wall();
        let bytes = format!("{line}\r\n");
        for chunk in bytes.as_bytes().chunks(1 + n % 37) {
            splitter.push(chunk, &mut |piece| {
                if let Piece::Line(line) = piece {
                    cut.line(LinkId(0), Stamp(*now), line, &mut |change| other_hears.push((*now, change)));
                }
            });
        }
        if n % 100 == 0 {
            assert_same(whole.snapshot(), cut.snapshot());
        }
    }
    assert_same(whole.snapshot(), cut.snapshot());
    assert_eq!(one_hears, other_hears);
    assert!(one_hears.len() > 10, "alarms came and went: {}", one_hears.len());
}

#[test]
fn what_lines_give_does_not_depend_on_ticks_between_them() {
    let (mut quiet, mut asked) = (pipeline(), pipeline());
    let mut before = 0;
    for (now, line) in drive() {
        // Ticks at all the instants that are due, as a live task would have them.
        while let Some(due) = asked.due().filter(|due| due.0 < now) {
            asked.tick(due, &mut |_| {});
            assert!(due.0 >= before, "due never lies in the past");
            before = due.0.max(before);
            assert_ne!(asked.due(), Some(due), "the same instant is due again after it was done");
        }
        before = now;
        for pipeline in [&mut quiet, &mut asked] {
            pipeline.line(LinkId(0), Stamp(now), line.as_bytes(), &mut |_| {});
        }
        let values = |pipeline: &Pipeline| {
            let channels = &pipeline.snapshot().channels;
            channels.iter().map(|shown| (shown.value, shown.smooth)).collect::<Vec<_>>()
        };
        assert_eq!(values(&quiet), values(&asked), "at {now}");
    }
}
