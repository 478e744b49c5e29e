//! A11 of the catalogue of faults: a controller that says ten times too much, and one that says a line in ten seconds.
//!
//! All of it at once, since it takes a minute by its nature: five hundred lines a second to a drive without a screen and to
//! one with it, and a slow field beside them.

use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::Scope;
use std::time::{Duration, Instant};

use kickpanel::link::pty::Tried;
use kickpanel::record::{Item, Recording};
use kickpanel::wire::seal;
use rustix::process::Signal;
use serde_json::Value;

use super::bench::{Bench, Running, until};
use super::board::{port_at, runtime};
use super::seat::Seat;

const LINES: u32 = 30_000;
const EACH: Duration = Duration::from_millis(2);
const PART: &str = "data/kickpanel/recordings/000001-01.kpr";
/// What the first line says, so that a number of six digits on the screen is one of these.
const FIRST: u32 = 100_000;

/// A board that says so many lines, one each so often, from when somebody listens.
struct Source {
    /// How many it has said.
    said: Arc<AtomicU32>,
    /// When the newest line went out, or a moment before.
    wrote: Arc<Mutex<Instant>>,
    unplug: Arc<AtomicBool>,
}

impl Source {
    fn begin<'scope>(scope: &'scope Scope<'scope, '_>, path: PathBuf, lines: u32, each: Duration) -> Self {
        let wrote = Arc::new(Mutex::new(Instant::now()));
        let source = Self { said: Arc::default(), wrote, unplug: Arc::default() };
        let (said, wrote, unplug) = (Arc::clone(&source.said), Arc::clone(&source.wrote), Arc::clone(&source.unplug));
        let (ready, wait) = std::sync::mpsc::channel();
        scope.spawn(move || {
            let runtime = runtime();
            let _within = runtime.enter();
            let pty = port_at(&path);
            ready.send(()).unwrap();
            let micros = u32::try_from(each.as_micros()).unwrap();
            let mut begun = Instant::now();
            for number in 0..lines {
                let mut line = format!(
                    "{{\"s\":{},\"t\":{},\"height\":{}",
                    number % 65_536,
                    u64::from(number) * u64::from(micros) % (1 << 32),
                    FIRST + number
                );
                seal(&mut line);
                line.push('\n');
                std::thread::sleep((begun + each * number).saturating_duration_since(Instant::now()));
                // What the computer asks is taken and not answered: the wire must not fill up.
                while let Ok(Tried::Bytes(1..)) = pty.try_read(&mut [0; 256]) {}
                *wrote.lock().unwrap() = Instant::now();
                let mut rest = line.as_bytes();
                while !rest.is_empty() {
                    match pty.try_write(rest).unwrap() {
                        Tried::Bytes(count) => rest = &rest[count..],
                        // A machine that is busy with all other tests may leave no turn for longer than a wire can hold: what
                        // a stall costs is shown elsewhere, and here that the drive keeps up.
                        Tried::NotNow => std::thread::sleep(Duration::from_millis(1)),
                        Tried::NoReader => {
                            assert_eq!(number, 0, "the port was closed");
                            std::thread::sleep(Duration::from_millis(5));
                            begun = Instant::now();
                        }
                    }
                }
                said.store(number + 1, Ordering::SeqCst);
            }
            // As long as the test looks at what came of it, which may be a minute.
            while !unplug.load(Ordering::SeqCst) {
                std::thread::sleep(Duration::from_millis(20));
            }
        });
        wait.recv().unwrap();
        source
    }

    fn said(&self) -> u32 {
        self.said.load(Ordering::SeqCst)
    }
}

impl Drop for Source {
    fn drop(&mut self) {
        self.unplug.store(true, Ordering::SeqCst);
    }
}

/// A bench with one channel that shows the number of the line.
fn bench(fresh: &str) -> Bench {
    let bench = Bench::new();
    bench.write(
        "kickpanel.toml",
        format!(
            "format = 1\nname = \"Bench\"\n[link.engine]\ndevice = \"{}\"\nform = \"counts\"\nchecksum = \"required\"\n\
             [channel.height]\ninput = \"height\"\nsensor = {{ kind = \"number\", unit = \"1\" }}\nspan = [0, 10]\n{fresh}\
             [[page]]\nname = \"Bench\"\nrows = [[{{ show = \"height\", as = \"trend\", last = \"10 s\" }}]]\n",
            bench.name("port")
        ),
    );
    bench
}

