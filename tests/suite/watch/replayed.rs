//! What persons did about alarms stands in the recording, and a replay shows it as the drive did.
//!
//! Checked by the invariant itself (a recording replayed gives what was shown on the road), so no source outside.

use std::path::Path;
use std::sync::Arc;

use kickpanel::config::LinkId;
use kickpanel::drive::Engine;
use kickpanel::link::{Event, Sink as _};
use kickpanel::pipeline::Pipeline;
use kickpanel::record::{Item, Recorder, Recording, Setup};
use kickpanel::replay::{Configs, Fed, Feed};
use kickpanel::state::{Calls, Raised, Shared};
use kickpanel::time::system::Clock;
use kickpanel::time::{MINUTE, Stamp};
use kickpanel::watch::desk::Attend;
use kickpanel::wire::seal;
use tokio::sync::mpsc;

use super::Dice;
use crate::rig::model;

const CONFIG: &str = r#"
format = 1
[link.engine]
[channel.oil]
input = "n_oil"
unit = "bar"
fresh = "2 s"
[[channel.oil.alarm]]
level = "caution"
below = 2
after = "200 ms"
until = "400 ms"
text = "Low"
[[channel.oil.alarm]]
level = "danger"
below = 1
after = "100 ms"
when = "rpm > 600"
latch = true
text = "Stop"
[channel.rpm]
input = "n_rpm"
[channel.water]
input = "n_water"
unit = "degC"
[[channel.water.alarm]]
level = "notice"
above = 90
after = "0 s"
text = "Hot"
"#;

/// But for the numbers by which two copies are told apart, which follow from how often it was looked.
fn picture(calls: &Calls) -> String {
    format!("{:?} {:?} {} {}", calls.list, calls.journal, calls.newest, calls.rings)
}

struct Drive {
    engine: Engine,
    dice: Dice,
    now: i64,
    pictures: Vec<String>,
    values: [f64; 3],
}

impl Drive {
    fn new(folder: &Path, seed: u64) -> Self {
        let first = Arc::new(model(CONFIG));
        let setup = Setup { program: "kickpanel test".into(), config: CONFIG.into(), wall: None };
        let recorder = Recorder::start(folder.to_owned(), setup, Clock::start());
        let shared = Shared::new(Arc::clone(&first), Pipeline::new(Arc::clone(&first)).snapshot().clone());
        let engine = Engine::new(first, Some(recorder), shared, vec![mpsc::channel(8).0]);
        Self { engine, dice: Dice(seed), now: 1000, pictures: Vec::new(), values: [3.0, 900.0, 80.0] }
    }

    fn step(&mut self) {
        let pause = if self.dice.roll(60) == 0 { self.dice.roll(90_000_000) } else { 15_000 + self.dice.roll(10_000) };
        self.now += pause as i64;
        while let Some(due) = self.engine.due().filter(|due| due.0 + 1500 < self.now) {
            self.engine.tick(due.after(1500));
        }
        let raised = Raised::Limit(self.dice.roll(3));
        let act = match self.dice.roll(60) {
            0 => Some(Attend::Acknowledge(None)),
            1..4 => Some(Attend::Acknowledge(Some(raised))),
            4 => Some(Attend::Reset(None)),
            5 => Some(Attend::Shelve(raised, (1 + self.dice.roll(12)) as i64 * MINUTE)),
            6 => Some(Attend::Unshelve(Some(raised))),
            _ => None,
        };
        if let Some(act) = act {
            let known = self.engine.snapshot().calls.newest;
            self.engine.attend(Stamp(self.now), act, known);
            self.now += 300;
        }
        if self.dice.roll(400) == 0 {
            let text = if self.dice.roll(2) == 0 { CONFIG.replace("Low", "Lower") } else { CONFIG.to_owned() };
            self.engine.reload(Stamp(self.now), Arc::new(model(&text)), &text);
        }
        if self.dice.roll(12) == 0 {
            self.values =
                [self.dice.roll(40) as f64 / 10.0, [0.0, 900.0][self.dice.roll(2)], 80.0 + self.dice.roll(20) as f64];
        }
        let [oil, rpm, water] = self.values;
        let mut line = format!("{{\"t\":{},\"n_oil\":{oil},\"n_rpm\":{rpm},\"n_water\":{water}", self.now % (1 << 32));
        seal(&mut line);
        self.engine.event(LinkId(0), Stamp(self.now), Event::Bytes(format!("{line}\r\n").as_bytes()));
        self.pictures.push(picture(&self.engine.snapshot().calls));
    }
}

#[test]
fn a_replay_shows_of_alarms_what_the_drive_showed() {
    let mut told = std::collections::HashMap::<String, usize>::new();
    for seed in 1..=4 {
        let folder = tempfile::tempdir().unwrap();
        let mut drive = Drive::new(folder.path(), seed);
        drive.engine.event(LinkId(0), Stamp(500), Event::Up { device: Path::new("port") });
        for _ in 0..3_000 {
            drive.step();
        }
        drive.engine.close();
        let mut recording = Recording::open(&[folder.path().to_owned()]).unwrap();
        let mut feed = Feed::new(Configs::followed(Arc::new(model(CONFIG)), Some(CONFIG)));
        let mut live = drive.pictures.iter();
        while let Some(item) = recording.next().unwrap() {
            if let Item::Note(note) = &item
                && note.kind() == "alarm"
            {
                *told.entry(note.text("state").unwrap().to_owned()).or_default() += 1;
            }
            if let Fed::Line(_) = feed.item(&item, &mut |_| {}) {
                assert_eq!(Some(&picture(&feed.pipeline().snapshot().calls)), live.next());
            }
        }
        assert_eq!(live.next(), None);
    }
    for did in ["on", "off", "acknowledged", "reset", "shelved", "unshelved"] {
        assert!(told.get(did).is_some_and(|times| *times > 10), "each had its turn: {told:?}");
    }
}
