//! How long `drive` takes to end by a signal, and how long a second `drive` on the same port takes to say no.
//!
//! The built program reads a real pseudo-terminal with 50 lines a second, draws on another one, and records. The contract
//! says within 1 s. Each ending is looked at besides: status, `closed` at the end of the recording, the terminal as it
//! was. Run: `cargo bench --bench endings`.
#![allow(
    missing_docs,
    clippy::expect_used,
    clippy::format_push_string,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a bench"
)]

mod feed;

use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use rustix::termios::{Termios, tcgetattr};

use feed::{LINES_PER_S, Pty, line, serial_port};

const TIMES: u32 = 50;
const CONFIG: &str = include_str!("live.toml");

/// A controller that never stops talking, with its port.
struct Board {
    serial: Pty,
    /// Number of the next line.
    next: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
}

impl Board {
    fn start() -> Self {
        let serial = serial_port();
        let (next, stop) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
        let (mut port, held) = (serial.master(), serial.slave());
        let (index, stopped) = (Arc::clone(&next), Arc::clone(&stop));
        thread::spawn(move || {
            while !stopped.load(Ordering::SeqCst) {
                // Waits where nobody reads: then nothing is lost that a drive could have read.
                port.write_all(&line(index.load(Ordering::SeqCst))).unwrap();
                index.fetch_add(1, Ordering::SeqCst);
                thread::sleep(Duration::from_secs(1) / u32::try_from(LINES_PER_S).unwrap());
            }
            drop(held);
        });
        Self { serial, next, stop }
    }

    fn until_heard(&self, lines: u64) {
        let then = self.next.load(Ordering::SeqCst) + lines;
        while self.next.load(Ordering::SeqCst) < then {
            thread::sleep(Duration::from_millis(1));
        }
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
    }
}

/// A drive on a terminal.
struct Driving {
    child: Child,
    terminal: Pty,
    before: Termios,
    seen: Arc<Mutex<Vec<u8>>>,
    reader: thread::JoinHandle<()>,
}

impl Driving {
    fn start(config: &Path) -> Self {
        let terminal = Pty::terminal();
        let slave = terminal.slave();
        let before = tcgetattr(&slave).unwrap();
        let child = Command::new(env!("CARGO_BIN_EXE_kickpanel"))
            .arg("-c")
            .arg(config)
            .arg("drive")
            .env("TERM", "xterm-256color")
            .env("LANG", "C.UTF-8")
            .stdin(Stdio::from(slave.try_clone().unwrap()))
            .stdout(Stdio::from(slave.try_clone().unwrap()))
            .stderr(Stdio::from(slave))
            .spawn()
            .unwrap();
        let seen: Arc<Mutex<Vec<u8>>> = Arc::default();
        let (mut master, log) = (terminal.master(), Arc::clone(&seen));
        let reader = thread::spawn(move || {
            let mut buffer = vec![0; 65_536];
            // An error ends it: the terminal has nobody on it any more.
            while let Ok(count @ 1..) = master.read(&mut buffer) {
                log.lock().unwrap().extend_from_slice(&buffer[..count]);
            }
        });
        let driving = Self { child, terminal, before, seen, reader };
        while !driving.has_written(b"\x1b[?1049h") {
            thread::sleep(Duration::from_millis(1));
        }
        driving
    }

    fn has_written(&self, bytes: &[u8]) -> bool {
        self.seen.lock().unwrap().windows(bytes.len()).any(|window| window == bytes)
    }

    /// Ends it by `signal` and says how long that took; it must have ended well.
    fn end(mut self, signal: Signal) -> Duration {
        let slave = self.terminal.slave();
        let asked = Instant::now();
        kill_process(Pid::from_child(&self.child), signal).unwrap();
        let status = self.child.wait().unwrap();
        let took = asked.elapsed();
        assert_eq!(status.code(), Some(0), "{signal:?}");
        let now = tcgetattr(&slave).unwrap();
        let modes = |modes: &Termios| (modes.input_modes, modes.output_modes, modes.control_modes, modes.local_modes);
        assert_eq!(modes(&now), modes(&self.before), "{signal:?}");
        drop(slave);
        let (seen, terminal) = (Arc::clone(&self.seen), self.terminal);
        self.reader.join().unwrap();
        drop(terminal);
        assert!(seen.lock().unwrap().ends_with(b"\x1b[?1049l"), "the second screen is not left");
        took
    }
}

/// The newest recording in `folder`.
fn newest(folder: &Path) -> PathBuf {
    let mut paths: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths.pop().unwrap()
}

/// The numbers of all readings of a recording.
fn numbers(path: &Path) -> Vec<u64> {
    let text = fs::read_to_string(path).unwrap();
    let numbers = text.lines().filter_map(|line| line.split_once("{\"s\":")?.1.split(',').next()?.parse().ok());
    numbers.collect()
}

fn print(what: &str, mut took: Vec<Duration>) {
    took.sort();
    let ms = |took: Duration| took.as_secs_f64() * 1e3;
    println!(
        "{what:40} {} times: median {:6.1} ms, worst {:6.1} ms",
        took.len(),
        ms(took[took.len() / 2]),
        ms(took[took.len() - 1])
    );
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let recordings = folder.path().join("recordings");
    let board = Board::start();
    let config = folder.path().join("endings.toml");
    let text = CONFIG.replace("DEVICE", board.serial.slave.to_str().unwrap());
    fs::write(&config, text.replace("FOLDER", recordings.to_str().unwrap())).unwrap();

    for (name, signal) in [("SIGTERM", Signal::TERM), ("SIGINT", Signal::INT), ("SIGHUP", Signal::HUP)] {
        let mut took = Vec::new();
        for number in 0..TIMES {
            let driving = Driving::start(&config);
            board.until_heard(10);
            // At another place between two lines each time.
            thread::sleep(Duration::from_millis(u64::from(number * 7 % 20)));
            took.push(driving.end(signal));
            let text = fs::read_to_string(newest(&recordings)).unwrap();
            assert!(text.lines().rev().take(2).any(|line| line.contains("\"note\":\"closed\"")), "not closed");
        }
        print(&format!("drive ended by {name}"), took);
    }

    let driving = Driving::start(&config);
    board.until_heard(10);
    let mut took = Vec::new();
    for _ in 0..TIMES {
        let began = Instant::now();
        let second = Command::new(env!("CARGO_BIN_EXE_kickpanel"))
            .arg("-c")
            .arg(&config)
            .args(["drive", "--no-screen", "--no-record"])
            .output()
            .unwrap();
        took.push(began.elapsed());
        let said = String::from_utf8(second.stderr).unwrap();
        assert_eq!(second.status.code(), Some(3), "{said}");
        // This bench keeps the port open too and is named beside it.
        let holder = format!("kickpanel (process {})", driving.child.id());
        assert!(
            said.contains("is held by") && said.contains(&holder) && !said.contains("ID_MM_DEVICE_IGNORE"),
            "{said}"
        );
    }
    print("second drive refused", took);
    board.until_heard(10);
    driving.end(Signal::TERM);
    let numbers = numbers(&newest(&recordings));
    assert!(numbers.windows(2).all(|pair| pair[1] == (pair[0] + 1) % 65_536), "the first drive lost a line");
    println!("{:40} {} lines, none lost", "the first drive meanwhile", numbers.len());
}
