//! Outputs: leases, waves, duties, and what the readings say of them.

use kickpanel::wire::Raw;
use rstest::rstest;

use super::play::{Heard, Play, Random, SECOND, Told, set, signed, within};

#[rstest]
#[case::least(10)]
#[case::next(11)]
#[case::tenth(100)]
#[case::usual(1_000)]
#[case::most(5_000)]
fn a_lease_ends_within_20_ms_of_its_time(#[case] lease_ms: u64) {
    for pin in [7, 12] {
        let told =
            Play::new().command(SECOND, &set(&format!("\"d{pin}\":1"), lease_ms)).until(2 * SECOND + lease_ms * 1_000);
        let [(on, true), (off, false)] = told.of_pin(pin)[..] else { panic!("{:?}", told.of_outputs()) };
        assert!(on - SECOND < 20_000, "switched after {} us", on - SECOND);
        within("lease in us", (off - on) as f64, (lease_ms * 1_000) as f64, 20_000.0);
        assert!(off - on <= lease_ms * 1_000 + 2_000, "{} us is longer than the lease", off - on);
        assert_eq!(told.of_outputs().len(), 2);
    }
}

#[test]
fn a_lease_that_is_renewed_goes_on_and_ends_after_the_last_renewal() {
    let mut play = Play::new();
    for third in 0..30 {
        play = play.command(SECOND + third * 100_000, &set(r#""d7":1"#, 300));
    }
    let told = play.until(5 * SECOND);
    let [(_, true), (off, false)] = told.of_pin(7)[..] else { panic!("{:?}", told.of_pin(7)) };
    within("end", off as f64, (SECOND + 2_900_000 + 300_000) as f64, 20_000.0);
}

/// As after a kill: renewals stop at any instant, the last one cut anywhere within its line, while all else goes on.
#[test]
fn a_thousand_leases_that_are_no_longer_renewed_end_within_their_time_and_50_ms() {
    const ROUNDS: usize = 1_000;
    const LEASE_US: u64 = 100_000;
    let mut random = Random(20_251_125);
    let mut play = Play::new().at(0, "square 2 700").at(0, "square 3 300");
    let line = signed(&set(r#""d7":1"#, LEASE_US / 1_000)).into_bytes();
    let (mut at, mut lasts) = (SECOND, Vec::new());
    for _ in 0..ROUNDS {
        let mut last = at;
        for _ in 0..=random.below(4) {
            last = at;
            play = play.raw(at, &line);
            at += 20_000 + random.below(60_000) as u64;
        }
        lasts.push(last);
        // Without its bracket and its LF at least.
        play = play.raw(at, &line[..random.below(line.len() - 1)]).raw(at + 5_000, b"\n");
        at = last + 2 * LEASE_US + random.below(20_000) as u64;
    }
    let told = play.until(at + SECOND);
    told.heard();
    let moves = told.of_pin(7);
    assert_eq!(moves.len(), 2 * ROUNDS, "on once and off once in each round");
    let held: Vec<_> = moves.chunks_exact(2).zip(&lasts).map(|(pair, last)| pair[1].0 - last).collect();
    println!("{ROUNDS} leases of {LEASE_US} us held for {:?} to {:?} us", held.iter().min(), held.iter().max());
    assert!(moves.chunks_exact(2).all(|pair| pair[0].1 && !pair[1].1));
    assert!(held.iter().all(|held| (LEASE_US - 20_000..=LEASE_US + 50_000).contains(held)), "{held:?}");
}

#[test]
fn each_output_has_a_lease_of_its_own() {
    let told = Play::new()
        .command(SECOND, &set(r#""d7":1,"d12":1"#, 2_000))
        .command(SECOND + 500_000, &set(r#""d12":1"#, 100))
        .until(4 * SECOND);
    let [_, (seven, false)] = told.of_pin(7)[..] else { panic!("{:?}", told.of_pin(7)) };
    let [_, (twelve, false)] = told.of_pin(12)[..] else { panic!("{:?}", told.of_pin(12)) };
    within("7", seven as f64, 3e6, 20_000.0);
    within("12", twelve as f64, 1.6e6, 20_000.0);
}

#[test]
fn off_is_off_at_once() {
    let told = Play::new()
        .command(SECOND, &set(r#""d7":1"#, 5_000))
        .command(2 * SECOND, &set(r#""d7":0"#, 5_000))
        .until(3 * SECOND);
    let [(_, true), (off, false)] = told.of_pin(7)[..] else { panic!("{:?}", told.of_pin(7)) };
    assert!(off - 2 * SECOND < 20_000);
}

#[test]
fn the_readings_say_what_each_output_pin_does() {
    let told = Play::new().command(SECOND, &set(r#""d7":1,"f9":133333,"w6":250"#, 1_000)).until(3 * SECOND);
    let heard = told.heard();
    let says = |at| ["d7", "d12", "f9", "w6"].map(|name| heard.before(at).number(name));
    assert_eq!(says(SECOND), [0.0; 4]);
    assert_eq!(says(SECOND + SECOND / 2), [1.0, 0.0, 133_333.0, 250.0]);
    assert_eq!(says(3 * SECOND), [0.0; 4]);
}

/// What the readings say of `pin`, from `from` to `to`, each value once where it stays; `null` is -1.
fn said_of(heard: &Heard, pin: &str, from: u64, to: u64) -> Vec<f64> {
    let read = heard.readings.iter().filter(|read| (from..to).contains(&read.at));
    let mut values: Vec<f64> =
        read.map(|read| if read.raw(pin) == Raw::Null { -1.0 } else { read.number(pin) }).collect();
    values.dedup();
    values
}

/// One output held at `order` from the first to the fifth second; from the second to the third a wire holds its pin at `level`.
fn with_a_wire(pin: &str, order: u32, level: u8) -> Heard {
    let mut play = Play::new().at(0, "square 2 5000").at(0, "square 3 5000");
    for tenth in 10..50 {
        play = play.command(tenth * SECOND / 10, &set(&format!("\"{pin}\":{order}"), 500));
    }
    let number = &pin[1..];
    play.at(2 * SECOND, &format!("short {number} {level}"))
        .at(3 * SECOND, &format!("unshort {number}"))
        .until(5 * SECOND)
        .heard()
}

/// A pin that a wire holds is told as it is, not as it was ordered, and again as ordered once the wire is gone.
#[rstest]
#[case::switch_to_ground("d7", 1, 0, 0.0)]
#[case::switch_that_rests_to_supply("d12", 0, 1, 1.0)]
#[case::wave_to_ground("f9", 133_333, 0, 0.0)]
#[case::wave_to_supply("f9", 133_333, 1, 0.0)]
#[case::slowest_wave_to_ground("f9", 1_000, 0, 0.0)]
#[case::fastest_wave_to_ground("f9", 5_000_000, 0, 0.0)]
#[case::fastest_wave_to_supply("f9", 5_000_000, 1, 0.0)]
#[case::wave_that_rests_to_supply("f9", 0, 1, -1.0)]
#[case::duty_to_ground("w6", 250, 0, 0.0)]
#[case::duty_to_supply("w6", 250, 1, 1_000.0)]
#[case::smallest_step_to_ground("w6", 4, 0, 0.0)]
#[case::largest_step_to_supply("w6", 996, 1, 1_000.0)]
#[case::whole_duty_to_ground("w6", 1_000, 0, 0.0)]
#[case::duty_that_rests_to_supply("w6", 0, 1, 1_000.0)]
fn a_pin_that_a_wire_holds_is_told_as_it_is(
    #[case] pin: &str,
    #[case] order: u32,
    #[case] level: u8,
    #[case] while_held: f64,
) {
    let heard = with_a_wire(pin, order, level);
    let order = f64::from(order);
    // The slowest wave takes half a period to show that it is there, and another to show that it is not.
    let settled = if order == 1_000.0 && pin == "f9" { 600_000 } else { 60_000 };
    assert_eq!(said_of(&heard, pin, SECOND + settled, 2 * SECOND), [order], "before");
    assert_eq!(said_of(&heard, pin, 2 * SECOND + settled, 3 * SECOND), [while_held], "while a wire holds it");
    assert_eq!(said_of(&heard, pin, 3 * SECOND + settled, 5 * SECOND), [order], "afterwards");
}

#[test]
fn a_duty_pin_that_something_else_moves_is_told_as_it_was_seen() {
    // A foreign square wave of 500 Hz, half of the time high, on a pin that was ordered to a tenth.
    let mut play = Play::new().command(SECOND, &set(r#""w6":100"#, 5_000));
    for millisecond in 0..2_000 {
        play.add(2 * SECOND + 1_000 * millisecond, &format!("short 6 {}", millisecond % 2));
    }
    let heard = play.until(4 * SECOND).heard();
    for value in said_of(&heard, "w6", 2 * SECOND + 60_000, 4 * SECOND) {
        within("w6", value, 500.0, 60.0);
    }
}

/// The timer has 256 steps: the nearest is driven, and told.
#[rstest]
#[case::none(0, 0.0)]
#[case::below_half_a_step(1, 0.0)]
#[case::above_half_a_step(2, 4.0)]
#[case::one_step(4, 4.0)]
#[case::one_and_a_half(6, 8.0)]
#[case::quarter(250, 250.0)]
#[case::between(777, 777.0)]
#[case::last_step(997, 996.0)]
#[case::all_but_half_a_step(999, 1_000.0)]
#[case::all(1_000, 1_000.0)]
fn a_duty_is_told_as_the_step_that_is_driven(#[case] permille: u32, #[case] told: f64) {
    let play = Play::new().command(SECOND, &set(&format!("\"w6\":{permille}"), 3_000)).until(3 * SECOND);
    assert_eq!(said_of(&play.heard(), "w6", SECOND + 60_000, 3 * SECOND), [told]);
    let (share, _) = share_and_carrier(&play, SECOND + 20_000, 3 * SECOND);
    within("share in per mille", share, told, 0.6);
}

/// Every step is told as it is driven, whatever else runs: the looks at the pin are never far enough apart from it.
#[test]
fn every_step_of_the_duty_is_told_as_it_is_driven_while_everything_runs() {
    let mut play = Play::new().at(0, "square 2 4870").at(0, "square 3 5000");
    for step in 0..=256 {
        let order = (step * 1_000 + 128) / 256;
        play = play.command(SECOND + step * 200_000, &set(&format!("\"f9\":3777000,\"w6\":{order}"), 1_000));
    }
    let heard = play.until(SECOND + 257 * 200_000).heard();
    for step in 0..=256 {
        let at = SECOND + step * 200_000;
        let order = ((step * 1_000 + 128) / 256) as f64;
        assert_eq!(said_of(&heard, "w6", at + 60_000, at + 200_000), [order], "step {step}");
    }
}

#[rstest]
#[case::slowest(1_000)]
#[case::needle(133_333)]
#[case::hundreds(456_789)]
#[case::thousands(1_234_567)]
#[case::fastest(5_000_000)]
fn the_frequency_output_is_a_square_wave_within_a_thousandth(#[case] millihertz: u32) {
    let mut play = Play::new().at(0, "square 2 5000").at(0, "square 3 5000");
    for step in 0..10 {
        play = play.command(SECOND + step * SECOND, &set(&format!("\"f9\":{millihertz}"), 3_000));
    }
    let told = play.until(11 * SECOND);
    let edges = told.of_pin(9);
    let rising: Vec<_> = edges.iter().filter(|(_, level)| *level).map(|(at, _)| *at).collect();
    let time = (rising[rising.len() - 1] - rising[0]) as f64;
    within("mHz", (rising.len() - 1) as f64 * 1e9 / time, f64::from(millihertz), f64::from(millihertz) / 1_000.0);
    let period = 1e9 / f64::from(millihertz);
    for half in edges.windows(2).skip(1) {
        within("half of a period in us", (half[1].0 - half[0].0) as f64, period / 2.0, 2.0 + period / 1_000.0);
    }
}

#[test]
fn the_frequency_output_ends_low_with_its_lease_and_by_0() {
    for millihertz in [100_000, 100_100, 777_000, 5_000_000] {
        let told = Play::new()
            .command(SECOND, &set(&format!("\"f9\":{millihertz}"), 500))
            .command(3 * SECOND, &set(&format!("\"f9\":{millihertz}"), 2_000))
            .command(4 * SECOND, &set("\"f9\":0", 2_000))
            .until(6 * SECOND);
        let edges = told.of_pin(9);
        let (end, level) = *edges.iter().rev().find(|(at, _)| *at < 3 * SECOND).unwrap();
        assert!(!level && end > SECOND + 480_000 && end < SECOND + 520_000, "{millihertz} mHz: {level} at {end}");
        let (end, level) = edges[edges.len() - 1];
        assert!(!level && end < 4 * SECOND + 20_000, "{millihertz} mHz: {level} at {end}");
    }
}

#[rstest]
#[case::least(4)]
#[case::quarter(250)]
#[case::half(500)]
#[case::nearly(990)]
fn the_duty_output_is_high_for_its_share_of_a_carrier_near_1_khz(#[case] permille: u32) {
    let told = Play::new().command(SECOND, &set(&format!("\"w6\":{permille}"), 3_000)).until(3 * SECOND);
    let (share, carrier) = share_and_carrier(&told, SECOND + 20_000, 3 * SECOND);
    within("share in per mille", share, f64::from(permille), 2.0);
    assert!((900.0..1_100.0).contains(&carrier), "{carrier} Hz");
}

/// For what share of the time the duty output was high between two instants, per mille, and its carrier, Hz; whole periods.
fn share_and_carrier(told: &Told, from: u64, to: u64) -> (f64, f64) {
    let edges: Vec<_> = told.of_pin(6).into_iter().filter(|(at, _)| (from..to).contains(at)).collect();
    let Some(start) = edges.iter().position(|(_, level)| *level) else {
        let level = told.of_pin(6).iter().rfind(|(at, _)| *at < from).is_some_and(|(_, level)| *level);
        return (if level { 1_000.0 } else { 0.0 }, 0.0);
    };
    let whole = &edges[start..=start + (edges.len() - start - 1) / 2 * 2];
    let high: u64 = whole.chunks_exact(2).map(|pair| pair[1].0 - pair[0].0).sum();
    let all = (whole[whole.len() - 1].0 - whole[0].0) as f64;
    (high as f64 * 1_000.0 / all, (whole.len() / 2) as f64 * 1e6 / all)
}

#[test]
fn the_duty_output_ends_low_with_its_lease() {
    for permille in [4, 500, 1_000] {
        let told = Play::new().command(SECOND, &set(&format!("\"w6\":{permille}"), 500)).until(3 * SECOND);
        let (end, level) = *told.of_pin(6).last().unwrap();
        assert!(!level && end > SECOND + 480_000 && end < SECOND + 520_000, "{permille} per mille: {level} at {end}");
    }
}
