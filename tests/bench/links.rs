//! Whether a mad link slows the others: four links at once, one of them quiet or mad, and how soon a line of a good one is decoded,
//! by the tasks and the core alone, and is on the terminal, by the built program.
//!
//! Mad is the most that a line of 500,000 baud can carry, 50,000 bytes a second, as lines that are none: 25,000 a second of
//! them, which costs more than noise without LF. Run: `cargo bench --bench links`.
#![allow(
    missing_docs,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a bench"
)]

use std::cell::RefCell;
use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::rc::Rc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use kickpanel::config::LinkId;
use kickpanel::link::{Event, Settings, Sink, run};
use kickpanel::pipeline::{Outcome, Pipeline};
use kickpanel::time::Stamp;
use kickpanel::time::system::Clock;
use kickpanel::wire::{Piece, Splitter};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, Winsize, tcgetattr, tcsetattr, tcsetwinsize};
use tokio::sync::{mpsc, watch};

const LINES: u32 = 1_000;

/// A raw pseudo-terminal: the side that the bench has, the slave held open, its name.
fn pty() -> (File, File, PathBuf) {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let name = PathBuf::from(ptsname(&master, Vec::new()).unwrap().into_string().unwrap());
    let slave = File::options().read(true).write(true).open(&name).unwrap();
    let mut raw = tcgetattr(&slave).unwrap();
    raw.make_raw();
    tcsetattr(&slave, OptionalActions::Now, &raw).unwrap();
    (File::from(master), slave, name)
}

/// A signed reading whose value differs from the one before on the terminal.
fn line(number: u32) -> Vec<u8> {
    let mut text =
        format!("{{\"s\":{},\"t\":{},\"height\":{}", number % 65_536, number * 20_000, number % 2 * 500 + 100);
    kickpanel::wire::seal(&mut text);
    text.push('\n');
    text.into_bytes()
}

/// A config with these four ports, and a page with a value of the first.
fn config(links: &[(File, File, PathBuf)]) -> String {
    let mut text = "format = 1\nname = \"Bench\"\n".to_owned();
    for (number, (_, _, name)) in links.iter().enumerate() {
        let name = name.display();
        text += &format!("[link.l{number}]\ndevice = \"{name}\"\nform = \"counts\"\nchecksum = \"required\"\n");
    }
    text += "[channel.height]\ninput = \"l0:height\"\nsensor = { kind = \"number\", unit = \"1\" }\nspan = [0, 1023]\n";
    text + "[[page]]\nname = \"Bench\"\nrows = [[{ show = \"height\", as = \"digits\" }]]\n"
}

/// Floods `port` until `stop`; the slave is held, so that a write after the end of the reader is no error.
fn flood(mut port: (File, File, PathBuf), mad: bool, stop: &Arc<AtomicBool>) -> thread::JoinHandle<()> {
    let stop = Arc::clone(stop);
    thread::spawn(move || {
        let noise = b"x\n".repeat(250);
        while mad && !stop.load(Ordering::Relaxed) {
            port.0.write_all(&noise).unwrap();
            thread::sleep(Duration::from_millis(10));
        }
    })
}

/// Decodes what comes, and keeps when each reading of the first link was done.
struct Core {
    pipeline: Pipeline,
    splitters: Vec<Splitter>,
    done: Arc<Mutex<Vec<Instant>>>,
}

impl Sink for Core {
    fn event(&mut self, link: LinkId, now: Stamp, event: Event<'_>) {
        let Event::Bytes(bytes) = event else { return };
        let (pipeline, done) = (&mut self.pipeline, &self.done);
        self.splitters[link.index()].push(bytes, &mut |piece| {
            if let Piece::Line(line) = piece
                && pipeline.line(link, now, line, &mut |_| {}) == Outcome::Reading
                && link == LinkId(0)
            {
                done.lock().unwrap().push(Instant::now());
            }
        });
    }
}

