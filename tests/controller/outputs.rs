//! Outputs: leases, waves, duties, and what the readings say of them.

use rstest::rstest;

use super::play::{Play, SECOND, set, within};

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
        assert!(!level && end < SECOND + 520_000, "{millihertz} mHz: {level} at {end}");
        let (end, level) = edges[edges.len() - 1];
        assert!(!level && end < 4 * SECOND + 20_000, "{millihertz} mHz: {level} at {end}");
    }
}

#[rstest]
#[case::none(0)]
#[case::least(1)]
#[case::quarter(250)]
#[case::half(500)]
#[case::nearly(990)]
#[case::all(1_000)]
fn the_duty_output_is_high_for_its_share_of_a_carrier_near_1_khz(#[case] permille: u32) {
    let told = Play::new().command(SECOND, &set(&format!("\"w6\":{permille}"), 3_000)).until(3 * SECOND);
    let edges: Vec<_> = told.of_pin(6).into_iter().filter(|(at, _)| *at > SECOND + 20_000).collect();
    if permille == 0 || permille == 1_000 {
        assert_eq!(edges, []);
        assert_eq!(told.of_pin(6).last().is_some_and(|(_, level)| *level), permille == 1_000);
        return;
    }
    let start = edges.iter().position(|(_, level)| *level).unwrap();
    let whole = &edges[start..=start + (edges.len() - start - 1) / 2 * 2];
    let high: u64 = whole.chunks_exact(2).map(|pair| pair[1].0 - pair[0].0).sum();
    let all = whole[whole.len() - 1].0 - whole[0].0;
    within("share in per mille", high as f64 * 1_000.0 / all as f64, f64::from(permille), 4.0);
    let carrier = (whole.len() / 2) as f64 * 1e6 / all as f64;
    assert!((900.0..1_100.0).contains(&carrier), "{carrier} Hz");
}

#[test]
fn the_duty_output_ends_low_with_its_lease() {
    for permille in [1, 500, 1_000] {
        let told = Play::new().command(SECOND, &set(&format!("\"w6\":{permille}"), 500)).until(3 * SECOND);
        let (end, level) = *told.of_pin(6).last().unwrap();
        assert!(!level && end < SECOND + 520_000, "{permille} per mille: {level} at {end}");
    }
}
