//! `drive` killed or hanging while an output is on: the pin is at rest within its lease and 50 ms, every time.

use kickpanel::output::LEASE_MS;
use rustix::process::Signal;

use super::live::{Live, Seat, head};

/// So many controllers at once, and so many kills of each.
const CONTROLLERS: usize = 10;
const KILLS: usize = 10;
/// So many stops of each of three.
const STOPS: usize = 5;

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

/// Kills `drive` again and again on one controller; gives how long the pin stayed on each time, µs.
fn kill_again_and_again(controller: usize) -> Vec<u64> {
    let mut live = Live::start("0 analog 1 3000\n");
    let config = config(live.port.to_str().unwrap());
    (0..KILLS)
        .map(|kill| {
            // A new folder each time: how long an output has rested would otherwise be remembered.
            let mut seat = Seat::new(&config);
            seat.drive();
            live.until("pin 7 on", |event| event.contains("\tpin\t7\t1"));
            // At another place between two renewals each time.
            live.readings(3 + (controller * KILLS + kill) * 7 % 41);
            live.now("peek clock_rounds_us 4");
            let (killed, _) = live.until("the instant before the kill", |event| event.contains("\tpeek\t"));
            seat.end(Signal::KILL);
            let (off, _) = live.until("pin 7 at rest", |event| event.contains("\tpin\t7\t0"));
            off - killed
        })
        .collect()
}

/// Stops `drive` again and again, as if all of it hung, and lets it go on; gives how long the pin stayed on each time, µs.
fn stop_again_and_again(controller: usize) -> Vec<u64> {
    let mut live = Live::start("0 analog 1 3000\n");
    let mut seat = Seat::new(&config(live.port.to_str().unwrap()));
    seat.drive();
    let times = (0..STOPS)
        .map(|stop| {
            live.until("pin 7 on", |event| event.contains("\tpin\t7\t1"));
            live.readings(3 + (controller * STOPS + stop) * 7 % 41);
            live.now("peek clock_rounds_us 4");
            let (stopped, _) = live.until("the instant before the stop", |event| event.contains("\tpeek\t"));
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
    let threads: Vec<_> = (0..3).map(|number| std::thread::spawn(move || stop_again_and_again(number))).collect();
    let times: Vec<u64> = threads.into_iter().flat_map(|thread| thread.join().unwrap()).collect();
    let most = u64::from(LEASE_MS) * 1_000 + 50_000;
    println!("{} stops, at rest up to {} us after them", times.len(), times.iter().max().unwrap());
    assert!(times.iter().all(|time| *time <= most), "{times:?}");
}

#[test]
fn the_pin_is_at_rest_within_its_lease_after_a_kill_100_times_of_100() {
    let threads: Vec<_> =
        (0..CONTROLLERS).map(|number| std::thread::spawn(move || kill_again_and_again(number))).collect();
    let times: Vec<u64> = threads.into_iter().flat_map(|thread| thread.join().unwrap()).collect();
    let most = u64::from(LEASE_MS) * 1_000 + 50_000;
    println!(
        "{} kills, at rest {} to {} us after them",
        times.len(),
        times.iter().min().unwrap(),
        times.iter().max().unwrap()
    );
    assert_eq!(times.len(), CONTROLLERS * KILLS);
    assert!(times.iter().all(|time| *time <= most), "{times:?}");
}
