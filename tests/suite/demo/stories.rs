//! Each story shows its cause before its engine falters, and a healthy engine never does.

use kickpanel::channel::Trust;
use kickpanel::controller::{Simulated, Story, Truth};
use kickpanel::time::{MILLISECOND, SECOND};
use rstest::rstest;

use super::Drive;

/// Seconds at which the engine nearly stops while the lorry rolls, and at which the cause shows itself.
struct Seen {
    falters: Vec<f64>,
    causes: Vec<f64>,
}

/// Two within ten seconds are one.
fn note(times: &mut Vec<f64>, now: f64) {
    if times.last().is_none_or(|last| now - last > 10.0) {
        times.push(now);
    }
}

fn watch(story: Story, seed: u64, length_s: i64, cause: fn(&Truth) -> bool) -> Seen {
    let mut lorry = Simulated::new(story, seed);
    let mut out = Vec::new();
    let mut times = Seen { falters: Vec::new(), causes: Vec::new() };
    let mut before = false;
    for step in 1..=length_s * 50 {
        lorry.advance(step * 20 * MILLISECOND, &mut out);
        out.clear();
        let (now, truth) = (lorry.now() as f64 / 1e6, lorry.truth());
        if now > 20.0 && truth.rpm < 500.0 && truth.speed > 5.0 {
            note(&mut times.falters, now);
        }
        let shows = now > 20.0 && cause(truth);
        if shows && !before {
            times.causes.push(now);
        }
        before = shows;
    }
    times
}

#[rstest]
#[case::filter(Story::Filter, |truth: &Truth| truth.rpm > 800.0 && truth.feed < 0.7, 2.0)]
#[case::ground(Story::Ground, |truth: &Truth| truth.ground > 0.1, 1.0)]
#[case::supply(Story::Supply, |truth: &Truth| truth.supply < 4.5, 1.0)]
#[case::restart(Story::Restart, |truth: &Truth| !truth.powered, 1.0)]
fn the_cause_comes_before_the_falter(#[case] story: Story, #[case] cause: fn(&Truth) -> bool, #[case] lead_s: f64) {
    for seed in 1..=6 {
        let seen = watch(story, seed, 900, cause);
        assert!(seen.falters.first().is_some_and(|&first| first < 120.0), "{story:?} {seed} {:?}", seen.falters);
        assert!(seen.falters.len() >= 3, "it recurs: {story:?} {seed} {:?}", seen.falters);
        for falter in seen.falters {
            let led = seen.causes.iter().any(|cause| (lead_s..30.0).contains(&(falter - cause)));
            assert!(led, "{story:?} {seed}: falter at {falter}, causes {:?}", seen.causes);
        }
    }
}

#[rstest]
#[case::healthy(Story::Healthy)]
#[case::lines(Story::Lines)]
fn an_engine_that_is_well_never_falters(#[case] story: Story) {
    let sick = |truth: &Truth| truth.key && truth.rpm > 900.0 && (truth.pull < 1.0 || truth.supply < 4.9);
    let seen = watch(story, 4, 1200, sick);
    assert!(seen.falters.is_empty() && seen.causes.is_empty(), "{:?} {:?}", seen.falters, seen.causes);
}

#[test]
fn two_healthy_hours_raise_no_alarm_and_no_doubt() {
    let mut drive = Drive::new(Story::Healthy, 2);
    let mut doubts = Vec::new();
    for second in 1..=7200 {
        for _ in 0..50 {
            drive.go(20 * MILLISECOND);
            // Until the first edges came nobody knows how fast engine and shaft turn.
            if second < 30 {
                continue;
            }
            for (shown, channel) in drive.pipeline.snapshot().channels.iter().zip(&drive.pipeline.model().channels) {
                if shown.value.trust() != Trust::Ok && doubts.len() < 20 {
                    doubts.push((second, channel.name.clone(), shown.value.trust()));
                }
            }
        }
    }
    assert_eq!(drive.alarms, []);
    assert_eq!(doubts, []);
    assert!(drive.good("way").unwrap() > 50.0 && drive.lorry.now() > 7200 * SECOND);
}

#[test]
fn the_filter_story_raises_the_feed_alarm_before_the_engine_falters() {
    let mut drive = Drive::new(Story::Filter, 7);
    let mut falter = None;
    while falter.is_none() && drive.lorry.now() < 120 * SECOND {
        drive.go(20 * MILLISECOND);
        if drive.lorry.now() > 20 * SECOND && drive.good("rpm").unwrap() < 500.0 {
            falter = Some(drive.lorry.now());
        }
    }
    assert!(falter.is_some());
    assert_eq!(drive.alarms.len(), 1, "{:?}", drive.alarms);
    assert_eq!(drive.alarms[0].1, "Fuel feed low: change down, check filter and pipes");
}

/// Nothing but the raw counts is looked at: four sensors hang on the lug, amplifier and divider do not.
#[test]
fn the_ground_story_lifts_four_inputs_in_the_same_reading() {
    let mut lorry = Simulated::new(Story::Ground, 7);
    let mut out = Vec::new();
    lorry.advance(MILLISECOND, &mut out);
    let mut before: Option<([f64; 6], bool)> = None;
    let mut steps = 0;
    while lorry.now() < 400 * SECOND {
        out.clear();
        lorry.advance(lorry.now() + 20 * MILLISECOND, &mut out);
        let reading = out.split(|&byte| byte == b'\n').find(|line| line.starts_with(b"{\"s\""));
        let line: serde_json::Value = serde_json::from_slice(reading.unwrap()).unwrap();
        let counts: [f64; 6] = std::array::from_fn(|pin| line[format!("a{pin}")].as_f64().unwrap());
        let lifted = lorry.truth().ground > 0.0;
        if let Some((last, false)) = before
            && lifted
        {
            steps += 1;
            let moved: Vec<f64> = counts.iter().zip(last).map(|(now, last)| now - last).collect();
            for pin in [0, 1, 2, 5] {
                assert!(moved[pin] > 4.0, "a{pin} {moved:?}");
            }
            for pin in [3, 4] {
                assert!(moved[pin].abs() < 4.0, "a{pin} {moved:?}");
            }
        }
        before = Some((counts, lifted));
    }
    assert!(steps >= 5, "{steps}");
}

#[test]
fn the_supply_story_takes_the_trust_from_what_hangs_on_the_supply_and_leaves_the_rest() {
    let mut drive = Drive::new(Story::Supply, 7);
    let mut dips = 0;
    while drive.lorry.now() < 120 * SECOND {
        drive.go(20 * MILLISECOND);
        if drive.lorry.now() > 20 * SECOND && drive.lorry.truth().supply < 4.4 {
            dips += 1;
            for name in ["oil", "feed", "coolant", "fuel"] {
                assert_eq!(drive.shown(name).value.trust(), Trust::Supply, "{name}");
            }
            assert_eq!(drive.shown("rpm").value.trust(), Trust::Ok);
        }
    }
    assert!(dips > 10, "{dips}");
}
