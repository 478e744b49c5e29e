//! Alarms in the whole core: seen, put aside, latched, asleep, over a changed config and a lost link.

use std::sync::Arc;

use kickpanel::channel::Trust;
use kickpanel::config::LinkId;
use kickpanel::state::{AlarmState, Raised};
use kickpanel::time::{SECOND, Stamp};
use kickpanel::watch::desk::Attend;

use crate::rig::{Rig, model};

const OIL: &str = r#"
[channel.oil]
input = "n_oil"
unit = "bar"
fresh = "2 s"
alarm = [{ level = "danger", below = 0.8, deadband = 0.1, after = "1 s", until = "2 s", when = "rpm > 600", text = "Stop the engine" }]
[channel.rpm]
input = "n_rpm"
fresh = "60 s"
"#;

/// One that nobody has seen, since 1.1 s, by 0.5 bar.
fn unseen(text: &str) -> Rig {
    let mut rig = Rig::new(text);
    rig.read(0, "\"n_oil\":3,\"n_rpm\":1500");
    rig.read(100_000, "\"n_oil\":0.5");
    rig.read(1_099_999, "\"n_oil\":0.5");
    assert_eq!(state(&rig), AlarmState::Normal);
    rig.read(1_100_000, "\"n_oil\":0.5");
    assert_eq!((state(&rig), call(&rig).began), (AlarmState::Unacknowledged, Stamp(1_100_000)), "to one reading");
    rig
}

fn call(rig: &Rig) -> kickpanel::state::Call {
    rig.pipeline.snapshot().calls.list[0]
}

fn state(rig: &Rig) -> AlarmState {
    call(rig).state
}

fn attend(rig: &mut Rig, now: i64, act: Attend) {
    let known = rig.pipeline.snapshot().calls.newest;
    rig.pipeline.attend(Stamp(now), act, known);
}

const SEEN: Attend = Attend::Acknowledge(None);
const ASIDE: Attend = Attend::Shelve(Raised::Limit(0), 120 * SECOND);

#[test]
fn one_that_is_over_before_anybody_saw_it_stays_until_somebody_did() {
    let mut rig = unseen(OIL);
    rig.read(2_000_000, "\"n_oil\":3");
    rig.read(3_999_999, "\"n_oil\":3");
    assert_eq!(state(&rig), AlarmState::Unacknowledged);
    rig.read(4_000_000, "\"n_oil\":3");
    assert_eq!(state(&rig), AlarmState::Returned);
    attend(&mut rig, 5_000_000, SEEN);
    assert_eq!(state(&rig), AlarmState::Normal);
    let entry = rig.pipeline.snapshot().calls.journal[0];
    assert_eq!((entry.ended, entry.seen, entry.worst), (Some(Stamp(4_000_000)), Some(Stamp(5_000_000)), 0.5));
}

#[test]
fn one_that_latches_stays_until_it_is_reset() {
    let mut rig = unseen(&OIL.replace("until =", "latch = true, until ="));
    attend(&mut rig, 1_500_000, SEEN);
    rig.read(2_000_000, "\"n_oil\":3");
    rig.read(4_000_000, "\"n_oil\":3");
    assert_eq!(state(&rig), AlarmState::LatchedAcknowledged);
    attend(&mut rig, 4_100_000, SEEN);
    assert_eq!(state(&rig), AlarmState::LatchedAcknowledged);
    attend(&mut rig, 4_200_000, Attend::Reset(None));
    assert_eq!(state(&rig), AlarmState::Normal);
}

#[test]
fn an_engine_that_is_stopped_leaves_what_nobody_saw_and_puts_to_sleep_what_was_seen() {
    for (seen, after) in [(false, AlarmState::Returned), (true, AlarmState::Suppressed)] {
        let mut rig = unseen(OIL);
        if seen {
            attend(&mut rig, 1_500_000, SEEN);
        }
        rig.read(2_000_000, "\"n_oil\":0,\"n_rpm\":0");
        assert_eq!(state(&rig), after);
        attend(&mut rig, 2_500_000, SEEN);
        assert_eq!(state(&rig), AlarmState::Suppressed, "its limit is passed, and `when` is false");
        rig.read(3_000_000, "\"n_oil\":3");
        assert_eq!(state(&rig), AlarmState::Normal, "nothing is kept silent any more");
        rig.read(4_000_000, "\"n_oil\":0");
        assert_eq!(state(&rig), AlarmState::Suppressed);
        rig.read(5_000_000, "\"n_oil\":0,\"n_rpm\":900");
        assert_eq!(state(&rig), AlarmState::Normal, "awake, and its delay begins");
        rig.read(6_000_000, "\"n_oil\":0");
        assert_eq!(state(&rig), AlarmState::Unacknowledged);
    }
}

