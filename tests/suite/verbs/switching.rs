//! Outputs on a real pseudo-terminal: `drive` switches a controller that keeps its leases as the counts format says.
//!
//! J1, J2, J5, J6 and J7 of the faults to survive. Times are those of the controller's own thread.

use std::collections::BTreeMap;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use kickpanel::link::pty::Tried;
use kickpanel::wire::{checksum, seal};
use rstest::rstest;
use rustix::process::Signal;
use serde_json::Value;

use super::bench::{Bench, until};
use super::board::{port_at, runtime};
use super::seat::Seat;
use super::trouble::notes;

/// What the controller knows of itself and was told.
#[derive(Default)]
pub(super) struct Board {
    /// Counts of a1; `None`: it says nothing at all.
    pub counts: Option<u32>,
    /// What each pin is and until when.
    pins: BTreeMap<String, (u64, Option<Instant>)>,
    /// Every byte that came.
    pub heard: Vec<u8>,
    /// Each switching of d7, the newest last.
    pub switched: Vec<(bool, Instant)>,
    /// Every valid `set`: when, and its d7.
    pub sets: Vec<(Instant, u64)>,
    /// d7 reports this whatever it was told.
    pub stuck: Option<u64>,
    /// It restarts now.
    pub reset: bool,
    /// It takes nothing from the line.
    pub deaf: bool,
}

impl Board {
    /// A line from the computer, taken as strictly as the format says.
    fn hear(&mut self, line: &str, out: &mut String) {
        let Some((body, sum)) = line.strip_suffix("\"}").and_then(|line| line.rsplit_once(",\"crc\":\"")) else {
            return;
        };
        if line.len() > 95 || format!("{:04X}", checksum(body.as_bytes())) != sum {
            return;
        }
        let value: Value = serde_json::from_str(line).unwrap();
        if value["ask"] == "hello" {
            *out += &hello();
        }
        if let Some(set) = value["set"].as_object() {
            let lease = Duration::from_millis(value["lease_ms"].as_u64().unwrap());
            assert!(set.keys().all(|name| ["d7", "d8", "f9"].contains(&name.as_str())), "{line}");
            for (name, value) in set {
                let value = value.as_u64().unwrap();
                self.put(name, value, Some(Instant::now() + lease));
                if name == "d7" {
                    self.sets.push((Instant::now(), value));
                }
            }
        }
    }

    fn put(&mut self, name: &str, value: u64, until: Option<Instant>) {
        let before = self.pins.insert(name.to_owned(), (value, until)).map_or(0, |(value, _)| value);
        if name == "d7" && before != value {
            self.switched.push((value > 0, Instant::now()));
        }
    }

    /// Leases end.
    fn pass(&mut self) {
        let now = Instant::now();
        let ended = |(_, (value, until)): &(&String, &(u64, Option<Instant>))| {
            *value > 0 && until.is_some_and(|until| until <= now)
        };
        let names: Vec<String> = self.pins.iter().filter(ended).map(|(name, _)| name.clone()).collect();
        for name in &names {
            self.put(name, 0, None);
        }
    }

    fn is(&self, name: &str) -> u64 {
        self.stuck.filter(|_| name == "d7").unwrap_or_else(|| self.pins.get(name).map_or(0, |(value, _)| *value))
    }
}

fn sealed(mut line: String) -> String {
    seal(&mut line);
    line + "\n"
}

fn hello() -> String {
    sealed(
        r#"{"hello":{"format":1,"fw":"0","board":"bench","reset":"power-on","adc_max":1023,"analog":6,"pulse":[2],"digital":[4],"output":[7,8],"freq":[9],"rate_hz":50,"up_ms":1}"#
            .to_owned(),
    )
}

