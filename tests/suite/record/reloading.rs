//! A config that is changed while driving: what was shown live is what replay and export give, bit for bit.
//!
//! Checked by the invariant itself (a recording replayed gives what was shown on the road), so no source outside.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use kickpanel::config::LinkId;
use kickpanel::drive::Engine;
use kickpanel::export::{self, Columns, Format, Options};
use kickpanel::link::{Event, Sink as _};
use kickpanel::pipeline::{Outcome, Pipeline};
use kickpanel::record::{Recorder, Recording, Setup};
use kickpanel::replay::{Configs, Fed, Feed};
use kickpanel::state::{Shared, Snapshot};
use kickpanel::time::system::Clock;
use kickpanel::time::{Micros, SECOND, Stamp};
use kickpanel::wire::seal;
use proptest::prelude::*;
use serde_json::Value;
use tempfile::TempDir;
use tokio::sync::mpsc;

use crate::rig::model;

/// What each config differs in from the first. All read the same link.
const CHANGES: [(&str, &str); 8] = [
    ("", ""),
    // Another calibration.
    ("[channel.oil.calibration]\ngain = 1", "[channel.oil.calibration]\ngain = 1.0625\noffset = -0.21"),
    ("smooth = \"300 ms\"", "smooth = \"2 s\""),
    ("above = 4.5", "above = 3.5"),
    // A channel of a field that no config read before, and a formula over it.
    (
        "[channel.slope]",
        "[channel.level]\ninput = \"a2\"\nunit = \"V\"\n[channel.sum]\nformula = \"level + oil\"\n[channel.slope]",
    ),
    ("reference = \"1.1 V\"", "reference = \"1.083 V\""),
    ("unit = \"bar\"\nspan = [0, 8]", "unit = \"kPa\"\nspan = [0, 800]"),
    // One channel less; and the line must not have a checksum.
    ("[channel.lost]\ninput = \"link.lost\"\n", ""),
];

const FIRST: &str = r#"
format = 1
[link.engine]
checksum = "accepted"
reference = "1.1 V"

[channel.oil]
input = "a1"
sensor = { kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "8 bar"], ratiometric = "5 V" }
unit = "bar"
span = [0, 8]
smooth = "300 ms"
fresh = "400 ms"
[channel.oil.calibration]
gain = 1
[[channel.oil.alarm]]
level = "danger"
above = 4.5
after = "200 ms"

[channel.rpm]
input = "p2"
sensor = { kind = "pulses", count = 2, per = "rev" }
unit = "1/min"

[channel.slope]
formula = "rate(oil, 2)"

[channel.lost]
input = "link.lost"
"#;

fn config(number: usize) -> String {
    let (from, to) = CHANGES[number];
    assert!(FIRST.contains(from), "{from}");
    FIRST.replacen(from, to, 1)
}

