//! What several channels share, what comes before any reading, and lines that no checksum vouches for.

use std::sync::Arc;

use kickpanel::channel::Trust;
use kickpanel::config::LinkId;
use kickpanel::output::words::Told;
use kickpanel::pipeline::Pipeline;
use kickpanel::state::{Subject, Trouble};
use kickpanel::time::{SECOND, Stamp};
use kickpanel::watch::{Change, Raised};
use rstest::rstest;

use crate::rig::{Rig, model};

const OIL: &str = "sensor = { kind = \"linear\", from = [\"0.5 V\", \"4.5 V\"], to = [\"0 bar\", \"8 bar\"], ratiometric = \"5 V\" }\n\
    unit = \"bar\"\nalarm = [{ level = \"danger\", below = 1, after = \"1 s\" }]\n";

/// Three sensors with limits, and one that a formula asks for.
fn config() -> String {
    let channel = |pin: u8| format!("[channel.s{pin}]\ninput = \"a{pin}\"\n{OIL}");
    let formula = "[channel.sum]\nformula = \"s0 + q\"\nunit = \"bar\"\nalarm = [{ level = \"notice\", above = 90 }]\n\
        [channel.q]\ninput = \"a5\"\nsensor = { kind = \"linear\", from = [\"0.5 V\", \"4.5 V\"], to = [\"0 bar\", \"8 bar\"] }\n";
    format!("{}{}{}{formula}", channel(0), channel(1), channel(2))
}

fn pushed(rig: &mut Rig, to: i64) {
    let changes = &mut rig.changes;
    rig.pipeline.pass(Stamp(to), &mut |change| changes.push(change));
}

/// Readings every 20 ms in that stretch of seconds, as a drive has them.
fn drive(rig: &mut Rig, seconds: std::ops::Range<i64>, fields: impl Fn(i64) -> String) {
    for n in seconds.start * 50..seconds.end * 50 {
        pushed(rig, n * 20_000);
        rig.read(n * 20_000, &fields(n));
    }
}

fn usual(n: i64) -> String {
    format!("\"vcc\":5000,\"a0\":{0},\"a1\":{0},\"a2\":{0},\"a5\":{0}", 500 + n % 3)
}

/// Subjects of the faults that began.
fn began(rig: &Rig) -> Vec<Subject> {
    let faults = &rig.pipeline.snapshot().faults;
    let fault = |change: &Change| match change.raised {
        Raised::Fault(at) if change.active => Some(faults[at].subject),
        _ => None,
    };
    rig.changes.iter().filter_map(fault).collect()
}

#[test]
fn nothing_that_did_not_come_yet_is_an_alarm() {
    let mut rig = Rig::new(&config());
    rig.pipeline.link_up(LinkId(0), Stamp(0));
    pushed(&mut rig, 3600 * SECOND);
    assert_eq!(rig.changes, []);
}

#[rstest]
#[case::just_before(9, 0)]
#[case::just_then(11, 1)]
fn a_field_that_never_comes_is_one_after_ten_seconds_of_lines(#[case] seconds: i64, #[case] alarms: usize) {
    let mut rig = Rig::new(&config());
    drive(&mut rig, 0..seconds, |n| format!("\"vcc\":5000,\"a0\":{0},\"a2\":{0},\"a5\":{0}", 500 + n % 3));
    assert_eq!(began(&rig).len(), alarms, "{:?}", rig.changes);
}

// I7 and D4 of the catalogue of faults: one alarm for the link, none for its channels, and what sounded goes on.
#[test]
fn a_lost_link_is_one_alarm_and_silences_none() {
    for unplugged in [true, false] {
        let mut rig = Rig::new(&config());
        rig.pipeline.link_up(LinkId(0), Stamp(0));
        drive(&mut rig, 0..10, |n| usual(n).replace("\"a1\":50", "\"a1\":12"));
        assert_eq!(rig.changes.len(), 1, "the limit of s1: {:?}", rig.changes);
        if unplugged {
            rig.pipeline.link_down(LinkId(0), Stamp(10 * SECOND));
            rig.pipeline.snapshot_mut().links[0].trouble = Some(Trouble::Unplugged);
        }
        pushed(&mut rig, 3600 * SECOND);
        assert_eq!(began(&rig), [Subject::Link(LinkId(0))]);
        assert_eq!(rig.changes.len(), 2, "{:?}", rig.changes);
        let shown = rig.shown("s1");
        assert!(rig.pipeline.snapshot().alarms[1].active && shown.value.trust() == Trust::Stale);
        assert!((shown.was - 0.24).abs() < 0.1, "was {} bar", shown.was);
        rig.pipeline.link_up(LinkId(0), Stamp(3600 * SECOND));
        drive(&mut rig, 3600..3620, |n| usual(n).replace("\"a1\":50", "\"a1\":12"));
        assert_eq!(began(&rig).len(), 1, "{:?}", rig.changes);
        assert!(!rig.changes.iter().any(|change| change.raised == Raised::Limit(1) && !change.active));
        assert_eq!(rig.changes.len(), 3, "the link is back, the pressure is as low as it was");
    }
}

