//! `wiggle` on a terminal, with a board whose plugs are moved: what is shown and rung, and what is sent.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use kickpanel::link::pty::Tried;
use kickpanel::wire::{ask_hello, seal, set_rate};
use rstest::rstest;
use rustix::process::Signal;

use crate::verbs::bench::{Bench, until};
use crate::verbs::board::{config, port_at, runtime};
use crate::verbs::seat::Seat;

/// A board that sends at the rate that it is asked for, and says something else in single readings.
struct Loom {
    state: Arc<Mutex<State>>,
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

struct State {
    /// What every reading says.
    members: String,
    /// What the next ones say instead, one each.
    once: VecDeque<String>,
    rate: u32,
    /// It takes no rate.
    stubborn: bool,
    /// Every line that the computer sent, with its LF.
    heard: Vec<String>,
    sent: u32,
}

impl Loom {
    fn at(bench: &Bench, stubborn: bool) -> Self {
        let path = bench.path("port");
        bench.write("kickpanel.toml", config(path.to_str().unwrap()) + MORE);
        let (stop, stopped) = channel();
        let (ready, wait) = channel();
        let state =
            State { members: QUIET.to_owned(), once: VecDeque::new(), rate: 50, stubborn, heard: Vec::new(), sent: 0 };
        let state = Arc::new(Mutex::new(state));
        let shared = Arc::clone(&state);
        let thread = std::thread::spawn(move || {
            let runtime = runtime();
            let _within = runtime.enter();
            let pty = port_at(&path);
            ready.send(()).unwrap();
            let (mut t, mut begun) = (0_u32, Vec::new());
            loop {
                let mut state = shared.lock().unwrap();
                let mut buffer = [0; 256];
                while let Ok(Tried::Bytes(count @ 1..)) = pty.try_read(&mut buffer) {
                    begun.extend_from_slice(&buffer[..count]);
                }
                while let Some(end) = begun.iter().position(|&byte| byte == b'\n') {
                    let line: Vec<u8> = begun.drain(..=end).collect();
                    let answer = state.command(String::from_utf8(line).unwrap());
                    let _ = pty.try_write(answer.as_bytes()).unwrap();
                }
                let gap = 1_000_000 / state.rate;
                t += gap;
                let line = state.reading(t);
                let _ = pty.try_write(line.as_bytes()).unwrap();
                drop(state);
                if stopped.recv_timeout(Duration::from_micros(gap.into())) != Err(RecvTimeoutError::Timeout) {
                    return;
                }
            }
        });
        wait.recv().unwrap();
        Self { state, stop: Some(stop), thread: Some(thread) }
    }

    /// The next reading alone says `members`.
    fn once(&self, members: &str) {
        self.state.lock().unwrap().once.push_back(members.to_owned());
    }

    fn say(&self, members: &str) {
        members.clone_into(&mut self.state.lock().unwrap().members);
    }

    fn rate(&self) -> u32 {
        self.state.lock().unwrap().rate
    }

    fn sent(&self) -> u32 {
        self.state.lock().unwrap().sent
    }

