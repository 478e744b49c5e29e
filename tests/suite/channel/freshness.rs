//! How long a reading counts, to the microsecond.

use kickpanel::channel::Trust;
use kickpanel::time::Stamp;
use rstest::rstest;

use crate::rig::Rig;

const TWO: &str = "[channel.one]\ninput = \"a0\"\nunit = \"V\"\n[channel.other]\ninput = \"a1\"\nunit = \"V\"\n\
                   [channel.sum]\nformula = \"one + other\"\nunit = \"V\"\n";

/// `one` comes each `interval` µs, so many times, `other` once with the last of them; gives when that was.
fn steady(rig: &mut Rig, interval: i64, times: i64) -> i64 {
    rig.read(0, "\"vcc\":5000,\"a0\":512,\"a1\":256");
    for n in 1..times {
        rig.read(n * interval, "\"a0\":512");
    }
    (times - 1) * interval
}

#[rstest]
#[case::before_the_interval_is_known(20_000, 16, 2_000_000)]
#[case::a_fast_field(20_000, 17, 500_000)]
#[case::a_slow_field(300_000, 17, 1_500_000)]
fn a_held_value_is_stale_one_microsecond_after_its_rule(#[case] interval: i64, #[case] times: i64, #[case] rule: i64) {
    let mut rig = Rig::new(TWO);
    let last = steady(&mut rig, interval, times);
    rig.read(last + rule, "");
    assert_eq!(rig.trust("one"), Trust::Ok);
    rig.read(last + rule + 1, "");
    assert_eq!(rig.trust("one"), Trust::Stale);
    assert_eq!(rig.trust("sum"), Trust::Stale);
    rig.read(last + rule + 2, "\"a0\":512");
    assert_eq!(rig.good("one"), 2.5);
}

#[test]
fn nulls_count_as_intervals_and_a_null_stays_missing() {
    let mut rig = Rig::new(TWO);
    for n in 0..17 {
        rig.read(n * 20_000, "\"vcc\":5000,\"a0\":null");
    }
    rig.read(340_000, "\"a0\":512");
    rig.read(840_001, "");
    assert_eq!(rig.trust("one"), Trust::Stale);
    rig.read(860_000, "\"a0\":null");
    rig.read(9_000_000, "");
    assert_eq!(rig.trust("one"), Trust::Missing);
    assert_eq!(rig.trust("other"), Trust::Missing, "it never came");
}

#[test]
fn fresh_in_the_config_is_the_rule() {
    let mut rig = Rig::new("[channel.one]\ninput = \"a0\"\nunit = \"V\"\nfresh = \"70 ms\"\n");
    rig.read(0, "\"vcc\":5000,\"a0\":512");
    rig.read(70_000, "");
    assert_eq!(rig.trust("one"), Trust::Ok);
    rig.read(70_001, "");
    assert_eq!(rig.trust("one"), Trust::Stale);
}

#[test]
fn between_lines_the_computers_clock_goes_on_from_the_last_one() {
    let mut rig = Rig::new(TWO);
    // The line comes 7.3 s late by the computer's clock; that must not count as age.
    rig.late = 7_300_000;
    let last = steady(&mut rig, 20_000, 17) + rig.late;
    rig.tick(last + 500_000);
    assert_eq!(rig.trust("one"), Trust::Ok);
    assert!(rig.tick(last + 500_001));
    assert_eq!([rig.trust("one"), rig.trust("other"), rig.trust("sum")], [Trust::Stale, Trust::Ok, Trust::Stale]);
    assert_eq!(rig.shown("one").since, Stamp(last + 500_001));
}

#[test]
fn due_leads_to_the_exact_instant_and_never_past_it() {
    let mut rig = Rig::new(TWO);
    let last = steady(&mut rig, 20_000, 17);
    let (mut asked, mut stale_at) = (0, None);
    while stale_at.is_none() && asked < 10 {
        asked += 1;
        let due = rig.pipeline.due().unwrap();
        assert!(due <= Stamp(last + 500_001), "{due:?}");
        rig.tick(due.0);
        stale_at = (rig.trust("one") == Trust::Stale).then_some(due.0);
    }
    assert_eq!(stale_at, Some(last + 500_001));
}

#[test]
fn a_line_judges_by_the_links_own_clock_whatever_a_tick_said() {
    let mut rig = Rig::new(TWO);
    let last = steady(&mut rig, 20_000, 17);
    rig.tick(last + 3_000_000);
    assert_eq!([rig.trust("one"), rig.trust("other")], [Trust::Stale; 2]);
    // The computer was held up; by the controller's clock only 20 ms have passed.
    rig.late = 3_000_000;
    rig.read(last + 20_000, "");
    assert_eq!([rig.trust("one"), rig.trust("other")], [Trust::Ok; 2]);
}

#[test]
fn after_a_restart_two_seconds_hold_again() {
    let mut rig = Rig::new("[channel.one]\ninput = \"a0\"\nunit = \"V\"\n");
    for n in 0..30 {
        rig.read(9_000_000 + n * 20_000, "\"vcc\":5000,\"a0\":512");
    }
    rig.read(100_000, "");
    rig.read(2_000_000, "");
    assert_eq!(rig.trust("one"), Trust::Ok, "the clock goes on from the last time: two seconds old");
    rig.read(2_000_001, "");
    assert_eq!(rig.trust("one"), Trust::Stale);
}

#[test]
fn a_slow_field_among_fast_ones_keeps_its_own_rule() {
    let mut rig = Rig::new(TWO);
    for n in 0..=2000 {
        let slow = if n % 100 == 0 { ",\"a1\":256" } else { "" };
        rig.read(n * 20_000, &format!("\"vcc\":5000,\"a0\":512{slow}"));
        assert_eq!(rig.trust("other"), Trust::Ok, "line {n}");
    }
    for n in 2001..=2500 {
        rig.read(n * 20_000, "\"a0\":512");
        assert_eq!(rig.trust("other"), Trust::Ok, "five times two seconds are not over");
    }
    rig.read(2501 * 20_000, "\"a0\":512");
    assert_eq!(rig.trust("other"), Trust::Stale);
}