#[test]
fn what_a_formula_asks_for_is_named_once_and_by_its_name() {
    let mut rig = Rig::new(&config());
    drive(&mut rig, 0..20, |n| if n < 500 { usual(n) } else { usual(n).replace("\"a5\":50", "\"a5\":1") });
    assert_eq!(began(&rig).len(), 1, "{:?}", rig.changes);
    let snapshot = rig.pipeline.snapshot();
    let fault = snapshot.faults.iter().find(|fault| fault.active).unwrap();
    let told = Told::of(rig.pipeline.model(), &snapshot.channels, fault).unwrap();
    assert_eq!((told.name.as_str(), told.what.as_str()), ("q sensor", "short to ground, broken wire or no supply"));
    assert!(told.detail.starts_with("pin a5, sum was 7.8 bar, now 0.05 V"), "{}", told.detail);
    // Its own sensor has an alarm: the formula's has none besides.
    let mut rig = Rig::new(&config());
    drive(&mut rig, 0..20, |n| if n < 500 { usual(n) } else { usual(n).replace("\"a0\":50", "\"a0\":1") });
    assert_eq!(began(&rig), [Subject::Sensor(kickpanel::config::ChannelId(0))]);
}

#[test]
fn a_sensor_alarm_hides_no_limit_that_was_passed_and_each_ends_by_itself() {
    let mut rig = Rig::new(&config());
    let fields = |n: i64| match n {
        250..500 => usual(n).replace("\"a0\":50", "\"a0\":12"),
        500..750 => usual(n).replace("\"a0\":50", "\"a0\":1"),
        _ => usual(n),
    };
    drive(&mut rig, 0..14, fields);
    let snapshot = rig.pipeline.snapshot();
    assert!(snapshot.alarms[0].active, "what was true when it was last seen is not over");
    assert_eq!(snapshot.faults.iter().filter(|fault| fault.active).count(), 1);
    drive(&mut rig, 14..30, fields);
    let order: Vec<_> = rig.changes.iter().map(|change| (change.raised, change.active)).collect();
    let sensor = order[1].0;
    assert_eq!(order, [(Raised::Limit(0), true), (sensor, true), (Raised::Limit(0), false), (sensor, false)]);
}

#[test]
fn a_sensor_that_comes_and_goes_is_one_alarm() {
    let mut rig = Rig::new(&config());
    drive(
        &mut rig,
        0..60,
        |n| if n > 250 && n % 100 < 40 { usual(n).replace("\"a0\":50", "\"a0\":1") } else { usual(n) },
    );
    assert_eq!(began(&rig).len(), 1, "{:?}", rig.changes);
}

#[test]
fn an_alarm_of_a_sensor_goes_on_under_a_changed_config() {
    let mut rig = Rig::new(&config());
    let hurt = |n: i64| usual(n).replace("\"a0\":50", "\"a0\":1");
    drive(&mut rig, 0..5, usual);
    drive(&mut rig, 5..10, hurt);
    let changed =
        format!("format = 1\n[link.engine]\nreference = \"1.1 V\"\n[channel.new]\ninput = \"a9\"\n{}", config());
    let mut ended = Vec::new();
    rig.pipeline.reload(Stamp(10 * SECOND), Arc::new(model(&changed)), &mut |change| ended.push(change));
    drive(&mut rig, 10..20, hurt);
    assert_eq!((ended.len(), began(&rig).len()), (0, 1), "{:?}", rig.changes);
    drive(&mut rig, 20..40, usual);
    assert_eq!(rig.changes.iter().filter(|change| !change.active).count(), 1);
}

