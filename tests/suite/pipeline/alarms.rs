//! Alarms: delays to the microsecond, sleep, and values that cannot be trusted.

use std::sync::Arc;

use kickpanel::channel::Trust;
use kickpanel::time::Stamp;
use kickpanel::watch::{Change, Raised};
use rstest::rstest;

use crate::rig::{Rig, model};

const OIL: &str = r#"
[channel.oil]
input = "n_oil"
unit = "bar"
fresh = "5 s"
alarm = [{ level = "danger", below = 0.8, deadband = 0.1, after = "1 s", until = "2 s", when = "rpm > 600", text = "Stop the engine" }]
[channel.rpm]
input = "n_rpm"
fresh = "60 s"
"#;

fn running() -> Rig {
    let mut rig = Rig::new(OIL);
    rig.read(0, "\"n_oil\":3,\"n_rpm\":1500");
    rig
}

fn sounds(rig: &Rig) -> bool {
    rig.pipeline.snapshot().alarms[0].active
}

#[test]
fn it_sounds_once_the_limit_was_passed_for_long_enough() {
    let mut rig = running();
    rig.read(1_000_000, "\"n_oil\":0.8");
    rig.read(1_100_000, "\"n_oil\":0.79");
    rig.read(2_099_999, "\"n_oil\":0.1");
    assert!(!sounds(&rig));
    rig.read(2_100_000, "\"n_oil\":0.1");
    assert!(sounds(&rig));
    assert_eq!(rig.changes.len(), 1);
    assert_eq!((rig.changes[0].active, rig.changes[0].value), (true, Some(0.1)));
    assert_eq!(rig.pipeline.snapshot().alarms[0].since, Stamp(2_100_000));
}

#[test]
fn one_good_reading_begins_the_delay_anew() {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0.5");
    rig.read(1_050_000, "\"n_oil\":0.8");
    rig.read(1_100_000, "\"n_oil\":0.5");
    rig.read(2_099_999, "\"n_oil\":0.5");
    assert!(!sounds(&rig));
}

#[test]
fn it_clears_once_it_was_back_by_the_deadband_for_long_enough() {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0.5");
    rig.read(1_100_000, "\"n_oil\":0.5");
    rig.read(1_200_000, "\"n_oil\":0.89");
    rig.read(3_300_000, "\"n_oil\":0.89");
    assert!(sounds(&rig), "inside the deadband it is not gone");
    rig.read(3_400_000, "\"n_oil\":0.9");
    rig.read(5_399_999, "\"n_oil\":0.9");
    assert!(sounds(&rig));
    rig.read(5_400_000, "\"n_oil\":0.9");
    assert!(!sounds(&rig));
    assert_eq!(rig.changes.iter().map(|change| change.active).collect::<Vec<_>>(), [true, false]);
}

const WITHOUT_CONDITION: &str = r#"
[channel.oil]
input = "n_oil"
unit = "bar"
fresh = "5 s"
alarm = [
  { level = "notice", above = 5, deadband = 0.5, after = "0 s", until = "1 s", text = "High" },
  { level = "caution", below = 1, deadband = 0.5, after = "0 s", text = "Low" },
]
"#;

// A sounding alarm without a condition is passed over until its value comes back: neither a bit too long nor too short.
#[test]
fn one_without_a_condition_clears_at_the_deadband_to_the_last_bit() {
    let mut rig = Rig::new(WITHOUT_CONDITION);
    let both = |rig: &Rig| [0, 1].map(|alarm| rig.pipeline.snapshot().alarms[alarm].active);
    for (at, oil, expected) in [
        (0, "3", [false, false]),
        (100_000, "5", [false, false]),
        (200_000, "5.000000000000001", [true, false]),
        (300_000, "4.500000000000001", [true, false]),
        (1_400_000, "4.500000000000001", [true, false]),
        (1_500_000, "4.5", [true, false]),
        (2_000_000, "4.500000000000001", [true, false]),
        (2_600_000, "4.5", [true, false]),
        (3_599_999, "4.5", [true, false]),
        (3_600_000, "4.5", [false, false]),
        (3_700_000, "1", [false, false]),
        (3_800_000, "0.9999999999999999", [false, true]),
        (3_900_000, "1.4999999999999998", [false, true]),
        (4_000_000, "null", [false, true]),
        (4_100_000, "6", [true, false]),
        (4_200_000, "0", [true, true]),
    ] {
        rig.read(at, &format!("\"n_oil\":{oil}"));
        assert_eq!(both(&rig), expected, "{oil} at {at}");
    }
    assert_eq!(rig.pipeline.due().map(|due| due <= Stamp(5_200_000)), Some(true), "the first ends by time alone");
}

