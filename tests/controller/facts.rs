//! Figures of the firmware on the simulated chip, held to what was promised, and printed.
//!
//! `cargo test --test controller facts -- --nocapture`

use super::play::{Play, SECOND, Told, set};
use super::tools;

/// Six analog inputs with noise, both pulse inputs at `hertz`, all outputs driven, `rate` readings a second.
fn loaded(hertz: u32, rate: u32) -> Play {
    with_wave(hertz, rate, 133_333)
}

/// The same with a square wave of `millihertz`.
fn with_wave(hertz: u32, rate: u32, millihertz: u32) -> Play {
    let mut play = Play::new().at(0, "noise 5 30").command(100_000, &format!(r#"{{"rate_hz":{rate}"#));
    for input in 0..6 {
        play.add(0, &format!("analog {input} {}", 4_900 - 11 * input));
    }
    play.add(0, &format!("square 2 {hertz}"));
    play.add(0, &format!("square 3 {hertz}"));
    for third in 1..30 {
        play = play.command(third * SECOND / 3, &set(&format!(r#""d7":1,"d12":1,"f9":{millihertz},"w6":777"#), 1_000));
    }
    play
}

/// Right readings in a second, between the second and the tenth.
fn rate(told: &Told) -> f64 {
    let heard = told.heard();
    heard.readings.iter().filter(|read| (2 * SECOND..10 * SECOND).contains(&read.at)).count() as f64 / 8.0
}

#[test]
fn it_fits_flash_and_ram_with_the_stack_that_was_measured() {
    let (flash, data) = tools::sizes();
    // The stack is deepest where everything interrupts everything.
    let mut play = loaded(5_000, 200).at(SECOND, "garbage 9 100000").at(2 * SECOND, "square 2 50000");
    play.add(3 * SECOND, "square 3 49000");
    let storms = with_wave(50_000, 50, 5_000_000).at(SECOND, "square 2 49000").until(10 * SECOND);
    let stack = play.until(10 * SECOND).stack.max(storms.stack);
    let ram = data + stack as usize;
    println!("flash {flash} bytes, RAM {data} + stack {stack} = {ram} bytes");
    assert!(flash < 16 * 1024, "{flash} bytes of flash");
    assert!(ram < 1_536, "{ram} bytes of RAM");
}

#[test]
fn it_is_busy_for_less_than_45_per_cent_at_50_readings_a_second() {
    for hertz in [100, 1_000, 5_000] {
        let told = loaded(hertz, 50).until(10 * SECOND);
        println!("busy {} per mille at 50 readings/s, 6 analog, 2 pulse inputs at {hertz} Hz", told.busy);
        assert!(told.busy <= 450, "busy {} per mille", told.busy);
    }
    let told = with_wave(5_000, 50, 5_000_000).until(10 * SECOND);
    println!("busy {} per mille with the square wave at 5,000 Hz as well", told.busy);
}

#[test]
fn the_highest_rate_of_lines_is_known_at_both_speeds() {
    let fast = loaded(1_000, 200).until(10 * SECOND);
    let slow = loaded(1_000, 200).until_with(10 * SECOND, tools::slow_firmware());
    let longest = |told: &Told| told.lines.iter().map(|(_, line)| line.len() + 1).max().unwrap();
    println!("{} baud: {:.1} readings/s, longest line {} bytes", fast.baud, rate(&fast), longest(&fast));
    println!("{} baud: {:.1} readings/s, longest line {} bytes", slow.baud, rate(&slow), longest(&slow));
    assert_eq!((fast.baud, slow.baud), (500_000, 117_647), "the nearest that 16 MHz can be divided to");
    assert!(rate(&fast) >= 199.0, "all that may be asked for");
    assert!(rate(&slow) >= 45.0, "about fifty");
    assert!(longest(&fast) <= 1_024);
}

#[test]
fn the_longest_line_that_can_be_is_far_below_1024_bytes() {
    // Everything at its widest: a clock of ten digits, counts of four with a tenth, both pins ringing and slow.
    let mut play = loaded(100, 50).at(SECOND, "poke clock_rounds_us 4 4200005632");
    for step in 0..20 {
        play.add(2 * SECOND + step * 250_000, "burst 2 9 12");
        play.add(2 * SECOND + step * 250_000, "burst 3 9 12");
    }
    let told = play.until(9 * SECOND);
    let longest = told.lines.iter().map(|(_, line)| line.len() + 1).max().unwrap();
    // What grows with time alone: two counts of edges and two of ringing, from here to ten digits each; `s` to five.
    let grown = longest + 4 * 10 + 5;
    println!("longest line {longest} bytes, {grown} after years");
    assert!(grown <= 1_024);
    assert!(told.heard_over_restarts().refused.is_empty());
}