/// What is shown, in bits: a number that is none is the same as itself.
#[derive(Clone, Debug, PartialEq)]
struct Picture {
    at: Micros,
    channels: Vec<[(Option<u64>, &'static str); 2]>,
    alarms: Vec<bool>,
    links: Vec<(u64, u64, u64, Option<u64>)>,
}

impl Picture {
    fn of(snapshot: &Snapshot) -> Self {
        let value = |value: kickpanel::channel::Value| (value.good().map(f64::to_bits), value.trust().name());
        Self {
            at: snapshot.at,
            channels: snapshot.channels.iter().map(|shown| [value(shown.value), value(shown.smooth)]).collect(),
            alarms: snapshot.alarms.iter().map(|alarm| alarm.active).collect(),
            links: snapshot
                .links
                .iter()
                .map(|link| (link.bad, link.lost, link.restarts, link.supply.map(f64::to_bits)))
                .collect(),
        }
    }
}

/// A row of an export: bits and state of each channel that it has.
type Row = BTreeMap<String, (Option<u64>, String)>;

/// One thing that happens on a drive.
#[derive(Clone, Debug)]
enum Step {
    /// A line, so long after what came before; good, lost on the way, without its checksum, or noise.
    Line { after: Micros, oil: u16, kind: u8 },
    /// The config becomes this one.
    Config { after: Micros, number: usize },
    /// The controller starts anew.
    Restart,
    /// The controller says what it is: a converter of 12 bits.
    Hello,
    /// The cable is pulled and plugged in again.
    Plug,
}

fn step() -> impl Strategy<Value = Step> {
    let line = (prop_oneof![12 => 15_000..25_000_i64, 1 => 100_000..900_000_i64], 80..1000_u16, 0..24_u8);
    prop_oneof![
        40 => line.prop_map(|(after, oil, kind)| Step::Line { after, oil, kind }),
        3 => (0..20_000_i64, 0..CHANGES.len()).prop_map(|(after, number)| Step::Config { after, number }),
        1 => Just(Step::Restart),
        1 => Just(Step::Hello),
        1 => Just(Step::Plug),
    ]
}

/// A drive in memory of real parts: everything but the port.
struct Drive {
    engine: Engine,
    now: Micros,
    clock: u32,
    number: u16,
    edges: u32,
    pictures: Vec<Picture>,
}

impl Drive {
    fn new(folder: &Path) -> Self {
        let first = Arc::new(model(FIRST));
        let setup = Setup { program: "kickpanel test".into(), config: FIRST.into(), wall: None };
        let recorder = Recorder::start(folder.to_owned(), setup, Clock::start());
        let shared = Shared::new(Arc::clone(&first), Pipeline::new(Arc::clone(&first)).snapshot().clone());
        let engine = Engine::new(first, Some(recorder), shared, vec![mpsc::channel(1).0]);
        Self { engine, now: 1000, clock: 5_000_000, number: 7, edges: 40, pictures: Vec::new() }
    }

    fn take(&mut self, step: &Step) {
        match *step {
            Step::Line { after, oil, kind } => self.line(after, oil, kind),
            Step::Config { after, number } => {
                self.now += after;
                let text = config(number);
                self.engine.reload(Stamp(self.now), Arc::new(model(&text)), &text);
            }
            Step::Restart => (self.clock, self.number, self.edges) = (30_000, 0, 0),
            Step::Hello => {
                let mut hello = format!(
                    "{{\"hello\":{{\"format\":1,\"fw\":\"1\",\"board\":\"ATmega328P\",\"reset\":\"power\",\"adc_max\":4095,\
                     \"analog\":6,\"pulse\":[2],\"digital\":[],\"output\":[],\"rate_hz\":50,\"up_ms\":{}}}",
                    self.clock / 1000
                );
                seal(&mut hello);
                self.hear(&hello);
            }
            Step::Plug => {
                let down = Event::Down(kickpanel::state::Trouble::Unplugged);
                self.engine.event(LinkId(0), Stamp(self.now), down);
                self.engine.event(LinkId(0), Stamp(self.now + 400), Event::Up { device: Path::new("port") });
                self.now += 500;
            }
        }
    }

    fn line(&mut self, after: Micros, oil: u16, kind: u8) {
        self.now += after;
        self.clock = self.clock.wrapping_add(after as u32);
        (self.number, self.edges) = (self.number.wrapping_add(1), self.edges + 3);
        let (clock, edge) = (self.clock, self.clock.wrapping_sub(1500));
        let supply = if kind.is_multiple_of(3) { "" } else { ",\"ref\":225" };
        let mut line = format!(
            "{{\"s\":{},\"t\":{clock}{supply},\"a1\":{oil},\"a2\":{},\"p2\":[{},{edge}]",
            self.number,
            oil / 2,
            self.edges
        );
        match kind {
            0 => return,
            1 => line = "noise".into(),
            2 => line.push('}'),
            _ => {
                seal(&mut line);
            }
        }
        // The task ticks where something is due, a little late and not always: it may have been held up.
        while let Some(due) = self.engine.due().filter(|due| due.0 + 1500 < self.now && !kind.is_multiple_of(5)) {
            self.engine.tick(due.after(1500));
        }
        self.hear(&line);
    }

    fn hear(&mut self, line: &str) {
        self.engine.event(LinkId(0), Stamp(self.now), Event::Bytes(format!("{line}\r\n").as_bytes()));
        self.pictures.push(Picture::of(self.engine.snapshot()));
    }
}

/// What a replay shows after each line, and the rows that an export has for each reading: its time, and each channel that
/// the config of that instant has.
fn replayed(path: &Path) -> (Vec<Picture>, Vec<Row>) {
    let mut recording = Recording::open(&[path.to_owned()]).unwrap();
    let mut feed = Feed::new(Configs::followed(Arc::new(model(FIRST)), recording.config()));
    let (mut pictures, mut rows) = (Vec::new(), Vec::new());
    while let Some(item) = recording.next().unwrap() {
        let Fed::Line(outcome) = feed.item(&item, &mut |_| {}) else { continue };
        pictures.push(Picture::of(feed.pipeline().snapshot()));
        if outcome == Outcome::Reading {
            let names = feed.pipeline().model().channels.iter().map(|channel| channel.name.clone());
            let values = feed.pipeline().snapshot().channels.iter().map(|shown| shown.value);
            let cells = values.map(|value| (value.good().map(f64::to_bits), value.trust().name().to_owned()));
            rows.push(names.zip(cells).collect());
        }
    }
    assert_eq!(recording.damage(), kickpanel::record::Damage::default());
    (pictures, rows)
}

/// The rows of a real export in JSON; a channel in another unit goes by its name here as well.
fn exported(path: &Path) -> Vec<Row> {
    let open = || Recording::open(&[path.to_owned()]).unwrap();
    let mut configs = Configs::followed(Arc::new(model(FIRST)), open().config());
    let columns = Columns::ahead(open(), &mut configs, false);
    let options = Options { format: Format::Jsonl, every: None, columns };
    let mut text = Vec::new();
    let done = export::run(&mut open(), configs, options, &mut text, &mut |error| panic!("{error}")).unwrap();
    assert_eq!((done.left_out, done.refused.count), (Vec::new(), 0));
    let rows = std::str::from_utf8(&text).unwrap().lines().map(|line| {
        let Value::Object(object) = serde_json::from_str(line).unwrap() else { panic!("{line}") };
        let states = object["states"].clone();
        let cells = object.iter().filter(|(key, _)| !["time_s", "states"].contains(&key.as_str()));
        let cell = |(key, value): (&String, &Value)| {
            let state = states[key].as_str().unwrap_or("ok").to_owned();
            let name = key.split(' ').next().unwrap().to_owned();
            (name, (value.as_f64().map(f64::to_bits), state))
        };
        cells.map(cell).collect()
    });
    rows.collect()
}

#[track_caller]
fn check(steps: &[Step]) -> Vec<Picture> {
    check_in(&TempDir::new().unwrap(), steps)
}

/// The same, with the recording left in `folder`.
#[track_caller]
fn check_in(folder: &TempDir, steps: &[Step]) -> Vec<Picture> {
    let mut drive = Drive::new(folder.path());
    drive.engine.event(LinkId(0), Stamp(500), Event::Up { device: Path::new("port") });
    for step in steps {
        drive.take(step);
    }
    drive.engine.close();
    let path = folder.path().join("000001-01.kpr");
    let (pictures, rows) = replayed(&path);
    assert_eq!(pictures.len(), drive.pictures.len());
    for (number, (shown, live)) in pictures.iter().zip(&drive.pictures).enumerate() {
        assert_eq!(shown, live, "line {number}");
    }
    let exported = exported(&path);
    assert_eq!(exported.len(), rows.len());
    for (number, (row, expected)) in exported.iter().zip(&rows).enumerate() {
        assert_eq!(row, expected, "row {number}");
    }
    pictures
}

#[test]
fn every_kind_of_change_is_replayed_and_exported_as_it_was_shown() {
    let lines =
        |count: u16| (0..count).map(|n| Step::Line { after: 20_000, oil: 400 + n * 3 % 400, kind: 4 + (n % 20) as u8 });
    let mut steps: Vec<Step> = lines(80).collect();
    for number in (1..CHANGES.len()).chain([0]) {
        steps.push(Step::Config { after: 7_000, number });
        steps.extend(lines(80));
    }
    let pictures = check(&steps);
    let oil = |number: usize| f64::from_bits(pictures[number].channels[0][0].0.unwrap());
    // By hand: 400 of 1024 are 1.953125 V of 5 V, which are (1.953125 − 0.5) / 4 × 8 = 2.90625 bar.
    assert_eq!(oil(0), 2.90625);
    assert!((oil(80) - (2.90625 * 1.0625 - 0.21)).abs() < 1e-12, "{}", oil(80));
    assert_eq!((pictures[79].channels.len(), pictures[4 * 80].channels.len()), (4, 6));
    assert!((oil(6 * 80) - 290.625).abs() < 1e-9, "in kPa: {}", oil(6 * 80));
    assert_eq!(pictures[7 * 80].channels.len(), 3);
    assert!(pictures.windows(2).all(|two| two[0].at <= two[1].at), "the time of exports goes on");
    assert!(pictures.last().unwrap().at > 12 * SECOND);
    assert!(pictures.iter().any(|picture| picture.alarms == [true]));
}

#[test]
fn what_the_controller_said_its_counts_and_its_clock_are_kept_over_a_change() {
    let line = |oil| Step::Line { after: 20_000, oil, kind: 4 };
    let lost = Step::Line { after: 20_000, oil: 400, kind: 0 };
    let change = Step::Config { after: 5_000, number: 3 };
    let pictures = check(&[Step::Hello, line(800), lost, line(800), change, line(800), line(800)]);
    let oil: Vec<_> = pictures.iter().map(|picture| picture.channels[0][0].0.map(f64::from_bits)).collect();
    // By hand: 800 of 4096 of 5 V are 0.9765625 V, which are 0.953125 bar.
    assert_eq!(oil, [None, Some(0.953_125), Some(0.953_125), Some(0.953_125), Some(0.953_125)]);
    assert_eq!(pictures.iter().map(|picture| picture.links[0].1).collect::<Vec<_>>(), [0, 0, 1, 1, 1]);
    assert_eq!(pictures.iter().map(|picture| picture.at).collect::<Vec<_>>(), [0, 0, 40_000, 60_000, 80_000]);
}

#[test]
fn an_alarm_goes_on_over_a_save_and_where_its_limit_is_another_the_recording_holds_its_end() {
    let lines = |count: usize| std::iter::repeat_n(Step::Line { after: 20_000, oil: 900, kind: 4 }, count);
    let change = |number| std::iter::once(Step::Config { after: 7_000, number });
    // Saved as it is, with another smoothing, and with another limit.
    let steps: Vec<_> = lines(20)
        .chain(change(0))
        .chain(lines(20))
        .chain(change(2))
        .chain(lines(20))
        .chain(change(3))
        .chain(lines(20))
        .collect();
    let folder = TempDir::new().unwrap();
    let pictures = check_in(&folder, &steps);
    let sounds: Vec<_> = pictures.iter().map(|picture| picture.alarms == [true]).collect();
    // 900 of 1024 are far above 4.5 bar; `after` is 200 ms, ten lines from the first.
    let expected = |number: usize| (10..60).contains(&number) || number >= 70;
    assert_eq!(sounds, (0..80).map(expected).collect::<Vec<_>>());
    let text = std::fs::read_to_string(folder.path().join("000001-01.kpr")).unwrap();
    let notes: Vec<_> = text
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line.split_once("\t!\t")?.1).ok())
        .filter_map(|note| match note["note"].as_str() {
            Some("alarm") => Some(format!("{} {}", note["channel"].as_str()?, note["state"].as_str()?)),
            Some("config") => Some("config".to_owned()),
            _ => None,
        })
        .collect();
    assert_eq!(notes, ["oil on", "config", "config", "oil off", "config", "oil on"]);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn changes_at_any_points_are_replayed_and_exported_as_they_were_shown(steps in prop::collection::vec(step(), 50..400)) {
        check(&steps);
    }
}
