//! What `drive` costs while it drives, and how soon a value is on the terminal.
//!
//! The built program reads a real pseudo-terminal that this bench feeds 50 lines a second, and draws on another one, at 80×24,
//! recording on. In the same run the same feed goes to a plain Python script that draws the values with curses (where
//! Python is installed), so that the figures have something beside them. Run: `cargo bench --bench live`.
#![allow(
    missing_docs,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a bench"
)]

mod feed;

use std::fs;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use feed::{LINES_PER_S, Pty, line, serial_port};

const SECONDS: u64 = 20;
const CONFIG: &str = include_str!("live.toml");

/// Nanoseconds on a processor of all threads of a process.
fn on_cpu(pid: u32) -> u64 {
    let Ok(tasks) = fs::read_dir(format!("/proc/{pid}/task")) else { return 0 };
    tasks
        .filter_map(|task| fs::read_to_string(task.ok()?.path().join("schedstat")).ok())
        .filter_map(|text| text.split_whitespace().next()?.parse::<u64>().ok())
        .sum()
}

fn resident_kib(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap_or("0 0");
    line.split_whitespace().nth(1).and_then(|kib| kib.parse().ok()).unwrap_or(0)
}

struct Figures {
    cpu_percent: f64,
    resident_kib: u64,
    first_screen: Duration,
    first_value: Option<Duration>,
    /// From the last byte of a line to the next byte on the terminal, sorted.
    latency: Vec<Duration>,
    bytes_per_s: f64,
}

fn measure(command: &mut Command, serial: &Pty, pieces: Option<usize>) -> Figures {
    let terminal = Pty::terminal();
    let slave = terminal.slave();
    let drawn: Arc<Mutex<Vec<(Instant, usize)>>> = Arc::default();
    let began = Instant::now();
    let child = command
        .env("TERM", "xterm-256color")
        .env("LANG", "C.UTF-8")
        .stdin(Stdio::from(slave.try_clone().unwrap()))
        .stdout(Stdio::from(slave.try_clone().unwrap()))
        .stderr(Stdio::from(slave))
        .spawn()
        .unwrap();
    let mut reader = terminal.master();
    let log = Arc::clone(&drawn);
    thread::spawn(move || {
        let mut buffer = vec![0; 65_536];
        while let Ok(count @ 1..) = reader.read(&mut buffer) {
            log.lock().unwrap().push((Instant::now(), count));
        }
    });
    let figures = feed(&child, serial, pieces, &drawn, began);
    end(child);
    figures
}

fn end(mut child: Child) {
    let _ = Command::new("kill").arg("-TERM").arg(child.id().to_string()).status();
    thread::sleep(Duration::from_millis(500));
    let _ = child.kill();
    let _ = child.wait();
}

fn feed(
    child: &Child,
    serial: &Pty,
    pieces: Option<usize>,
    drawn: &Mutex<Vec<(Instant, usize)>>,
    began: Instant,
) -> Figures {
    thread::sleep(Duration::from_millis(1500));
    let first_screen = drawn.lock().unwrap().first().map_or(Duration::ZERO, |(at, _)| *at - began);
    let mut port = serial.master();
    let mut ends = Vec::new();
    let step = Duration::from_secs(1) / u32::try_from(LINES_PER_S).unwrap();
    let start = Instant::now();
    let mut cpu = (0, start);
    for index in 0..LINES_PER_S * SECONDS {
        let due = start + step * u32::try_from(index).unwrap();
        thread::sleep(due.saturating_duration_since(Instant::now()));
        let line = line(index);
        let mut last = Instant::now();
        for (place, piece) in line.chunks(pieces.unwrap_or(line.len())).enumerate() {
            if place > 0 {
                // 16 bytes take 0.32 ms at 500,000 baud.
                thread::sleep(Duration::from_micros(320));
            }
            // Taken before the write: behind it the value may be on the screen already.
            last = Instant::now();
            port.write_all(piece).unwrap();
        }
        ends.push(last);
        if index == LINES_PER_S {
            cpu = (on_cpu(child.id()), Instant::now());
        }
    }
    let span = cpu.1.elapsed();
    let used = on_cpu(child.id()) - cpu.0;
    let drawn = drawn.lock().unwrap();
    let mut latency: Vec<Duration> = ends
        .iter()
        .skip(100)
        .filter_map(|end| Some(drawn[drawn.partition_point(|(at, _)| at < end)..].first()?.0 - *end))
        .collect();
    latency.sort();
    let bytes: usize = drawn.iter().filter(|(at, _)| *at > cpu.1).map(|(_, count)| count).sum();
    Figures {
        cpu_percent: 100.0 * used as f64 / span.as_nanos() as f64,
        resident_kib: resident_kib(child.id()),
        first_screen,
        first_value: ends
            .first()
            .and_then(|end| Some(drawn[drawn.partition_point(|(at, _)| at < end)..].first()?.0 - *end)),
        latency,
        bytes_per_s: bytes as f64 / span.as_secs_f64(),
    }
}

fn print(name: &str, figures: &Figures) {
    let at =
        |share: f64| figures.latency.get((figures.latency.len() as f64 * share) as usize).copied().unwrap_or_default();
    println!(
        "{name:34} cpu {:5.2} %  resident {:5.1} MiB  first screen {:5.1} ms  first value {:5.1} ms  latency median {:4.2} ms, p99 {:4.2} ms  {:6.0} bytes/s",
        figures.cpu_percent,
        figures.resident_kib as f64 / 1024.0,
        figures.first_screen.as_secs_f64() * 1e3,
        figures.first_value.unwrap_or_default().as_secs_f64() * 1e3,
        at(0.5).as_secs_f64() * 1e3,
        at(0.99).as_secs_f64() * 1e3,
        figures.bytes_per_s,
    );
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/curses_reader.py");
    for (how, pieces) in [("whole lines", None), ("16-byte pieces", Some(16))] {
        for frames in ["20", "120"] {
            let serial = serial_port();
            let config = folder.path().join("live.toml");
            let text = CONFIG.replace("DEVICE", serial.slave.to_str().unwrap());
            fs::write(&config, text.replace("FOLDER", folder.path().join("recordings").to_str().unwrap())).unwrap();
            let mut drive = Command::new(env!("CARGO_BIN_EXE_kickpanel"));
            drive.arg("-c").arg(&config).args(["drive", "--frames", frames]);
            print(&format!("drive, {how}, {frames} frames/s"), &measure(&mut drive, &serial, pieces));
        }
        let serial = serial_port();
        let held = serial.slave();
        let mut python = Command::new("python3");
        python.arg(&script).arg(&serial.slave);
        print(&format!("python curses, {how}, 20 frames/s"), &measure(&mut python, &serial, pieces));
        drop(held);
    }
}