/// A controller that is plugged in.
pub(super) struct Plugged {
    board: Arc<Mutex<Board>>,
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Plugged {
    pub fn at(bench: &Bench, counts: u32) -> Self {
        let (stop, stopped) = channel();
        let (ready, wait) = channel();
        let path = bench.path("port0");
        let board = Arc::new(Mutex::new(Board { counts: Some(counts), ..Board::default() }));
        let theirs = Arc::clone(&board);
        let thread = std::thread::spawn(move || {
            let runtime = runtime();
            let _within = runtime.enter();
            let pty = port_at(&path);
            ready.send(()).unwrap();
            let (mut begun, mut number, mut since) = (Vec::new(), 0_u16, Instant::now());
            while stopped.recv_timeout(Duration::from_millis(10)) == Err(RecvTimeoutError::Timeout) {
                let mut board = theirs.lock().unwrap();
                board.pass();
                let mut out = String::new();
                let mut buffer = [0; 256];
                while !board.deaf
                    && let Ok(Tried::Bytes(count @ 1..)) = pty.try_read(&mut buffer)
                {
                    board.heard.extend(&buffer[..count]);
                    begun.extend(&buffer[..count]);
                }
                while let Some(end) = begun.iter().position(|byte| *byte == b'\n') {
                    let line: Vec<u8> = begun.drain(..=end).collect();
                    board.hear(std::str::from_utf8(&line[..end]).unwrap(), &mut out);
                }
                if std::mem::take(&mut board.reset) {
                    (since, number) = (Instant::now(), 0);
                    let names: Vec<String> = board.pins.keys().cloned().collect();
                    for name in &names {
                        board.put(name, 0, None);
                    }
                    out = "\n".to_owned() + &hello();
                } else if let Some(counts) = board.counts {
                    let pins = ["d7", "d8", "f9"].map(|name| format!("\"{name}\":{}", board.is(name))).join(",");
                    let t = since.elapsed().as_micros();
                    out += &sealed(format!("{{\"s\":{number},\"t\":{t},\"ref\":225,\"a1\":{counts},{pins}"));
                    number = number.wrapping_add(1);
                }
                drop(board);
                // What nobody takes is lost, as on a wire.
                let _ = pty.try_write(out.as_bytes());
            }
        });
        wait.recv().unwrap();
        Self { board, stop: Some(stop), thread: Some(thread) }
    }

    pub fn board(&self) -> MutexGuard<'_, Board> {
        self.board.lock().unwrap()
    }

    pub fn says(&self, counts: u32) {
        self.board().counts = Some(counts);
    }

    /// Waits until d7 is on or off. Gives since when.
    #[track_caller]
    pub fn until(&self, on: bool) -> Instant {
        until(&format!("d7 is {on}"), || self.board().switched.last().is_some_and(|last| last.0 == on));
        self.board().switched.last().unwrap().1
    }

    #[track_caller]
    fn pulled(&mut self) {
        drop(self.stop.take());
        self.thread.take().unwrap().join().unwrap();
    }
}

impl Drop for Plugged {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // Where the board itself failed, the test fails by waiting for it, or here.
            assert!(thread.join().is_ok() || std::thread::panicking(), "the controller failed");
        }
    }
}

/// Half of the supply, 4 bar: the heater is to be on.
pub(super) const ON: u32 = 512;
/// 6 bar: off.
pub(super) const OFF: u32 = 717;

pub(super) fn bench_with(outputs: &str) -> Bench {
    let bench = Bench::new();
    let config = super::board::config(&bench.name("port*"));
    bench.write("kickpanel.toml", format!("{config}{outputs}"));
    bench
}

pub(super) const HEATER: &str = "[output.heater]\npin = \"d7\"\non = \"oil < 5\"\nrest = \"100 ms\"\narmed = true\n\
    [output.fan]\npin = \"d8\"\non = \"oil > 0\"\nrest = \"0 ms\"\n\
    [output.needle]\npin = \"f9\"\nfrom = \"oil\"\npoints = [[0, \"0 Hz\"], [8, \"80 Hz\"]]\narmed = true\n";

#[test]
fn an_armed_output_is_switched_renewed_shown_recorded_and_switched_off_at_the_end() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive"]);
    plugged.until(true);
    seat.until("4.0 bar");
    seat.send("2");
    seat.until("heater  on, pin on");
    seat.until("needle  40.0 Hz, pin 40.0 Hz");
    seat.until("not armed");
    // Renewed in time: it stays on far longer than a lease.
    seat.look_on(Duration::from_millis(2_500));
    assert_eq!(plugged.board().switched.len(), 1, "it was on without a break");
    plugged.says(OFF);
    plugged.until(false);
    seat.until("oil 6.0 bar is not < 5");
    plugged.says(ON);
    plugged.until(true);
    seat.signal(Signal::TERM);
    let status = seat.ended();
    plugged.until(false);
    assert_eq!(status.code(), Some(0), "{}", seat.errors());
    let board = plugged.board();
    let (last, value) = *board.sets.last().unwrap();
    assert_eq!(value, 0, "the last word is off");
    assert!(board.switched.last().unwrap().1 - last < Duration::from_millis(50), "and not the end of the lease");
    assert!(!String::from_utf8_lossy(&board.heard).contains("d8"), "what is not armed is never sent");
    let told = notes(&bench, 1);
    let values: Vec<_> = told.iter().filter(|note| note["note"] == "output" && note["name"] == "heater").collect();
    let values: Vec<_> = values.iter().map(|note| note["value"].as_f64().unwrap()).collect();
    assert_eq!(values, [1.0, 0.0, 1.0, 0.0]);
    let recorded = bench.read("data/kickpanel/recordings/000001-01.kpr");
    assert!(recorded.contains("\t>\t{\"set\":{"), "what was sent is recorded");
}

