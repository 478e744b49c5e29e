//! One way from line to value: a demo driven live through a pseudo-terminal, its recording fed to a pipeline, its export,
//! and the same story written at once all agree to the last bit.

use std::collections::BTreeMap;
use std::process::Stdio;
use std::sync::Arc;

use kickpanel::config::LinkId;
use kickpanel::pipeline::{Outcome, Pipeline};
use kickpanel::record::{Item, Recording};
use kickpanel::time::Micros;
use rustix::process::Signal;
use serde_json::Value;

use super::bench::{Bench, Running, until};
use crate::rig::model;

/// Values and states of a row by the controller's clock, µs.
type Rows = BTreeMap<i64, Vec<(Option<u64>, String)>>;

/// The demo's config with short windows, so that soon after joining nothing remembers how the drive began.
fn config() -> String {
    let text = include_str!("../../../config/hill-lorry.toml");
    let short = text.replace("rate(feed, 3)", "rate(feed, 1)").replace("mean(feed, 30)", "mean(feed, 2)");
    assert_ne!(short, text);
    short
}

/// What an export says, and the controller's clock at its first reading.
fn exported(bench: &Bench, file: &str) -> Rows {
    let first = clock_of_first_reading(bench, file);
    let out = bench.run(&["export", file, "--to", "jsonl"]).out;
    let mut rows = Rows::new();
    let names: Vec<String> = model(&config()).channels.into_iter().map(|channel| channel.name).collect();
    for line in out.lines() {
        let object: Value = serde_json::from_str(line).unwrap();
        let at = (object["time_s"].as_f64().unwrap() * 1e6).round() as i64;
        let cell = |name: &String| {
            let state = object["states"][name].as_str().unwrap_or("ok").to_owned();
            (object[name].as_f64().map(f64::to_bits), state)
        };
        rows.insert(first + at, names.iter().map(cell).collect());
    }
    rows
}

fn clock_of_first_reading(bench: &Bench, file: &str) -> i64 {
    let mut recording = Recording::open(&[bench.path(file)]).unwrap();
    while let Some(item) = recording.next().unwrap() {
        if let Item::Line(line) = item
            && let Ok(reading) = serde_json::from_slice::<Value>(line.bytes)
            && let Some(clock) = reading["t"].as_i64()
        {
            return clock;
        }
    }
    panic!("{file} has no reading");
}

/// What a pipeline of our own makes of the same recording, by the time since its first reading, µs.
fn fed(bench: &Bench, file: &str) -> BTreeMap<Micros, Vec<(Option<u64>, String)>> {
    let mut recording = Recording::open(&[bench.path(file)]).unwrap();
    let mut pipeline = Pipeline::new(Arc::new(model(&config())));
    let mut rows = BTreeMap::new();
    while let Some(item) = recording.next().unwrap() {
        match item {
            Item::Note(note) if note.text("state") == Some("up") => pipeline.link_up(LinkId(0), note.at),
            Item::Line(line) => {
                let at = line.at.unwrap();
                if pipeline.line(LinkId(0), at, line.bytes, &mut |_| {}) == Outcome::Reading {
                    let values = pipeline.snapshot().channels.iter().map(|shown| shown.value);
                    let values = values.map(|value| (value.good().map(f64::to_bits), value.trust().name().to_owned()));
                    rows.insert(pipeline.snapshot().at, values.collect());
                }
            }
            _ => {}
        }
    }
    rows
}

#[test]
fn live_recorded_exported_and_written_at_once_agree_to_the_last_bit() {
    let bench = Bench::new();
    bench.write("lorry.toml", config());
    let mut command = bench.command(&["-c", "lorry.toml", "demo", "--no-screen", "--seed", "3"]);
    let mut live = Running::start(command.stdout(Stdio::null()));
    let folder = "data/kickpanel/demo";
    let file = format!("{folder}/000001-01.kpr");
    let lines = || std::fs::read_to_string(bench.path(&file)).map_or(0, |text| text.matches("\t<\t").count());
    until("some seconds are recorded", || lines() > 250);
    live.send(Signal::TERM);
    assert_eq!(live.ended().code(), Some(0));

    let export = exported(&bench, &file);
    let first = *export.keys().next().unwrap();
    let fed: Rows = fed(&bench, &file).into_iter().map(|(at, row)| (first + at, row)).collect();
    assert!(export.len() > 240, "{} rows", export.len());
    assert_eq!(export, fed, "the export and a pipeline of our own");

    bench.run(&["-c", "lorry.toml", "demo", "--seed", "3", "--write", "written.kpr", "--minutes", "1"]).done();
    let written = exported(&bench, "written.kpr");
    // What the computer missed before it listened matters for as long as the longest window, and slow inputs come once
    // a second.
    let joined = first + 3_000_000;
    let mut compared = 0;
    for (at, row) in export.range(joined..) {
        assert_eq!(row, &written[at], "at {at} µs of the controller's clock");
        compared += 1;
    }
    assert!(compared > 80, "{compared} rows compared");
}