/// From a line's last byte to its end in the core, sorted.
fn decoded(mad: bool) -> Vec<Duration> {
    let mut links: Vec<_> = (0..4).map(|_| pty()).collect();
    let model = kickpanel::config::load(&config(&links)).model.unwrap();
    let done: Arc<Mutex<Vec<Instant>>> = Arc::default();
    let stop = Arc::new(AtomicBool::new(false));
    let (theirs, over) = (Arc::clone(&done), Arc::clone(&stop));
    let reader = thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let settings: Vec<_> =
            model.links.iter().map(|link| Settings { device: link.device.clone(), baud: link.baud }).collect();
        let splitters = settings.iter().map(|_| Splitter::new()).collect();
        let core = Rc::new(RefCell::new(Core { pipeline: Pipeline::new(Arc::new(model)), splitters, done: theirs }));
        tokio::task::LocalSet::new().block_on(&runtime, async move {
            let (ending, stopped) = watch::channel(false);
            let mut senders = Vec::new();
            let mut tasks = Vec::new();
            for (number, settings) in (0..).zip(settings) {
                let (sender, receiver) = mpsc::channel(8);
                senders.push(sender);
                let (core, stopped) = (Rc::clone(&core), stopped.clone());
                tasks.push(tokio::task::spawn_local(run(
                    LinkId(number),
                    settings,
                    Clock::start(),
                    core,
                    receiver,
                    stopped,
                )));
            }
            while !over.load(Ordering::Relaxed) {
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
            ending.send(true).unwrap();
            for task in tasks {
                task.await.unwrap();
            }
        });
    });
    thread::sleep(Duration::from_millis(500));
    let flood = flood(links.pop().unwrap(), mad, &stop);
    let sent = say(&mut links, Duration::from_millis(4));
    thread::sleep(Duration::from_millis(100));
    stop.store(true, Ordering::Relaxed);
    flood.join().unwrap();
    reader.join().unwrap();
    let done = done.lock().unwrap();
    assert_eq!(done.len(), sent.len(), "every line was decoded");
    let mut all: Vec<_> =
        sent.iter().zip(&*done).skip(100).map(|(sent, done)| done.saturating_duration_since(*sent)).collect();
    all.sort();
    all
}

/// A reading on each of `links` every `step`; gives when those of the first went out.
fn say(links: &mut [(File, File, PathBuf)], step: Duration) -> Vec<Instant> {
    let start = Instant::now();
    let mut sent = Vec::new();
    for number in 0..LINES {
        thread::sleep((start + step * number).saturating_duration_since(Instant::now()));
        let line = line(number);
        // Taken before the write: behind it the line may be decoded already.
        sent.push(Instant::now());
        links[0].0.write_all(&line).unwrap();
        // The others say theirs once the measured one is through.
        thread::sleep(step / 2);
        for (other, _, _) in &mut links[1..] {
            other.write_all(&line).unwrap();
        }
    }
    sent
}

/// From a line's last byte to the next byte on the terminal, sorted.
fn drawn(mad: bool) -> Vec<Duration> {
    let folder = tempfile::tempdir().unwrap();
    let mut links: Vec<_> = (0..4).map(|_| pty()).collect();
    let path = folder.path().join("kickpanel.toml");
    fs::write(&path, config(&links)).unwrap();

    let (mut screen, terminal, _) = pty();
    tcsetwinsize(&screen, Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
    let mut drive = Command::new(env!("CARGO_BIN_EXE_kickpanel"));
    drive.arg("-c").arg(&path).arg("drive").env("XDG_DATA_HOME", folder.path());
    drive.env("TERM", "xterm-256color").env("LANG", "C.UTF-8");
    drive.stdin(Stdio::from(terminal.try_clone().unwrap())).stdout(Stdio::from(terminal.try_clone().unwrap()));
    let mut child = drive.stderr(Stdio::null()).spawn().unwrap();
    let drawn: Arc<Mutex<Vec<Instant>>> = Arc::default();
    let log = Arc::clone(&drawn);
    thread::spawn(move || {
        let mut buffer = vec![0; 65_536];
        while let Ok(1..) = screen.read(&mut buffer) {
            log.lock().unwrap().push(Instant::now());
        }
    });
    thread::sleep(Duration::from_secs(1));

    let stop = Arc::new(AtomicBool::new(false));
    let flood = flood(links.pop().unwrap(), mad, &stop);
    let sent = say(&mut links, Duration::from_millis(20));
    child.kill().unwrap();
    child.wait().unwrap();
    stop.store(true, Ordering::Relaxed);
    flood.join().unwrap();
    let drawn = drawn.lock().unwrap();
    let after = |at: &Instant| drawn.get(drawn.partition_point(|drawn| drawn < at)).map(|drawn| *drawn - *at);
    let mut latencies: Vec<_> = sent.iter().skip(100).filter_map(after).collect();
    latencies.sort();
    latencies
}

/// A way to measure, with a mad fourth link or a quiet one.
type Way = fn(bool) -> Vec<Duration>;

fn main() {
    for round in 1..=3 {
        for (what, way) in [("decoded", decoded as Way), ("on the terminal", drawn)] {
            for (name, mad) in [("quiet", false), ("mad", true)] {
                let all = way(mad);
                let at = |share: f64| all[(all.len() as f64 * share) as usize].as_secs_f64() * 1e3;
                println!(
                    "round {round}, {what:15}, fourth link {name:5}: {} lines, median {:.3} ms, p99 {:.3} ms",
                    all.len(),
                    at(0.5),
                    at(0.99)
                );
            }
        }
    }
}
