//! Rest that begins with what a pin reports, and readings that come late.
//!
//! What must hold is that of the config's page (`rest` is the least time off) and of the decisions that renew a lease.

use rstest::rstest;

use super::*;

/// A bench whose link is known not to lag, with a heater that is on and reports it, told so last at 2 s.
fn on_at_2_s() -> Bench {
    let mut bench = Bench::new(HEATER);
    (0..2_000).step_by(100).for_each(|ms| bench.reports(ms, 0));
    bench.ms(0);
    assert_eq!(bench.ms(2_000).0, 1);
    bench.told(2_000, 1);
    bench
}

/// When it switches on again at the earliest, asked each ms from `from` on.
fn on_again(bench: &mut Bench, from: i64) -> i64 {
    bench.set(0, Value::ok(1.5));
    (from..20_000).find(|ms| bench.ms(*ms).0 == 1).unwrap()
}

// The first report of off begins the rest, however long the pin was on against its order. HEATER rests for 2 s.
#[rstest]
#[case::off_at_once(&[(2_520, 0)], 4_520)]
#[case::on_for_one_more_reading(&[(2_520, 1), (2_540, 0)], 4_540)]
#[case::on_beyond_its_lease(&[(2_520, 1), (2_800, 1), (3_100, 1), (3_400, 0)], 5_400)]
#[case::off_and_on_and_off(&[(2_520, 0), (2_540, 1), (2_560, 0)], 4_560)]
fn rest_begins_with_the_first_report_of_off(#[case] reports: &[(i64, u32)], #[case] again: i64) {
    let mut bench = on_at_2_s();
    bench.reports(2_100, 1);
    bench.set(0, Value::ok(3.0));
    bench.ms(2_500);
    for (ms, is) in reports {
        bench.reports(*ms, *is);
    }
    assert_eq!(on_again(&mut bench, 3_500), again);
}

#[test]
fn a_report_that_may_be_older_than_the_order_begins_no_rest() {
    let mut bench = on_at_2_s();
    bench.set(0, Value::ok(3.0));
    bench.ms(2_050);
    // It was never seen on, and this may have been sampled before it was told to be.
    bench.reports(2_060, 0);
    assert_eq!(on_again(&mut bench, 2_061), 5_000, "rest from the end of the lease");
    let mut bench = on_at_2_s();
    bench.set(0, Value::ok(3.0));
    bench.ms(2_050);
    bench.reports(2_401, 0);
    assert_eq!(on_again(&mut bench, 2_402), 4_401);
}

#[test]
fn while_its_pin_is_on_against_its_order_no_rest_runs() {
    let mut bench = on_at_2_s();
    bench.reports(2_100, 1);
    bench.set(0, Value::ok(3.0));
    bench.ms(2_500);
    bench.reports(2_520, 1);
    bench.set(0, Value::ok(1.5));
    assert_eq!(bench.ms(2_600), (0, "rests once its pin is off".to_owned()));
    assert_eq!(bench.ms(9_000).0, 0, "whoever does not report off does not rest");
    bench.reload(bench.model.clone());
    assert_eq!(bench.ms(9_001).0, 0, "nor does a changed config forget it");
    bench.reports(9_100, 0);
    assert_eq!(on_again(&mut bench, 9_101), 11_100);
}

/// The computer stood still: lines that waited arrive late by the controller's clock, and switch nothing.
#[test]
fn readings_that_come_late_switch_nothing_and_keep_nothing_on() {
    let mut bench = Bench::new(&HEATER.replace("rest = \"2 s\"", "rest = \"0 s\""));
    let hear = |bench: &mut Bench, sampled: i64, ms: i64, cold: f64| {
        let mut reading = Reading::with_fields(8);
        reading.at = sampled * MILLISECOND;
        bench.rules.hear(LinkId(0), &reading, Stamp::from_millis(ms));
        for channel in 0..2 {
            bench.channels[channel].heard = Some(Stamp::from_millis(ms));
        }
        bench.channels[0].value = Value::ok(cold);
        bench.ms(ms)
    };
    for ms in (0..1_000).step_by(20) {
        let known = ms >= 300;
        let (wanted, why) = hear(&mut bench, ms, ms, 1.5);
        assert_eq!(wanted, u32::from(known), "{ms}: {why}");
    }
    // Kept on by nothing that is old.
    assert_eq!(hear(&mut bench, 1_000, 2_000, 1.5), (0, "readings of link come too late".to_owned()));
    assert_eq!(hear(&mut bench, 1_660, 2_001, 1.5).0, 0);
    assert_eq!(hear(&mut bench, 1_980, 2_002, 1.5).0, 1, "what comes in time counts again");
    assert_eq!(hear(&mut bench, 2_020, 2_022, 3.0).0, 0);
    // Not switched on by what is old either: the newest line says that it is not cold.
    assert_eq!(hear(&mut bench, 2_040, 4_000, 1.5).0, 0);
    assert_eq!(hear(&mut bench, 3_990, 4_001, 3.0), (0, "cold 3.0 V is not < 2".to_owned()));
}