#[test]
fn time_alone_makes_it_sound_and_due_says_when() {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0.5");
    assert_eq!(rig.pipeline.due(), Some(Stamp(1_000_000)), "a full second ends first");
    rig.tick(1_000_000);
    assert_eq!(rig.pipeline.due(), Some(Stamp(1_100_000)));
    rig.tick(1_099_999);
    assert!(!sounds(&rig));
    assert!(rig.tick(1_100_000));
    assert!(sounds(&rig));
}

#[test]
fn it_sleeps_while_its_condition_is_false_or_not_known() {
    for rpm in ["600", "null"] {
        let mut rig = running();
        rig.read(100_000, &format!("\"n_oil\":0,\"n_rpm\":{rpm}"));
        rig.read(1_500_000, &format!("\"n_oil\":0,\"n_rpm\":{rpm}"));
        assert!(!sounds(&rig));
        rig.read(1_600_000, "\"n_oil\":0,\"n_rpm\":601");
        rig.read(2_599_999, "\"n_oil\":0,\"n_rpm\":601");
        assert!(!sounds(&rig), "what it slept through counts for nothing");
        rig.read(2_600_000, "\"n_oil\":0,\"n_rpm\":601");
        assert!(sounds(&rig));
    }
}

#[test]
fn an_engine_that_stops_ends_it_and_a_lost_tachometer_does_not() {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0");
    rig.read(1_100_000, "\"n_oil\":0");
    rig.read(9_000_000, "\"n_oil\":0,\"n_rpm\":null");
    assert!(sounds(&rig), "never cleared by silence");
    rig.read(9_100_000, "\"n_oil\":0,\"n_rpm\":0");
    assert!(!sounds(&rig));
}

#[test]
fn a_pressure_that_comes_back_ends_it_although_the_tachometer_is_lost() {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0");
    rig.read(1_100_000, "\"n_oil\":0,\"n_rpm\":null");
    assert!(!sounds(&rig));
    rig.read(1_200_000, "\"n_oil\":0,\"n_rpm\":1500");
    rig.read(2_200_000, "\"n_oil\":0");
    rig.read(2_300_000, "\"n_oil\":3,\"n_rpm\":null");
    rig.read(4_299_999, "\"n_oil\":3");
    assert!(sounds(&rig));
    rig.read(4_300_000, "\"n_oil\":3");
    assert!(!sounds(&rig));
}

#[test]
fn an_untrusted_value_neither_begins_nor_ends_it() {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0.5");
    rig.read(500_000, "\"n_oil\":null");
    rig.read(600_000, "\"n_oil\":0.5");
    rig.read(1_599_999, "\"n_oil\":0.5");
    assert!(!sounds(&rig), "the stretch was broken");
    rig.read(1_600_000, "\"n_oil\":0.5");
    assert!(sounds(&rig));
    rig.read(1_700_000, "\"n_oil\":null,\"n_rpm\":0");
    rig.tick(60_000_000);
    assert_eq!(rig.trust("oil"), Trust::Missing);
    assert!(sounds(&rig), "what cannot be read has not come back");
}