#[test]
fn a_shelf_ends_at_its_very_instant_without_any_line() {
    let mut rig = unseen(OIL);
    attend(&mut rig, 1_500_000, ASIDE);
    assert_eq!(state(&rig), AlarmState::Shelved);
    rig.pipeline.pass(Stamp(121_499_999), &mut |_| {});
    assert_eq!(state(&rig), AlarmState::Shelved);
    assert_eq!(rig.pipeline.due(), Some(Stamp(121_500_000)));
    rig.pipeline.pass(Stamp(121_500_000), &mut |_| {});
    assert_eq!(state(&rig), AlarmState::Unacknowledged, "the danger is still there as far as anybody knows");
}

// I6 of the catalogue of faults.
#[test]
fn what_was_done_about_an_alarm_goes_on_over_a_changed_config() {
    let head = "format = 1\n[link.engine]\nreference = \"1.1 V\"\n";
    for (act, wanted) in [(SEEN, AlarmState::Acknowledged), (ASIDE, AlarmState::Shelved)] {
        let mut rig = unseen(OIL);
        attend(&mut rig, 1_500_000, act);
        let before = call(&rig);
        let more =
            "[channel.fuel]\ninput = \"n_fuel\"\nalarm = [{ level = \"danger\", below = 0.8, text = \"Fuel\" }]\n";
        let changed = model(&format!("{head}{more}{OIL}"));
        rig.pipeline.reload(Stamp(1_600_000), Arc::new(changed), &mut |_| {});
        let calls = &rig.pipeline.snapshot().calls;
        let after = calls.list[1];
        assert_eq!((after.state, after.until, after.began), (wanted, before.until, before.began));
        assert_eq!(calls.journal.len(), 1);
        assert_eq!((calls.journal[0].raised, calls.journal[0].number), (Raised::Limit(1), after.number));
        // A key that was pressed before the change meant the alarm at that place then.
        rig.pipeline.attend(Stamp(1_700_000), Attend::Reset(None), before.number);
        rig.pipeline.attend(Stamp(1_700_000), Attend::Unshelve(Some(Raised::Limit(1))), before.number);
        assert_eq!(rig.pipeline.snapshot().calls.list[1].state, wanted);
        rig.pipeline.pass(Stamp(121_500_000), &mut |_| {});
        let back = if wanted == AlarmState::Shelved { AlarmState::Unacknowledged } else { wanted };
        assert_eq!(rig.pipeline.snapshot().calls.list[1].state, back);
    }
}

#[test]
fn an_alarm_that_nobody_saw_is_not_lost_over_a_changed_config() {
    let head = "format = 1\n[link.engine]\nreference = \"1.1 V\"\n";
    let mut rig = unseen(OIL);
    rig.read(2_000_000, "\"n_oil\":3");
    rig.read(4_000_000, "\"n_oil\":3");
    let changed = Arc::new(model(&format!("{head}{}", OIL.replace("Stop the", "Stop that"))));
    rig.pipeline.reload(Stamp(4_100_000), changed, &mut |_| {});
    assert_eq!(state(&rig), AlarmState::Returned);
}

#[test]
fn another_drive_begins_with_nothing_to_see() {
    let mut rig = unseen(OIL);
    let same = Arc::clone(rig.pipeline.model());
    rig.pipeline.another_drive(Stamp(1_200_000), same, &mut |_| {});
    let calls = &rig.pipeline.snapshot().calls;
    assert_eq!((calls.list[0].state, calls.journal.len()), (AlarmState::Normal, 0));
}

// I7 of the catalogue of faults.
#[test]
fn a_lost_link_clears_nothing_and_the_last_value_is_kept() {
    let mut rig = unseen(OIL);
    rig.read(1_200_000, "\"n_oil\":0.4");
    rig.read(1_300_000, "\"n_oil\":0.6");
    rig.pipeline.link_down(LinkId(0), Stamp(1_400_000));
    rig.pipeline.pass(Stamp(3600 * SECOND), &mut |_| {});
    assert_eq!(rig.trust("oil"), Trust::Stale);
    assert_eq!(state(&rig), AlarmState::Unacknowledged);
    assert_eq!((call(&rig).last, call(&rig).worst), (0.6, 0.4));
    attend(&mut rig, 3600 * SECOND, SEEN);
    rig.pipeline.pass(Stamp(7200 * SECOND), &mut |_| {});
    assert_eq!(state(&rig), AlarmState::Acknowledged);
}