    fn heard(&self) -> Vec<String> {
        self.state.lock().unwrap().heard.clone()
    }
}

impl Drop for Loom {
    fn drop(&mut self) {
        drop(self.stop.take());
        // Where the board itself failed, the test has failed by waiting for it.
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

impl State {
    /// Takes a command; gives the answer.
    fn command(&mut self, line: String) -> String {
        let rate = line.strip_prefix("{\"rate_hz\":").and_then(|rest| rest.split(',').next()?.parse().ok());
        self.heard.push(line);
        if let Some(rate) = rate.filter(|_| !self.stubborn) {
            self.rate = rate;
        }
        let mut hello = String::new();
        write!(
            hello,
            "{{\"hello\":{{\"format\":1,\"fw\":\"1\",\"board\":\"bench\",\"reset\":\"power-on\",\"adc_max\":1023,\
             \"analog\":3,\"pulse\":[2],\"digital\":[4],\"output\":[7],\"rate_hz\":{},\"up_ms\":{}}}",
            self.rate,
            1_000 + self.sent
        )
        .unwrap();
        seal(&mut hello);
        hello + "\n"
    }

    fn reading(&mut self, t: u32) -> String {
        let members = self.once.pop_front().unwrap_or_else(|| self.members.clone());
        let mut line = format!("{{\"s\":{},\"t\":{t},{members}", self.sent % 65_536);
        self.sent += 1;
        seal(&mut line);
        line + "\n"
    }
}

/// A second channel with a name of its own; pin a2 and the level have none.
const MORE: &str = r#"
[channel.coolant]
label = "Coolant"
input = "a0"
unit = "V"
"#;

const QUIET: &str = r#""ref":225,"a0":512,"a1":512,"a2":300,"d4":1,"d7":0"#;
/// Oil at the rail, and a2 moves with it.
const DROP: &str = r#""ref":225,"a0":512,"a1":0,"a2":350,"d4":1,"d7":1"#;

/// Sits down before a board that has sent two seconds' worth at the highest rate.
#[track_caller]
fn seated(bench: &Bench, loom: &Loom, size: (u16, u16)) -> Seat {
    let seat = Seat::sized(bench, size, &["wiggle"]);
    until("the highest rate is asked for", || loom.rate() == 200);
    let sent = loom.sent();
    until("there is a band", || loom.sent() > sent + 100);
    seat
}

/// Of all that was sent to the board nothing but this may be.
#[track_caller]
fn sent_nothing_but_rates(loom: &Loom) {
    for line in loom.heard() {
        let rate = [200, 50].into_iter().any(|rate| Ok(&line) == set_rate(rate).as_ref());
        assert!(rate || line == ask_hello(), "{line}");
    }
}

#[rstest]
#[case::narrow((40, 20))]
#[case::low((53, 15))]
#[case::usual((80, 24))]
#[case::large((200, 60))]
fn a_single_sample_is_named_counted_and_rung_and_cleared_with_one_key(#[case] size: (u16, u16)) {
    let bench = Bench::new();
    let loom = Loom::at(&bench, false);
    let mut seat = seated(&bench, &loom, size);
    seat.until("Move one plug");
    seat.until("Oil pressure a1");
    seat.is_within();
    assert_eq!(seat.bells(), 0);
    loom.once(DROP);
    seat.until("O I L   P R E S S U R E");
    seat.until_that("the oil's row", |seat| {
        let text = seat.text();
        let row = text.lines().find(|row| row.starts_with("Oil pressure a1")).unwrap_or_default();
        row.contains("1 dropout ") || row.contains("1 dropout,")
    });
    seat.until_that("the bell", |seat| seat.bells() == 1);
    let text = seat.text();
    assert!(text.contains("a1: 1 dropout, shortest 5 ms, 0 s ago;"), "{text}");
    assert!(text.split_whitespace().collect::<Vec<_>>().join(" ").contains("moved with it: a2"), "{text}");
    assert!(
        text.contains("0 to 512") && text.contains("0.00 to 2.50 V") && text.contains("4.0 bar, short to gnd"),
        "{text}"
    );
    assert!(!text.contains("d7"), "a pin that is driven is no input:\n{text}");
    seat.is_within();
    seat.send("c");
    seat.until("Quiet for 0 s");
    assert!(!seat.text().contains("1 dropout"), "{}", seat.text());
    seat.is_within();
    seat.send("q");
    seat.ends_well();
    until("the rate is given back", || loom.rate() == 50);
    sent_nothing_but_rates(&loom);
}

#[test]
fn what_stays_away_rings_once_and_counts_when_it_is_back() {
    let bench = Bench::new();
    let loom = Loom::at(&bench, false);
    let mut seat = seated(&bench, &loom, (80, 24));
    loom.say(&QUIET.replace("\"a0\":512", "\"a0\":null"));
    seat.until("a0: gone since 1 s; nothing else moved");
    loom.say(QUIET);
    seat.until("a0: 1 dropout, shortest");
    assert_eq!(seat.bells(), 1);
    // The level goes and comes back within a second: one more.
    loom.once(&QUIET.replace("\"d4\":1", "\"d4\":0"));
    seat.until("d4: 1 dropout, shortest 5 ms");
    seat.until_that("the bell", |seat| seat.bells() == 2);
    seat.send("q");
    seat.ends_well();
}

#[rstest]
#[case::terminate(Some(Signal::TERM))]
#[case::hang_up(Some(Signal::HUP))]
#[case::interrupt(Some(Signal::INT))]
#[case::the_terminal_goes(None)]
fn the_rate_is_given_back_on_every_ending(#[case] signal: Option<Signal>) {
    let bench = Bench::new();
    let loom = Loom::at(&bench, false);
    let mut seat = seated(&bench, &loom, (80, 24));
    if let Some(signal) = signal {
        seat.signal(signal);
        seat.ends_well();
    } else {
        seat.hang_up();
        seat.ended();
    }
    until("the rate is given back", || loom.rate() == 50);
    sent_nothing_but_rates(&loom);
}

#[test]
fn a_sketch_that_takes_no_rate_is_read_as_it_is() {
    let bench = Bench::new();
    let loom = Loom::at(&bench, true);
    let mut seat = Seat::sized(&bench, (80, 24), &["wiggle"]);
    seat.until("Oil pressure a1");
    until("there is a band", || loom.sent() > 100);
    loom.once(DROP);
    seat.until("a1: 1 dropout, shortest 20 ms");
    seat.send("\u{3}");
    seat.ends_well();
    until("it is told", || loom.heard().last() == set_rate(50).ok().as_ref());
    sent_nothing_but_rates(&loom);
}

#[test]
fn while_a_drive_holds_the_port_it_refuses_in_words() {
    let bench = Bench::new();
    let loom = Loom::at(&bench, false);
    let mut drive = Seat::start(&bench, &["drive", "--no-record"]);
    drive.until("4.0");
    let mut seat = Seat::start(&bench, &["wiggle"]);
    assert_eq!(seat.ended().code(), Some(3));
    let said = seat.errors();
    assert!(said.contains("is held by") && said.contains("End a drive before you move the harness"), "{said}");
    seat.is_given_back();
    assert_eq!(loom.rate(), 50, "and the drive's rate is its own");
    drive.send("q");
    drive.ended();
}

#[test]
fn without_a_terminal_or_a_device_it_says_what_to_do() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", "format = 1\n[link.engine]\nform = \"counts\"\n");
    let no_device = "kickpanel: no link in kickpanel.toml has a device to listen to; put \
                     `device = \"/dev/serial/by-id/…\"` under it\n";
    bench.run(&["wiggle"]).refused(3, no_device);
    bench.write("kickpanel.toml", config("/dev/nowhere"));
    let no_terminal = "kickpanel: the screen needs a terminal, and the output is none; run it in one\n";
    bench.run(&["wiggle"]).refused(3, no_terminal);
}