#[test]
fn it_looks_at_the_smoothed_value() {
    let mut rig = Rig::new(
        "[channel.v]\ninput = \"n_v\"\nsmooth = \"1 s\"\n\
         alarm = [{ level = \"notice\", above = 0.6, deadband = 0.1, after = \"0 s\", until = \"0 s\", text = \"High\" }]\n",
    );
    rig.read(0, "\"n_v\":0");
    rig.read(900_000, "\"n_v\":1");
    assert!(!sounds(&rig), "0.593 after 0.9 time constants");
    rig.read(1_000_000, "\"n_v\":1");
    assert!(sounds(&rig), "0.632 after one: tests/reference/10_rc_step.csv");
}

// The computer sleeps for an hour; what the controller sent before lies in the port and is read at once when it wakes.
#[test]
fn a_computer_that_was_stopped_says_stale_first_and_raises_nothing_from_old_lines() {
    let mut rig = running();
    rig.read(20_000, "\"n_oil\":0.5");
    let woke = 3_600_000_000;
    rig.tick(woke);
    assert_eq!(rig.trust("oil"), Trust::Stale);
    rig.late = woke;
    for n in 2..30 {
        rig.read(n * 20_000, "\"n_oil\":0.5");
    }
    assert!(!sounds(&rig), "only 0.6 s by the controller's clock");
    assert!(rig.changes.is_empty());
}

/// The config is changed at `now` to `channels`; gives what ended with it.
fn change(rig: &mut Rig, now: i64, channels: &str) -> Vec<Change> {
    let head = "format = 1\n[link.engine]\nreference = \"1.1 V\"\n";
    let mut ended = Vec::new();
    let model = Arc::new(model(&format!("{head}{channels}")));
    rig.pipeline.reload(Stamp(now), model, &mut |change| ended.push(change));
    ended
}

/// One that sounds since 1.1 s, by 0.5 bar.
fn sounding() -> Rig {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0.5");
    rig.read(1_100_000, "\"n_oil\":0.5");
    assert!(sounds(&rig));
    rig
}

// H4 of the catalogue of faults: whoever saves the config while an alarm sounds must not silence it.
#[rstest]
#[case::saved_as_it_was("", "")]
#[case::label("unit = \"bar\"", "unit = \"bar\"\nlabel = \"Oil\"")]
#[case::words("Stop the engine", "Stop")]
#[case::delay("after = \"1 s\"", "after = \"9 s\"")]
#[case::deadband("deadband = 0.1", "deadband = 0.2")]
#[case::another_alarm_before(
    "[channel.oil]",
    "[channel.fuel]\ninput = \"n_fuel\"\nalarm = [{ level = \"danger\", below = 0.8, text = \"Fuel\" }]\n[channel.oil]"
)]
fn an_alarm_that_sounds_goes_on_over_a_changed_config(#[case] from: &str, #[case] to: &str) {
    let mut rig = sounding();
    let ended = change(&mut rig, 1_200_000, &OIL.replacen(from, to, 1));
    assert_eq!(ended, []);
    let place = rig.pipeline.model().alarms.len() - 1;
    let shown = |rig: &Rig| (rig.pipeline.snapshot().alarms[place].active, rig.pipeline.snapshot().alarms[place].since);
    assert_eq!(shown(&rig), (true, Stamp(1_100_000)));
    assert_eq!(rig.trust("oil"), Trust::Missing, "it sounds although there is no value yet");
    rig.tick(60_000_000);
    rig.read(60_100_000, "\"n_oil\":0.5,\"n_rpm\":1500");
    assert_eq!(shown(&rig), (true, Stamp(1_100_000)));
    rig.read(61_000_000, "\"n_oil\":1");
    rig.read(62_999_999, "\"n_oil\":1");
    assert!(shown(&rig).0);
    rig.read(63_000_000, "\"n_oil\":1");
    assert_eq!(shown(&rig), (false, Stamp(63_000_000)));
    assert_eq!(rig.changes.iter().map(|change| change.active).collect::<Vec<_>>(), [true, false]);
}