/// J1: whatever becomes of the program, the lease ends.
#[rstest]
#[case::killed(Signal::KILL)]
#[case::stopped(Signal::STOP)]
fn without_the_program_the_pin_is_off_within_the_lease(#[case] signal: Signal) {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive", "--no-screen", "--no-record"]);
    plugged.until(true);
    seat.look_on(Duration::from_millis(700));
    let sent = Instant::now();
    seat.signal(signal);
    let off = plugged.until(false);
    // What was in the wire is taken within a turn of the controller's loop, on a machine that is busy too.
    assert!(off - sent < Duration::from_millis(1_500), "{:?}", off - sent);
    seat.signal(Signal::CONT);
}

#[test]
fn a_controller_that_goes_silent_is_not_told_to_stay_on() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    plugged.until(true);
    plugged.board().counts = None;
    plugged.until(false);
    seat.send("2");
    seat.until("oil: stale, so untrusted");
    plugged.says(ON);
    plugged.until(true);
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_changed_config_that_does_not_arm_switches_off() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive"]);
    plugged.until(true);
    bench.replace("kickpanel.toml", &bench.read("kickpanel.toml").replace("armed = true", "armed = false"));
    plugged.until(false);
    seat.until("the changed config is in force");
    let heard = plugged.board().sets.len();
    seat.look_on(Duration::from_millis(1_500));
    assert_eq!(plugged.board().sets.len(), heard, "nothing is sent any more");
    seat.send("q");
    seat.ends_well();
    let told = notes(&bench, 1);
    let at = |kind: &str, value: Value| told.iter().position(|note| note["note"] == kind && note["value"] == value);
    let (on, off, config) = (at("output", 1.0.into()), at("output", 0.0.into()), at("config", Value::Null));
    assert!(on.is_some() && on < off && off < config, "{told:?}");
    assert_eq!(
        (&told[off.unwrap()]["name"], &told[off.unwrap()]["why"]),
        (&"heater".into(), &"the config changes".into())
    );
}

/// The speed of a link cannot be changed while driving; that something is to be off can.
#[test]
fn a_change_of_a_link_that_does_not_arm_switches_off_all_the_same_and_stays_on_the_screen() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::sized(&bench, (53, 15), &["drive", "--no-record"]);
    plugged.until(true);
    let changed = bench.read("kickpanel.toml").replace("armed = true", "armed = false");
    bench.replace("kickpanel.toml", &changed.replacen("device =", "baud = 9600\ndevice =", 1));
    plugged.until(false);
    seat.until("but what it does not arm is off now");
    let heard = plugged.board().sets.len();
    seat.until("links changed: file not used; quit and start again");
    seat.look_on(Duration::from_secs(1));
    seat.until("links changed: file not used; quit and start again");
    assert_eq!(plugged.board().sets.len(), heard, "nothing is sent any more");
    seat.send("q");
    seat.ends_well();
}

/// J6, and what a person does about it.
#[test]
fn a_pin_that_does_not_follow_alarms_and_is_off_until_a_person_acts_twice() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    plugged.board().stuck = Some(0);
    let mut seat = Seat::start(&bench, &["drive"]);
    plugged.until(true);
    seat.until("CAUTION");
    seat.until("pin d7 does not follow  set on, is off");
    // Seen, so that it goes away with its cause.
    seat.send("\r");
    seat.until("s, seen");
    plugged.until(false);
    seat.send("2");
    seat.until("locked: the pin did not follow");
    seat.until("u free outputs");
    plugged.board().stuck = None;
    seat.send("u");
    seat.until("hands off it? then u again to free it");
    // A key that is held down is one key.
    seat.send("uuuu");
    seat.until("too fast: wait a second, then u again");
    seat.look_on(Duration::from_millis(800));
    assert!(seat.text().contains("locked: the pin did not follow"), "{}", seat.text());
    seat.send("u");
    plugged.until(true);
    seat.until("on, pin on");
    assert!(!seat.text().contains("CAUTION"), "{}", seat.text());
    seat.send("q");
    seat.ends_well();
    let told = notes(&bench, 1);
    let alarms: Vec<_> = told.iter().filter(|note| note["note"] == "alarm").collect();
    assert_eq!((alarms.len(), &alarms[0]["output"], &alarms[0]["state"]), (3, &"heater".into(), &"on".into()));
    assert_eq!(alarms[0]["why"], "pin d7 does not follow: set on, is off");
    assert_eq!((&alarms[1]["state"], &alarms[2]["state"]), (&"acknowledged".into(), &"off".into()));
    assert!(told.iter().any(|note| note["note"] == "freed"));
}