/// Readings without a checksum; gives what `s0` shows after each.
fn bare(counts: &[u32]) -> Vec<Option<f64>> {
    let mut rig = Rig::new(&config());
    let mut shown = Vec::new();
    for (n, counts) in (0..).zip(counts) {
        let line = format!("{{\"t\":{},\"vcc\":5000,\"a0\":{counts},\"a1\":500}}", n * 20_000);
        rig.raw(0, n * 20_000, &line);
        // The channel's value in counts: 0.5 V are 102.4, and 8 bar are 819.2 more.
        shown.push(rig.value("s0").good().map(|bar| (bar / 8.0 * 819.2 + 102.4).round()));
    }
    shown
}

fn steady(then: &[u32]) -> Vec<Option<f64>> {
    let before: Vec<u32> = (0..40).map(|n| 500 + n % 2).collect();
    bare(&[&before, then].concat())[40..].to_vec()
}

// A4 of the catalogue of faults.
#[test]
fn one_damaged_line_without_a_checksum_shows_nothing_wrong() {
    assert_eq!(steady(&[900, 500, 501]), [Some(501.0), Some(500.0), Some(501.0)]);
    assert_eq!(steady(&[100, 500]), [Some(501.0), Some(500.0)]);
}

#[test]
fn a_true_change_is_late_by_one_reading_at_most() {
    assert_eq!(steady(&[900, 900, 901]), [Some(501.0), Some(900.0), Some(901.0)]);
    let slope: Vec<u32> = (1..10).map(|n| 500 + 40 * n).collect();
    for (n, (shown, is)) in steady(&slope).iter().zip(&slope).enumerate() {
        let late = if n == 0 { 501 } else { *is };
        assert_eq!(*shown, Some(f64::from(late)), "{n}");
    }
}

#[test]
fn a_vouched_line_is_never_held_back() {
    let mut rig = Rig::new(&config());
    for n in 0..40 {
        rig.read(n * 20_000, &usual(n));
    }
    rig.read(800_000, &usual(0).replace("\"a0\":500", "\"a0\":900"));
    assert!((rig.good("s0") - (900.0 - 102.4) / 819.2 * 8.0).abs() < 0.01);
}

// I3 of the catalogue of faults: keys turned, engines cranked; here by what the lines say.
#[test]
fn a_thousand_starts_raise_no_alarm() {
    let text = format!(
        "{}[channel.rpm]\ninput = \"p2\"\nsensor = {{ kind = \"pulses\", count = 2, per = \"rev\" }}\n",
        config()
    )
    .replace("after = \"1 s\"", "after = \"1 s\", when = \"rpm > 600\"");
    let mut rig = Rig::new(&text);
    let mut at = 0_i64;
    for start in 0..1000_i64 {
        // The controller starts with the key; two seconds later the engine turns, and oil comes with it.
        let (mut t, mut edges, mut last) = (20_000_i64, 0_i64, 0_i64);
        rig.late = at - t;
        for n in 0..250 + start % 50 {
            let turning = n > 100;
            if turning {
                edges += 1;
                last = t - 3_000;
            }
            let oil = if turning { (110 + 8 * (n - 100)).min(520) } else { 110 } + n % 3;
            let fields =
                format!("\"vcc\":5000,\"a0\":{oil},\"a1\":{oil},\"a2\":480,\"a5\":500,\"p2\":[{edges},{last}]");
            let now = t + rig.late;
            pushed(&mut rig, now);
            rig.read(t, &fields);
            t += 20_000;
        }
        at = t + rig.late + 40 * SECOND;
    }
    let limits = rig.changes.iter().filter(|change| matches!(change.raised, Raised::Limit(_))).count();
    assert_eq!(limits, 0);
    assert!(!began(&rig).iter().any(|subject| matches!(subject, Subject::Sensor(_) | Subject::Ground(_))));
}

#[test]
fn the_subjects_stand_in_one_order_for_every_snapshot_of_a_model() {
    let pipeline = Pipeline::new(Arc::new(model(&format!("format = 1\n[link.engine]\n{}", config()))));
    let subjects: Vec<Subject> = pipeline.snapshot().faults.iter().map(|fault| fault.subject).collect();
    assert_eq!(subjects.len(), 4 + 4);
    assert_eq!(subjects[0], Subject::Link(LinkId(0)));
}
