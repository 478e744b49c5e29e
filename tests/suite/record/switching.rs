//! What a replay shows of outputs and their alarms is what the drive showed, bit for bit.
//!
//! Checked by the invariant itself (a recording replayed gives what was shown on the road), so no source outside.

use std::path::Path;
use std::sync::Arc;

use kickpanel::config::LinkId;
use kickpanel::drive::Engine;
use kickpanel::link::{Event, Outgoing, Sink as _};
use kickpanel::pipeline::Pipeline;
use kickpanel::record::{Recorder, Recording, Setup};
use kickpanel::replay::{Configs, Fed, Feed};
use kickpanel::state::{Shared, Snapshot};
use kickpanel::time::Stamp;
use kickpanel::time::system::Clock;
use kickpanel::wire::seal;
use tokio::sync::mpsc;

use crate::rig::model;

const CONFIG: &str = r#"
format = 1
[link.engine]
[channel.oil]
input = "a1"
unit = "V"
fresh = "300 ms"
[output.heater]
pin = "d7"
on = "oil < 3"
off_if = "mean(oil, 1) < 1"
longest = "2 s"
rest = "700 ms"
armed = true
[output.fan]
pin = "d8"
on = "rate(oil) > 0"
rest = "50 ms"
[output.needle]
pin = "f9"
from = "oil"
points = [[0, "0 Hz"], [5, "100 Hz"]]
rest_at = "5 Hz"
armed = true
"#;

/// All that is shown of outputs; what is no number equals nothing, so the texts are compared.
fn picture(snapshot: &Snapshot) -> String {
    format!("{:?} {:?}", snapshot.outputs, snapshot.faults)
}

/// A drive in memory of real parts: everything but the port, whose commands go out `late` µs after they were given.
struct Drive {
    engine: Engine,
    commands: mpsc::Receiver<Outgoing>,
    now: i64,
    seed: u64,
    pins: [u64; 2],
    pictures: Vec<String>,
    sets: usize,
}

impl Drive {
    fn new(folder: &Path, seed: u64) -> Self {
        let first = Arc::new(model(CONFIG));
        let setup = Setup { program: "kickpanel test".into(), config: CONFIG.into(), wall: None };
        let recorder = Recorder::start(folder.to_owned(), setup, Clock::start());
        let shared = Shared::new(Arc::clone(&first), Pipeline::new(Arc::clone(&first)).snapshot().clone());
        let (sender, commands) = mpsc::channel(8);
        let engine = Engine::new(first, Some(recorder), shared, vec![sender]);
        Self { engine, commands, now: 1000, seed, pins: [0; 2], pictures: Vec::new(), sets: 0 }
    }

    fn random(&mut self, below: u64) -> u64 {
        self.seed ^= self.seed << 13;
        self.seed ^= self.seed >> 7;
        self.seed ^= self.seed << 17;
        self.seed % below
    }

    /// The port writes what was given to it; the controller does it, mostly.
    fn write(&mut self) {
        while let Ok(Outgoing { bytes, .. }) = self.commands.try_recv() {
            self.now += 200;
            self.engine.event(LinkId(0), Stamp(self.now), Event::Sent(&bytes));
            let line = String::from_utf8(bytes).unwrap();
            self.sets += usize::from(line.contains("\"set\""));
            for (place, name) in ["\"d7\":", "\"f9\":"].into_iter().enumerate() {
                // Each minute it does for some seconds whatever it did.
                if let Some((_, rest)) = line.split_once(name)
                    && self.random(30) > 0
                    && self.now % 20_000_000 > 4_000_000
                {
                    self.pins[place] = rest.split([',', '}']).next().unwrap().parse().unwrap();
                }
            }
        }
    }

    fn step(&mut self, number: u16) {
        let pause = if self.random(40) == 0 { self.random(2_000_000) } else { 15_000 + self.random(10_000) };
        self.now += i64::try_from(pause).unwrap();
        while let Some(due) = self.engine.due().filter(|due| due.0 + 1500 < self.now) {
            self.engine.tick(due.after(1500));
        }
        self.write();
        match self.random(300) {
            0 => {
                self.engine.event(LinkId(0), Stamp(self.now), Event::Down(kickpanel::state::Trouble::Unplugged));
                self.now += 300_000;
                self.engine.event(LinkId(0), Stamp(self.now), Event::Up { device: Path::new("port") });
            }
            1..=8 => self.engine.free_outputs(Stamp(self.now)),
            9 => {
                let text = if self.random(2) == 0 { CONFIG.replace("700 ms", "400 ms") } else { CONFIG.to_owned() };
                self.engine.reload(Stamp(self.now), Arc::new(model(&text)), &text);
            }
            _ => {}
        }
        let counts = 250 + self.random(3) * 60 + 400 * u64::from(number % 400 > 300);
        // Once in a while the controller starts anew, and its clock with it.
        let clock = self.now % 9_000_000;
        let [heater, needle] = self.pins;
        let mut line = format!("{{\"t\":{clock},\"ref\":225,\"a1\":{counts},\"d7\":{heater},\"f9\":{needle}");
        seal(&mut line);
        self.engine.event(LinkId(0), Stamp(self.now), Event::Bytes(format!("{line}\r\n").as_bytes()));
        self.pictures.push(picture(self.engine.snapshot()));
        self.write();
    }
}

#[test]
fn a_replay_shows_of_outputs_what_the_drive_showed() {
    let mut seen = [0; 4];
    for seed in 1..=14 {
        let pictures = drive_and_replay(seed * 0x9E37_79B9);
        let kinds = ["Holds", "after_longest: true", "Locked(Resets", "Locked(DoesNotFollow"];
        for (count, kind) in seen.iter_mut().zip(kinds) {
            *count += pictures.iter().filter(|picture| picture.contains(kind)).count();
        }
    }
    assert!(seen.iter().all(|count| *count > 20), "each of the rules had its turn: {seen:?}");
}

/// Drives, replays the recording, and holds what is shown after each line against what was. Gives the pictures.
fn drive_and_replay(seed: u64) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let mut drive = Drive::new(folder.path(), seed);
    drive.engine.event(LinkId(0), Stamp(500), Event::Up { device: Path::new("port") });
    for number in 0..3_000 {
        drive.step(number);
    }
    assert!(drive.sets > 50, "{}", drive.sets);
    drive.engine.close();
    let path = folder.path().join("000001-01.kpr");
    let mut recording = Recording::open(&[path]).unwrap();
    let mut feed = Feed::new(Configs::followed(Arc::new(model(CONFIG)), Some(CONFIG)));
    let mut live = drive.pictures.iter();
    while let Some(item) = recording.next().unwrap() {
        if let Fed::Line(_) = feed.item(&item, &mut |_| {}) {
            assert_eq!(Some(&picture(feed.pipeline().snapshot())), live.next());
        }
    }
    assert_eq!(live.next(), None);
    drive.pictures
}
