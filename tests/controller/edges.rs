//! Pulse inputs: counts, times, gaps, ringing.

use rstest::rstest;

use super::play::{Heard, Play, SECOND, set, within};

/// The frequency between the readings before two instants, as the counts format tells to compute it.
#[track_caller]
fn frequency(heard: &Heard, name: &str, from: u64, to: u64) -> f64 {
    let (first, last) = (heard.before(from).edges(name), heard.before(to).edges(name));
    f64::from(last.count.wrapping_sub(first.count)) * 1e6 / f64::from(last.last.wrapping_sub(first.last))
}

#[rstest]
#[case::one(1.0)]
#[case::low(7.3)]
#[case::idle(26.667)]
#[case::hundreds(333.3)]
#[case::thousand(1_000.0)]
#[case::thousands(2_718.28)]
#[case::highest(5_000.0)]
fn a_frequency_is_within_a_thousandth_on_either_pin(#[case] hertz: f64) {
    let other = 5_001.0 - hertz;
    let play = Play::new().at(0, &format!("square 2 {hertz}")).at(0, &format!("square 3 {other}"));
    let heard = play.until(6 * SECOND).heard();
    for (name, hertz) in [("p2", hertz), ("p3", other)] {
        let is = frequency(&heard, name, 2 * SECOND, 6 * SECOND);
        within(name, is, hertz, hertz / 1_000.0);
    }
}

