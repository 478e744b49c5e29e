//! The lines, read through config and pipeline, give back what is really true of the lorry.
//!
//! The tolerances are those of a converter of 10 bits that takes the mean of four noisy samples, and of a reference
//! that comes as a whole number of counts (one count of 226 is 0.44 % of every voltage).

use kickpanel::controller::Story;
use kickpanel::time::{MILLISECOND, SECOND};
use rstest::rstest;

use super::Drive;

/// The largest distance between what is shown and what is true, over five minutes of a healthy drive.
fn worst(name: &str, truth: fn(&Drive) -> f64) -> f64 {
    let mut drive = Drive::new(Story::Healthy, 11);
    drive.go(12 * SECOND);
    let mut worst: f64 = 0.0;
    for _ in 0..300 * 50 {
        drive.go(20 * MILLISECOND);
        let shown = drive.good(name).unwrap_or_else(|| panic!("{name}: {:?}", drive.shown(name)));
        worst = worst.max((shown - truth(&drive)).abs());
    }
    worst
}

#[rstest]
#[case::oil("oil", |drive: &Drive| drive.lorry.truth().oil, 0.035)]
#[case::feed("feed", |drive: &Drive| drive.lorry.truth().feed, 0.02)]
#[case::battery("battery", |drive: &Drive| drive.lorry.truth().battery, 0.08)]
#[case::supply("supply", |drive: &Drive| drive.lorry.truth().supply, 0.02)]
#[case::air("air", |drive: &Drive| drive.lorry.truth().air, 0.7)]
#[case::boxed("box", |drive: &Drive| drive.lorry.truth().boxed, 0.06)]
#[case::heater("heater", |drive: &Drive| f64::from(u8::from(drive.lorry.truth().heater)), 0.0)]
#[case::coolant("coolant", |drive: &Drive| drive.lorry.truth().coolant, 0.5)]
#[case::fuel("fuel", |drive: &Drive| drive.lorry.truth().fuel, 0.6)]
#[case::exhaust("exhaust", |drive: &Drive| drive.lorry.truth().exhaust, 6.0)]
fn a_channel_shows_what_is_true(#[case] name: &str, #[case] truth: fn(&Drive) -> f64, #[case] within: f64) {
    let worst = worst(name, truth);
    assert!(worst <= within, "{name} is off by {worst}");
}

/// Speeds are compared as means over a second: within one reading a tooth out of its place shows.
#[rstest]
#[case::rpm("rpm", |drive: &Drive| drive.lorry.truth().rpm, 15.0)]
#[case::speed("speed", |drive: &Drive| drive.lorry.truth().speed, 0.35)]
fn a_speed_shows_what_is_true(#[case] name: &str, #[case] truth: fn(&Drive) -> f64, #[case] within: f64) {
    let mut drive = Drive::new(Story::Healthy, 11);
    drive.go(30 * SECOND);
    let mut seen = 0;
    for _ in 0..600 {
        let (mut shown, mut really, mut least) = (0.0, 0.0, f64::MAX);
        for _ in 0..50 {
            drive.go(20 * MILLISECOND);
            shown += drive.good(name).unwrap() / 50.0;
            really += truth(&drive) / 50.0;
            least = least.min(truth(&drive));
        }
        // Where the lorry comes to a stop the last pulse is long ago and nobody can know better.
        if least > 8.0 {
            seen += 1;
            assert!((shown - really).abs() < within, "{name} {shown} is really {really}");
        }
    }
    assert!(seen > 300, "{seen}");
}

/// The gears of the lorry, as the config's own comment gives them.
#[test]
fn the_gearing_formula_tells_the_gear() {
    let mut drive = Drive::new(Story::Healthy, 11);
    drive.go(30 * SECOND);
    let mut seen = [0; 6];
    for _ in 0..120 * 50 {
        drive.go(20 * MILLISECOND);
        let gear = usize::from(drive.lorry.truth().gear);
        let expected = [0.0, 200.0, 116.7, 70.0, 46.7, 33.3][gear];
        let shown = drive.good("gearing").unwrap();
        if gear > 0 && (shown / expected - 1.0).abs() < 0.06 {
            seen[gear] += 1;
        }
    }
    assert!(seen[2] > 50 && seen[3] > 100 && seen[4] > 200, "{seen:?}");
}

#[test]
fn uneven_running_shows_cylinders_that_miss() {
    // The share of readings over 2 %, while a gear has been in for a second.
    let share_over = |story| {
        let mut drive = Drive::new(story, 7);
        drive.go(30 * SECOND);
        let (mut over, mut seen, mut settled) = (0, 0, 0);
        while drive.lorry.now() < 600 * SECOND {
            drive.go(20 * MILLISECOND);
            let truth = drive.lorry.truth();
            settled = if truth.gear > 0 { settled + 1 } else { 0 };
            let misses = (0.3..0.85).contains(&truth.pull);
            if truth.rpm > 900.0 && settled > 50 && misses == (story == Story::Filter) {
                seen += 1;
                over += i32::from(drive.good("uneven").unwrap() > 2.0);
            }
        }
        assert!(seen > 100, "{seen}");
        f64::from(over) / f64::from(seen)
    };
    let (well, sick) = (share_over(Story::Healthy), share_over(Story::Filter));
    assert!(well < 0.02 && sick > 5.0 * well && sick > 0.08, "{well} {sick}");
}