#[rstest]
#[case::limit("below = 0.8", "below = 0.7")]
#[case::side("below = 0.8", "above = 0.8")]
#[case::level("level = \"danger\"", "level = \"caution\"")]
#[case::condition("rpm > 600", "rpm > 700")]
#[case::unit("unit = \"bar\"", "unit = \"psi\"")]
#[case::name("[channel.oil]", "[channel.oil_pressure]")]
fn an_alarm_that_is_another_ends_the_old_one_and_is_told(#[case] from: &str, #[case] to: &str) {
    let mut rig = sounding();
    let ended = change(&mut rig, 1_200_000, &OIL.replacen(from, to, 1));
    assert_eq!(ended, [Change { raised: Raised::Limit(0), active: false, value: None }]);
    assert!(!sounds(&rig));
    assert_eq!(change(&mut rig, 1_300_000, OIL), [], "it ends once");
}

#[test]
fn of_two_alarms_that_are_the_same_each_goes_on_for_itself() {
    let two = OIL.replace(
        "alarm = [{",
        "alarm = [{ level = \"danger\", below = 0.8, after = \"3 s\", when = \"rpm > 600\", text = \"Late\" }, {",
    );
    let mut rig = Rig::new(&two);
    rig.read(0, "\"n_oil\":3,\"n_rpm\":1500");
    rig.read(100_000, "\"n_oil\":0.5");
    rig.read(1_100_000, "\"n_oil\":0.5");
    let active = |rig: &Rig| rig.pipeline.snapshot().alarms.iter().map(|alarm| alarm.active).collect::<Vec<_>>();
    assert_eq!(active(&rig), [false, true]);
    assert_eq!(change(&mut rig, 1_200_000, &two), []);
    assert_eq!(active(&rig), [false, true]);
    let ended = change(&mut rig, 1_300_000, OIL);
    assert_eq!(ended, [Change { raised: Raised::Limit(1), active: false, value: None }]);
}

#[test]
fn a_running_delay_goes_on_over_a_changed_config() {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0.5");
    change(&mut rig, 500_000, OIL);
    // The tachometer takes a line more than the pressure to be known again.
    rig.read(600_000, "\"n_oil\":0.5");
    rig.read(700_000, "\"n_rpm\":1500");
    rig.read(1_099_999, "\"n_oil\":0.5");
    assert!(!sounds(&rig));
    rig.read(1_100_000, "\"n_oil\":0.5");
    assert!(sounds(&rig));
}

// The pressure of 0.1 s would have become stale after 5 s, which breaks a delay; a saved config makes that no longer.
#[rstest]
#[case::last_that_counts(5_100_000, true)]
#[case::first_that_is_too_old(5_100_001, false)]
fn a_delay_goes_on_only_as_long_as_the_old_value_would_have_counted(#[case] next: i64, #[case] at_once: bool) {
    let mut rig = running();
    rig.read(100_000, "\"n_oil\":0.5");
    change(&mut rig, 200_000, OIL);
    rig.read(next, "\"n_oil\":0.5,\"n_rpm\":1500");
    assert_eq!(sounds(&rig), at_once);
    rig.read(next + 999_999, "\"n_oil\":0.5");
    assert_eq!(sounds(&rig), at_once);
    rig.read(next + 1_000_000, "\"n_oil\":0.5");
    assert!(sounds(&rig));
}

#[test]
fn another_drive_begins_without_the_alarms_of_the_one_before() {
    let mut rig = sounding();
    let (mut ended, same) = (Vec::new(), Arc::clone(rig.pipeline.model()));
    rig.pipeline.another_drive(Stamp(1_200_000), same, &mut |change| ended.push(change));
    assert_eq!(ended, [Change { raised: Raised::Limit(0), active: false, value: None }]);
    assert_eq!((sounds(&rig), rig.pipeline.snapshot().alarms[0].since), (false, Stamp(1_200_000)));
    rig.read(1_300_000, "\"n_oil\":0.5,\"n_rpm\":1500");
    rig.read(2_299_999, "\"n_oil\":0.5");
    assert!(!sounds(&rig));
}