#[test]
fn no_edge_is_lost_at_5_khz_on_both_pins_while_everything_else_runs() {
    let mut play = Play::new().at(0, "noise 1 50").command(100_000, r#"{"rate_hz":100"#);
    play.add(500_000, "square 2 5000");
    play.add(500_013, "square 3 5000");
    for step in 1..200 {
        play = play.command(step * SECOND / 20, &set(r#""d7":1,"d12":1,"f9":5000000,"w6":500"#, 1_000));
    }
    // Both stop in mid-run, so that what was counted at the end is all there ever was.
    play = play.at(9_500_000, "square 2 0").at(9_500_013, "square 3 0");
    let told = play.until(10 * SECOND);
    assert_eq!(told.overruns, 0, "bytes lost by the receiver");
    let heard = told.heard();
    let last = heard.before(10 * SECOND);
    for name in ["p2", "p3"] {
        // Nine seconds of 5,000 Hz; the first half period is high, the first falling edge ends it.
        assert_eq!(last.edges(name).count, 45_000, "{name}");
    }
    let running = heard.readings.iter().filter(|read| (SECOND..9 * SECOND).contains(&read.at));
    for read in running {
        for name in ["p2", "p3"] {
            let (shortest, longest) = read.edges(name).gaps.unwrap();
            assert!(shortest > 150 && longest < 250, "{name} at {}: {shortest} to {longest} us", read.at);
        }
    }
}

#[test]
fn the_shortest_and_the_longest_gap_between_two_lines_are_told_once() {
    // Six edges 1,500 us apart, and a last one later; each burst lies well within one reading at 10 a second.
    let play = Play::new()
        .command(100_000, r#"{"rate_hz":10"#)
        .at(SECOND, "level 2 1")
        .at(SECOND + 10_000, "burst 2 6 1500")
        .at(SECOND + 30_000, "burst 2 1 400");
    let heard = play.until(2 * SECOND).heard();
    let gaps: Vec<_> =
        heard.readings.iter().filter_map(|read| read.edges("p2").gaps.filter(|gaps| *gaps != (0, 0))).collect();
    let [(shortest, longest)] = gaps[..] else { panic!("{gaps:?}") };
    within("shortest", f64::from(shortest), 1_500.0, 10.0);
    // The last of the six lies at 17,500 us after the second.
    within("longest", f64::from(longest), 12_500.0, 10.0);
    assert_eq!(heard.before(2 * SECOND).edges("p2").count, 7);
}

#[test]
fn before_the_first_edge_count_and_time_are_nothing() {
    let heard = Play::new().at(0, "level 2 1").until(SECOND).heard();
    let edges = heard.before(SECOND).edges("p2");
    assert_eq!((edges.count, edges.last, edges.gaps.unwrap_or((0, 0))), (0, 0, (0, 0)));
}

#[test]
fn storms_on_both_pins_starve_neither_the_lines_nor_the_leases() {
    let mut play = Play::new().at(SECOND, "square 2 50000").at(SECOND + 7, "square 3 49000");
    for tenth in 10..60 {
        play = play.command(tenth * SECOND / 10, &set(r#""d7":1,"d12":1,"f9":5000000,"w6":777"#, 400));
    }
    let told = play.until(7 * SECOND);
    assert_eq!(told.overruns, 0);
    let heard = told.heard();
    let count = heard.readings.iter().filter(|read| (2 * SECOND..6 * SECOND).contains(&read.at)).count();
    // A reading that is late by more than its period is followed a period later: a few in a hundred are left out.
    assert!(count >= 180, "{count} readings in four seconds");
    let [(_, true), (off, false)] = told.of_pin(7)[..] else { panic!("{:?}", told.of_pin(7)) };
    // A lease counts from when it was understood, which waits here for the reading that is being written: 20 ms more.
    within("end of the last lease in us", off as f64, 5_900_000.0 + 400_000.0, 50_000.0);
    for name in ["p2", "p3"] {
        let counted = heard.before(6 * SECOND).edges(name).count - heard.before(2 * SECOND).edges(name).count;
        // Not more than one edge in each dead time of 100 us, whatever comes.
        assert!(counted <= 40_000, "{counted} edges on {name} in four seconds");
    }
}

/// The dead time is 100 us from the last counted edge.
#[rstest]
#[case::just_longer(115.0, 20, 0)]
#[case::just_shorter(85.0, 10, 10)]
fn an_edge_sooner_than_the_dead_time_is_ringing(#[case] gap_us: f64, #[case] counted: u32, #[case] ringing: u32) {
    let play = Play::new().at(SECOND, "level 2 1").at(SECOND + 1, &format!("burst 2 20 {gap_us}"));
    let heard = play.until(2 * SECOND).heard();
    let last = heard.before(2 * SECOND);
    assert_eq!(last.edges("p2").count, counted);
    let told = if ringing == 0 { 0.0 } else { last.number("q2") };
    assert_eq!(told, f64::from(ringing));
}

#[test]
fn ringing_after_every_edge_neither_counts_nor_hides_an_edge() {
    let mut play = Play::new().at(0, "square 2 200").at(0, "square 3 200");
    // Falling edges at 2,500 us and every 5,000 us; each rings five times, 8 us apart.
    let edges = 600;
    for edge in 0..edges {
        play.add(2_500 + edge * 5_000 + 6, "burst 2 5 8");
    }
    let end = edges * 5_000 + 1;
    play = play.at(end, "square 2 0").at(end, "square 3 0");
    let told = play.until(end + SECOND);
    let heard = told.heard();
    let last = heard.before(end + SECOND);
    assert_eq!(last.edges("p2").count, edges as u32);
    assert_eq!(last.edges("p3").count, edges as u32);
    assert!(last.number("q2") >= edges as f64, "ringing was told {} times", last.number("q2"));
}

#[test]
fn a_storm_on_one_pin_does_not_starve_the_other_nor_the_lines() {
    // 50,000 falling edges a second on pin 2, which no real signal has.
    let mut play = Play::new().at(SECOND, "square 2 50000").at(0, "square 3 1000");
    for step in 10..40 {
        play = play.command(step * SECOND / 10, &set(r#""d7":1"#, 400));
    }
    let told = play.until(4 * SECOND);
    let heard = told.heard();
    let is = frequency(&heard, "p3", 2 * SECOND, 4 * SECOND);
    within("p3", is, 1_000.0, 1.0);
    let count = heard.readings.iter().filter(|read| (2 * SECOND..4 * SECOND).contains(&read.at)).count();
    assert!(count >= 98, "{count} readings in two seconds");
    assert_eq!(told.overruns, 0);
    // Switched on by the first command and never off since: every one was heard.
    assert_eq!(told.of_pin(7).len(), 1, "{:?}", told.of_pin(7));
}
