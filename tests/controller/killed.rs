//! `drive` killed or hanging while an output is on: the pin is at rest within its lease and 50 ms, every time.

use std::cell::Cell;
use std::sync::Mutex;

use kickpanel::output::LEASE_MS;
use rustix::process::Signal;

use super::live::{Live, Seat, head};

/// So many controllers at once, and so many kills of each.
const CONTROLLERS: usize = 4;
const KILLS: usize = 25;
/// So many stops of each of three.
const STOPS: usize = 5;

/// One of the two tests at a time: all of their chips at once are more than two cores can carry.
static TURN: Mutex<()> = Mutex::new(());

/// A lamp that is on while the voltage on a1 is above 1 V.
fn config(device: &str) -> String {
    format!(
        r#"{}[channel.wish]
input = "a1"
unit = "V"
span = [0, 5]
[output.lamp]
pin = "d7"
on = "wish > 1"
armed = true
[[page]]
name = "Bench"
rows = [[{{ show = "wish", as = "digits" }}]]
"#,
        head(device)
    )
}

/// Waits until pin 7 has been on for so many readings; gives the instant after them, µs.
///
/// A simulated chip that gets too little of a busy machine falls behind the computer's clock: its readings come late then,
/// and what they switched is off until they come in time again. Nothing can be told from such a stretch.
fn on_for(live: &mut Live, readings: usize) -> u64 {
    live.until("pin 7 on", |event| event.contains("\tpin\t7\t1"));
    let is_off = |event: &str| event.contains("\tpin\t7\t0");
    for _ in 0..readings {
        if is_off(&live.until("a reading", |event| event.contains("serial\t{\"s\":") || is_off(event)).1) {
            return on_for(live, readings);
        }
    }
    live.now("peek clock_rounds_us 4");
    match live.until("the instant before it", |event| event.contains("\tpeek\t") || is_off(event)) {
        (at, event) if !is_off(&event) => at,
        _ => on_for(live, readings),
    }
}

/// The most that a pin may stay on after a kill, µs.
const MOST: u64 = LEASE_MS as u64 * 1_000 + 50_000;
/// A machine that runs ten of each at once and much else leaves a drive unscheduled now and then: such a kill is done again.
const ATTEMPTS: usize = 5 * KILLS;

/// The pin's newest level and since when, of all events that went by.
#[derive(Default)]
struct Lamp(Cell<(u64, bool)>);

impl Lamp {
    fn note(&self, event: &str) {
        let words: Vec<_> = event.split('\t').collect();
        if let [at, "pin", "7", level] = words[..] {
            self.0.set((at.parse().unwrap(), level == "1"));
        }
    }

    /// Waits for an event that `fits`; when it came, µs.
    #[track_caller]
    fn until(&self, live: &Live, what: &str, fits: impl Fn(&str) -> bool) -> u64 {
        let noted = |event: &str| {
            self.note(event);
            fits(event)
        };
        live.until(what, noted).0
    }

    #[track_caller]
    fn instant(&self, live: &mut Live) -> u64 {
        live.now("peek clock_rounds_us 4");
        self.until(live, "an instant", |event| event.contains("\tpeek\t"))
    }
}

/// Kills `drive` after some readings; gives how long the pin stayed on, µs. `None`: the machine was too busy to tell.
fn kill_once(live: &mut Live, config: &str, readings: usize) -> Option<u64> {
    // A new folder each time: how long an output has rested would otherwise be remembered.
    let (mut seat, lamp) = (Seat::new(config), Lamp::default());
    seat.drive();
    lamp.until(live, "pin 7 on", |event| event.contains("\tpin\t7\t1"));
    for _ in 0..readings {
        lamp.until(live, "a reading", |event| event.contains("serial\t{\"s\":"));
    }
    let before = lamp.instant(live);
    let (_, on) = lamp.0.get();
    seat.end(Signal::KILL);
    let after = lamp.instant(live);
    if lamp.0.get().1 {
        lamp.until(live, "pin 7 at rest", |event| event.contains("\tpin\t7\t0"));
    }
    let (off, _) = lamp.0.get();
    // The kill came between the two instants. Only what is too long from either of them is too long for certain.
    match () {
        () if !on => None,
        () if off <= before + MOST => Some(off.saturating_sub(before)),
        () if off > after + MOST => Some(off - after),
        () => None,
    }
}

/// Kills `drive` again and again on one controller.
fn kill_again_and_again(controller: usize) -> Vec<u64> {
    let mut live = Live::start("0 analog 1 3000\n");
    let config = config(live.port.to_str().unwrap());
    let mut times = Vec::new();
    for attempt in 0..ATTEMPTS {
        // At another place between two renewals each time.
        times.extend(kill_once(&mut live, &config, 3 + (controller * KILLS + attempt) * 7 % 41));
        if times.len() == KILLS {
            break;
        }
    }
    times
}

/// Stops `drive` again and again, as if all of it hung, and lets it go on; gives how long the pin stayed on each time, µs.
fn stop_again_and_again(controller: usize) -> Vec<u64> {
    let mut live = Live::start("0 analog 1 3000\n");
    let mut seat = Seat::new(&config(live.port.to_str().unwrap()));
    seat.drive();
    let times = (0..STOPS)
        .map(|stop| {
            let stopped = on_for(&mut live, 3 + (controller * STOPS + stop) * 7 % 41);
            seat.send(Signal::STOP);
            let (off, _) = live.until("pin 7 at rest", |event| event.contains("\tpin\t7\t0"));
            seat.send(Signal::CONT);
            off - stopped
        })
        .collect();
    assert_eq!(seat.end(Signal::TERM), Some(0), "{}", seat.said());
    times
}

/// J2: rules and link share a thread, so that one cannot hang without the other; what hangs is all of it.
#[test]
fn the_pin_is_at_rest_within_its_lease_while_the_program_hangs_and_comes_on_again_after_that() {
    let _turn = TURN.lock();
    let threads: Vec<_> = (0..3).map(|number| std::thread::spawn(move || stop_again_and_again(number))).collect();
    let times: Vec<u64> = threads.into_iter().flat_map(|thread| thread.join().unwrap()).collect();
    println!("{} stops, at rest up to {} us after them", times.len(), times.iter().max().unwrap());
    assert!(times.iter().all(|time| *time <= MOST), "{times:?}");
}

#[test]
fn the_pin_is_at_rest_within_its_lease_after_a_kill_100_times_of_100() {
    let _turn = TURN.lock();
    let threads: Vec<_> =
        (0..CONTROLLERS).map(|number| std::thread::spawn(move || kill_again_and_again(number))).collect();
    let times: Vec<u64> = threads.into_iter().flat_map(|thread| thread.join().unwrap()).collect();
    println!(
        "{} kills, at rest {} to {} us after them",
        times.len(),
        times.iter().min().unwrap(),
        times.iter().max().unwrap()
    );
    assert_eq!(times.len(), CONTROLLERS * KILLS);
    assert!(times.iter().all(|time| *time <= MOST), "{times:?}");
}
