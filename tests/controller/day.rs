//! The clock over a day: 2^32 µs come round every 71.6 minutes.
//!
//! The suite sets the firmware's own count shortly before each of a day's twenty wraps; the whole day is a long run by
//! hand (`--ignored`; half an hour on a free core, longer on a busy one; `KICKPANEL_HOURS` for less).

use super::play::{Heard, Play, SECOND, within};

/// The firmware's count of what all full rounds of its timer add up to, µs; a round is 32,768 µs.
const ROUNDS: &str = "clock_rounds_us";
const ROUND: u64 = 32_768;
const WRAP: u64 = 1 << 32;

/// Sets the clock on to `to` at `at`: in steps of less than half a round of 2^32, since the firmware compares instants.
fn set_on(play: &mut Play, at: u64, to: u64) {
    for step in 1..=3 {
        play.add(at + step * 100_000, &format!("poke {ROUNDS} 4 {}", to * step / 3 / ROUND * ROUND));
    }
}

#[test]
fn frequencies_and_times_hold_over_every_wrap_of_a_day() {
    let (wraps, apart) = (20, 6 * SECOND);
    let mut play = Play::new().at(0, "square 2 1000").at(0, "square 3 37.5");
    for wrap in 0..wraps {
        // Set 3 s before it comes round; a different way into the round each time.
        set_on(&mut play, SECOND + wrap * apart, WRAP - 3 * SECOND - wrap * 1_111);
    }
    let told = play.until(SECOND + wraps * apart);
    let heard = told.heard_over_restarts();
    assert_eq!(heard.refused, Vec::<String>::new());
    assert_eq!(heard.lost, 0);
    for wrap in 0..wraps {
        check_over_wrap(&heard, SECOND + wrap * apart + SECOND, SECOND + (wrap + 1) * apart - SECOND / 2);
    }
}

/// Between two instants the clock came round once, and nothing shows it.
#[track_caller]
fn check_over_wrap(heard: &Heard, from: u64, to: u64) {
    let (first, last) = (heard.before(from), heard.before(to));
    assert!(last.reading.t < first.reading.t, "{} is not after a wrap from {}", last.reading.t, first.reading.t);
    let passed = f64::from(last.reading.t.wrapping_sub(first.reading.t));
    // The line's end follows the sampling by how long it is, which changes by a few digits.
    within("time that passed in us", passed, (last.at - first.at) as f64, 2_000.0);
    for (name, hertz) in [("p2", 1_000.0), ("p3", 37.5)] {
        let (before, after) = (first.edges(name), last.edges(name));
        let span = f64::from(after.last.wrapping_sub(before.last));
        let edges = f64::from(after.count - before.count);
        // Four seconds and some; the interrupt's own delay of some us at either end.
        within(name, edges * 1e6 / span, hertz, hertz * 20.0 / span);
    }
    for read in heard.readings.iter().filter(|read| (from..to).contains(&read.at)) {
        let (shortest, longest) = read.edges("p2").gaps.unwrap();
        assert!(shortest >= 980 && longest <= 1_020, "{shortest} to {longest} us at {}", read.at);
        let age = read.reading.t.wrapping_sub(read.edges("p2").last);
        assert!(age < 2_000, "the newest edge is {age} us old");
    }
}

#[test]
fn the_time_since_the_start_goes_on_over_a_wrap() {
    let value = (WRAP - 3 * SECOND) / ROUND * ROUND;
    let heard =
        Play::new().at(4 * SECOND, &format!("poke {ROUNDS} 4 {value}")).until(16 * SECOND).heard_over_restarts();
    let ups: Vec<_> = heard.hellos.iter().map(|(_, hello)| hello.up_ms).collect();
    assert!(ups.windows(2).all(|pair| pair[0] < pair[1]), "{ups:?}");
}

#[test]
fn an_edge_of_long_ago_is_told_as_30_minutes_old_for_ever() {
    // One edge; then the clock is set on by 29, 31 and 60 minutes, and over the wrap.
    let minutes = |count: u64| (count * 60 * SECOND) / ROUND * ROUND;
    let mut play = Play::new().at(SECOND, "level 2 1").at(SECOND + 1_000, "level 2 0");
    for (step, passed) in [29, 31, 60, 75].into_iter().enumerate() {
        play.add((2 + step as u64) * SECOND, &format!("poke {ROUNDS} 4 {}", minutes(passed) % WRAP));
    }
    let heard = play.until(6 * SECOND).heard_over_restarts();
    let age = |second: u64| {
        let read = heard.before(second * SECOND + SECOND / 2);
        assert_eq!(read.edges("p2").count, 1);
        read.reading.t.wrapping_sub(read.edges("p2").last)
    };
    assert!(age(2) < 1_800_000_000 && age(2) > 1_700_000_000, "{}", age(2));
    assert_eq!([age(3), age(4), age(5)], [1_800_000_000; 3]);
}

#[test]
#[ignore = "a long run by hand: 24 h of simulated time take half an hour and more"]
fn a_whole_day_runs_without_a_gap() {
    let hours: f64 = std::env::var("KICKPANEL_HOURS").map_or(24.0, |text| text.parse().unwrap());
    let end = (hours * 3_600.0) as u64 * SECOND;
    let heard = Play::new().command(SECOND, r#"{"rate_hz":1"#).at(0, "square 2 100").until(end).heard();
    let late = 15_000.0 - f64::from(heard.after(20_000).edges("p2").last);
    assert!((0.0..500.0).contains(&late), "the controller's clock starts after {late} us");
    let readings = heard.readings.iter().filter(|read| read.at > 2 * SECOND);
    for read in readings.clone() {
        // When the newest edge was, on a clock that does not wrap; the controller's starts some 200 us after the bench's.
        let edge = read.at - u64::from((read.at as u32).wrapping_sub(read.edges("p2").last));
        // Falling edges are at 5,000 us and every 10,000 us from there.
        let number = (edge + 10_000) / 10_000;
        assert_eq!(u64::from(read.edges("p2").count), number, "edges at {}", read.at);
        within("time of the edge in us", edge as f64, (number * 10_000 - 5_000) as f64 - late, 20.0);
    }
    assert!(readings.count().abs_diff((end / SECOND) as usize) <= 4);
    for (at, hello) in &heard.hellos {
        within("up_ms", hello.up_ms as f64, *at as f64 / 1_000.0, 20.0);
    }
}