/// The numbers of the readings in the recording at `path`.
fn recorded(path: &Path) -> Vec<u32> {
    let mut recording = Recording::open(&[path.to_owned()]).unwrap();
    let mut heights = Vec::new();
    while let Some(item) = recording.next().unwrap() {
        if let Item::Line(line) = item {
            let reading: Value = serde_json::from_slice(line.bytes).unwrap();
            heights.extend(reading["height"].as_u64().and_then(|height| u32::try_from(height).ok()));
        }
    }
    heights
}

/// The number of the line that the screen shows, if it shows one.
fn shown(seat: &Seat) -> Option<u32> {
    let text = seat.text();
    let mut words = text.split(|c: char| !c.is_ascii_digit()).filter(|word| word.len() == 6);
    words.find_map(|word| word.parse().ok())
}

fn every_line_is_recorded() {
    std::thread::scope(|scope| {
        let bench = bench("");
        let source = Source::begin(scope, bench.path("port"), LINES, EACH);
        let mut command = bench.command(&["drive", "--no-screen"]);
        let mut program = Running::start(command.stdout(Stdio::null()).stderr(Stdio::null()));
        let end = Instant::now() + Duration::from_secs(180);
        while source.said() < LINES {
            assert!(Instant::now() < end, "{} lines were said", source.said());
            std::thread::sleep(Duration::from_millis(50));
        }
        let last = format!("\"height\":{},", FIRST + LINES - 1);
        until("the last line is recorded", || {
            std::fs::read_to_string(bench.path(PART)).is_ok_and(|text| text.contains(&last))
        });
        program.send(Signal::TERM);
        assert_eq!(program.ended().code(), Some(0));
        let wanted: Vec<u32> = (FIRST..FIRST + LINES).collect();
        assert!(recorded(&bench.path(PART)) == wanted, "lines are missing");
    });
}

fn the_newest_is_shown() {
    std::thread::scope(|scope| {
        let bench = bench("");
        let source = Source::begin(scope, bench.path("port"), LINES, EACH);
        let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
        let (mut newest, mut pictures) = (0, 0);
        while source.said() < LINES {
            seat.look_on(Duration::from_millis(20));
            let Some(shown) = shown(&seat) else { continue };
            assert!(shown >= newest, "{shown} after {newest}");
            assert!(shown < FIRST + source.said() + 1, "{shown} was not said yet");
            pictures += u32::from(shown > newest);
            newest = shown;
        }
        // No line waits for its picture: the last one is shown, and most never were.
        seat.until(&format!("{}", FIRST + LINES - 1));
        assert!(pictures > 100 && pictures < LINES / 2, "{pictures} pictures");
        seat.send("q");
        seat.ends_well();
    });
}

fn a_slow_field_is_stale_by_its_rule_and_not_before() {
    std::thread::scope(|scope| {
        let bench = bench("fresh = \"25 s\"\n");
        let source = Source::begin(scope, bench.path("port"), 4, Duration::from_secs(10));
        let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
        seat.until(&format!("{FIRST}"));
        let wrote = || *source.wrote.lock().unwrap();
        loop {
            let (said, wrote) = (source.said(), wrote());
            seat.look_on(Duration::from_millis(20));
            if seat.text().contains("stale") {
                // The age counts from when the line came, which is not before it went out.
                assert!(wrote.elapsed() >= Duration::from_secs(25), "{}", seat.text());
                assert_eq!(said, 4, "ten seconds are no age that is stale");
                break;
            }
            assert!(wrote.elapsed() < Duration::from_secs(60), "never stale:\n{}", seat.text());
        }
        seat.send("q");
        seat.ends_well();
    });
}

#[test]
fn five_hundred_lines_a_second_for_a_minute_and_a_line_in_ten_seconds() {
    std::thread::scope(|scope| {
        scope.spawn(every_line_is_recorded);
        scope.spawn(the_newest_is_shown);
        scope.spawn(a_slow_field_is_stale_by_its_rule_and_not_before);
    });
}