/// A channel that comes seldom was last heard in a line that came late: it holds until it is heard anew.
#[test]
fn what_was_heard_in_a_late_line_switches_nothing_once_the_link_is_in_time_again() {
    let mut bench = Bench::new(&HEATER.replace("rest = \"2 s\"", "rest = \"0 s\""));
    let mut hear = |sampled: i64, ms: i64, battery_too: bool| {
        let mut reading = Reading::with_fields(8);
        reading.at = sampled * MILLISECOND;
        bench.rules.hear(LinkId(0), &reading, Stamp::from_millis(ms));
        bench.channels[0].heard = Some(Stamp::from_millis(ms));
        if battery_too {
            bench.channels[1].heard = Some(Stamp::from_millis(ms));
        }
        bench.ms(ms).0
    };
    let on: Vec<u32> = (0..1_000).step_by(20).map(|ms| hear(ms, ms, true)).collect();
    assert_eq!(on.last(), Some(&1));
    assert_eq!(hear(1_000, 3_000, true), 0);
    assert_eq!(hear(3_000, 3_010, false), 0, "the battery was read two seconds ago");
    assert_eq!(hear(3_020, 3_022, true), 1);
}

/// J6: a pin that was on and goes off by itself while it is wanted on, reported each 20 ms from 2.5 s until `back`.
#[rstest]
#[case::for_good(9_000, true)]
#[case::first_that_does_not_follow(3_500, true)]
#[case::last_that_is_borne(3_480, false)]
#[case::one_report(2_520, false)]
fn a_pin_that_goes_off_by_itself_for_1_s_does_not_follow(#[case] back: i64, #[case] locks: bool) {
    let mut bench = on_at_2_s();
    for ms in (2_020..4_500).step_by(20) {
        // Renewed by whoever sends, as often as allowed.
        if bench.said().0 == 1 && !bench.shown.0[0].faltered {
            bench.told(ms, 1);
        }
        bench.reports(ms, u32::from(ms < 2_500 || (ms >= back && bench.said().0 == 1)));
        let (wanted, why) = bench.ms(ms);
        assert_eq!(bench.shown.1[0].active, locks && ms >= 3_500, "at {ms} ms: {why}");
        assert_eq!(bench.shown.0[0].faltered, (2_500..back.min(3_500)).contains(&ms), "at {ms} ms");
        assert_eq!(wanted, u32::from(!bench.shown.1[0].active), "never an ordinary end: {why} at {ms} ms");
    }
    if locks {
        let fault = bench.shown.1[0];
        assert_eq!(
            (fault.level, fault.problem),
            (Level::Caution, Problem::DoesNotFollow { set: 1, is: Some(0) }),
            "the reason is kept, although its lease ran out meanwhile"
        );
        assert_eq!(bench.ms(60_000), (0, "locked: the pin did not follow".to_owned()));
    }
}

/// What is told meanwhile makes it an ordinary end, and then no fault is left over.
#[test]
fn an_off_that_is_ordered_while_the_pin_is_off_by_itself_is_no_fault() {
    for reloads in [false, true] {
        let mut bench = on_at_2_s();
        bench.reports(2_100, 1);
        bench.reports(2_500, 0);
        bench.ms(2_500);
        assert!(bench.shown.0[0].faltered);
        if reloads {
            bench.reload(bench.model.clone());
        } else {
            bench.set(0, Value::ok(3.0));
        }
        bench.ms(2_700);
        bench.told(2_700, 0);
        bench.reports(2_800, 0);
        bench.ms(6_000);
        assert!(!bench.shown.1[0].active && !bench.shown.0[0].faltered);
    }
}

/// Its lease is over by what was sent: that is an end like any other.
#[test]
fn a_report_of_off_after_the_lease_rests() {
    let mut bench = on_at_2_s();
    bench.reports(2_900, 1);
    bench.reports(3_010, 0);
    assert_eq!(bench.ms(3_010), (0, "rests 2 s".to_owned()));
    assert_eq!(on_again(&mut bench, 3_011), 5_010);
    assert_eq!(bench.changes, []);
}