/// J6: the pin was on for a while, and then a wire or the board takes it off.
#[test]
fn a_pin_that_goes_off_by_itself_alarms_and_is_locked_and_does_not_just_rest() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive"]);
    plugged.until(true);
    seat.send("2");
    seat.until("on, pin on");
    plugged.board().stuck = Some(0);
    seat.until("CAUTION");
    seat.until("locked: the pin did not follow");
    plugged.until(false);
    seat.send("q");
    seat.ends_well();
    let told = notes(&bench, 1);
    let alarms: Vec<_> = told.iter().filter(|note| note["note"] == "alarm").collect();
    assert_eq!(alarms[0]["why"], "pin d7 does not follow: set on, is off");
    let switched: Vec<_> = told.iter().filter(|note| note["note"] == "output" && note["name"] == "heater").collect();
    let last = &switched[switched.len() - 1];
    assert_eq!(
        (switched.len(), &last["why"]),
        (2, &"locked: the pin did not follow".into()),
        "no ordinary end: {switched:?}"
    );
}

/// J7.
#[test]
fn two_restarts_after_switching_on_lock_the_output() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    for _ in 0..2 {
        plugged.until(true);
        seat.look_on(Duration::from_millis(100));
        plugged.board().reset = true;
        plugged.until(false);
    }
    seat.until("two controller resets  after switching on");
    let heard = plugged.board().switched.len();
    seat.look_on(Duration::from_secs(1));
    assert_eq!(plugged.board().switched.len(), heard, "it stays off");
    seat.send("q");
    seat.ends_well();
}

#[test]
fn an_unplugged_controller_is_off_by_itself_and_is_switched_on_again_when_it_is_back() {
    let bench = bench_with(HEATER);
    let mut plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    plugged.until(true);
    plugged.pulled();
    seat.send("2");
    seat.until("no link");
    let again = Plugged::at(&bench, ON);
    again.until(true);
    seat.send("q");
    seat.ends_well();
}

/// J5: every byte that the port got, whatever the config of the drive computes.
#[test]
fn without_armed_not_one_set_is_sent() {
    let bench = bench_with(&HEATER.replace("armed = true\n", ""));
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    seat.send("2");
    seat.until("heater  would be on");
    seat.look_on(Duration::from_millis(500));
    seat.send("uumquq");
    seat.ended();
    let heard = String::from_utf8(plugged.board().heard.clone()).unwrap();
    assert!(heard.lines().all(|line| line.starts_with("{\"ask\":\"hello\"")) && !heard.is_empty(), "{heard}");
}

/// J5 and G7: a recording's own config arms nothing, and nothing is opened.
#[test]
fn a_replay_of_an_armed_drive_shows_what_was_and_sends_nothing() {
    let bench = bench_with(HEATER);
    let plugged = Plugged::at(&bench, ON);
    let mut seat = Seat::start(&bench, &["drive"]);
    plugged.until(true);
    seat.send("2");
    seat.until("heater  on, pin on");
    seat.send("q");
    seat.ends_well();
    plugged.until(false);
    let heard = plugged.board().heard.len();
    let file = bench.name("data/kickpanel/recordings/000001-01.kpr");
    let mut replay = Seat::start(&bench, &["replay", &file]);
    replay.send("2");
    replay.until("was armed");
    replay.until("heater  on, pin on");
    replay.send("q");
    replay.ends_well();
    let rows = bench.run(&["export", &file]);
    assert_eq!(rows.status, Some(0), "{}", rows.err);
    assert!(rows.out.starts_with("time_s,oil [bar]\n"), "outputs have columns only where they are asked for");
    let rows = bench.run(&["export", "--outputs", &file]).out;
    let mut lines = rows.lines();
    let head = "time_s,oil [bar],heater.wanted,heater.pin,fan.wanted,fan.pin,needle.wanted,needle.pin";
    assert_eq!(lines.next(), Some(head));
    // 512 of 1,024 counts are 4 bar, and these 40 Hz.
    let end: Vec<&str> = lines.next_back().unwrap().split(',').collect();
    assert_eq!(&end[1..], ["4", "1", "1", "1", "0", "40", "40"], "{end:?}");
    assert_eq!(plugged.board().heard.len(), heard, "not one byte came");
}

/// J5: a demo computes and shows.
#[test]
fn a_demo_of_an_armed_config_sends_nothing() {
    let bench = bench_with(HEATER);
    let mut seat = Seat::start(&bench, &["-c", "kickpanel.toml", "demo"]);
    seat.send("2");
    seat.until("not armed");
    seat.until("its rule");
    seat.look_on(Duration::from_millis(500));
    seat.send("q");
    seat.ended();
    let recorded = bench.read("data/kickpanel/demo/000001-01.kpr");
    assert!(recorded.contains("\t>\t{\"ask\"") && !recorded.contains("{\"set\""), "only the hello is asked for");
}
