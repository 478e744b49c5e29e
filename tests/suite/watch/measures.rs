//! The measures of ISA-18.2 over made-up courses, counted by hand. Limits: the table "Alarm quality" of the catalogue of
//! faults, which names who quotes each.

use kickpanel::config::Level;
use kickpanel::time::{MINUTE, Micros, SECOND};
use kickpanel::watch::measures::{Kind, Measures, Tuning};
use rstest::rstest;

fn kind(name: &str, level: Level) -> Kind {
    let tuning = Tuning { deadband: 0.1, unit: "bar".to_owned(), after: SECOND, until: 2 * SECOND };
    Kind { name: name.to_owned(), limit: "below 0.8 bar".to_owned(), level, tuning: Some(tuning) }
}

/// A drive of so many minutes in which one alarm comes at those seconds and lasts so long, unseen.
fn drive(minutes: i64, came_s: &[i64], lasts: Micros) -> Measures {
    let mut measures = Measures::default();
    measures.begin_drive(0);
    let place = measures.place(&kind("oil", Level::Caution));
    for at in came_s {
        measures.begin(at * SECOND, place);
        measures.end(at * SECOND + lasts, place, false);
    }
    measures.end_drive(minutes * MINUTE);
    measures
}

fn value(measures: &Measures, what: &str) -> f64 {
    measures.measures().into_iter().find(|row| row.what.starts_with(what)).unwrap().value
}

#[test]
fn averages_are_not_stretched_to_a_period_that_was_not_driven() {
    assert_eq!(value(&drive(2, &[10, 70], 30 * SECOND), "alarms in 10 min"), 2.0);
    assert_eq!(value(&drive(20, &[10, 70], 30 * SECOND), "alarms in 10 min"), 1.0);
}

#[rstest]
#[case::eleven_in_ten_minutes(&[0, 60, 120, 180, 240, 300, 360, 420, 480, 540, 599], 11.0, 1)]
#[case::the_first_is_ten_minutes_old(&[0, 60, 120, 180, 240, 300, 360, 420, 480, 540, 600], 10.0, 0)]
#[case::across_two_periods(&[301, 360, 420, 480, 540, 599, 600, 660, 720, 780, 840], 11.0, 1)]
fn the_worst_ten_minutes_may_begin_anywhere(#[case] came: &[i64], #[case] most: f64, #[case] floods: u64) {
    let measures = drive(60, came, 30 * SECOND);
    assert_eq!((value(&measures, "most in any"), measures.floods().1), (most, floods));
}

#[test]
fn a_flood_begins_above_ten_in_ten_minutes_and_ends_below_five() {
    // Eleven in the first 100 s; the flood begins at the eleventh. Less than five are left once seven of them are ten
    // minutes old: the seventh came at 60 s.
    let came: Vec<i64> = (0..11).map(|n| n * 10).collect();
    let measures = drive(60, &came, SECOND);
    let flood = measures.floods().0[0];
    assert_eq!((flood.from, flood.to), (100 * SECOND, 660 * SECOND));
    let share = value(&measures, "time in a flood");
    assert!((share - 100.0 * 560.0 / 3600.0).abs() < 1e-9, "{share}");
    assert!((value(&measures, "10-min periods") - 100.0 / 6.0).abs() < 1e-9, "one of six");
}

#[rstest]
#[case::three_within_a_minute(&[0, 30, 60], 1.0)]
#[case::the_first_is_older(&[0, 30, 61], 0.0)]
#[case::four(&[0, 10, 20, 30], 2.0)]
fn three_times_in_a_minute_is_chattering(#[case] came: &[i64], #[case] times: f64) {
    assert_eq!(value(&drive(60, came, SECOND), "chattering"), times);
}

#[rstest]
#[case::just_under_ten_seconds(&[0], 10 * SECOND - 1, 1.0)]
#[case::ten_seconds(&[0], 10 * SECOND, 0.0)]
#[case::it_is_back_within_a_minute(&[0, 60], 5 * SECOND, 1.0)]
#[case::it_is_back_later(&[0, 66], 5 * SECOND, 2.0)]
fn what_is_gone_in_ten_seconds_and_stays_away_is_fleeting(
    #[case] came: &[i64],
    #[case] lasts: Micros,
    #[case] times: f64,
) {
    assert_eq!(value(&drive(60, came, lasts), "fleeting"), times);
}

#[rstest]
#[case::a_day(24 * 60 * MINUTE, 0.0)]
#[case::longer(24 * 60 * MINUTE + 1, 1.0)]
fn what_stands_for_over_a_day_is_stale(#[case] lasts: Micros, #[case] times: f64) {
    assert_eq!(value(&drive(25 * 60, &[0], lasts), "stale"), times);
}

#[test]
fn each_level_has_its_share_and_the_most_frequent_comes_first() {
    let mut measures = Measures::default();
    measures.begin_drive(0);
    for (name, level, times) in [("fuel", Level::Notice, 8), ("oil", Level::Danger, 2), ("water", Level::Caution, 10)] {
        let place = measures.place(&kind(name, level));
        for time in 0..times {
            measures.begin(time * 5 * MINUTE, place);
            measures.end(time * 5 * MINUTE + MINUTE, place, true);
        }
    }
    measures.end_drive(60 * MINUTE);
    assert_eq!(
        ["notice", "caution", "danger"].map(|level| value(&measures, &format!("of them {level}"))),
        [40.0, 50.0, 10.0]
    );
    let names: Vec<_> = measures.frequent().iter().map(|record| record.kind.name.as_str()).collect();
    assert_eq!(names, ["water", "fuel", "oil"]);
}

#[test]
fn advice_names_what_to_turn_and_how_far() {
    let chatters = drive(60, &[0, 10, 20], 3 * SECOND);
    assert_eq!(
        chatters.advice(),
        [
            "oil below 0.8 bar, caution: 1 times three in a minute. The value wanders over the limit: widen `deadband` (now 0.1 bar), \
          or set `until` (now 2 s) to 9 s"
        ]
    );
    let flashes = drive(60, &[0, 300], 5 * SECOND);
    assert_eq!(
        flashes.advice(),
        [
            "oil below 0.8 bar, caution: 2 times gone before anybody could act. Set `after` (now 1 s) to 5 s, or move the limit"
        ]
    );
    assert_eq!(drive(60, &[0], MINUTE).advice(), [] as [String; 0]);
}

#[test]
fn a_danger_is_never_advised_to_wait() {
    let mut measures = Measures::default();
    measures.begin_drive(0);
    let place = measures.place(&kind("oil", Level::Danger));
    measures.begin(0, place);
    measures.end(3 * SECOND, place, false);
    measures.end_drive(60 * MINUTE);
    let advice = measures.advice().concat();
    assert!(
        advice.contains("Look for the cause before you make a danger wait") && !advice.contains("`after`"),
        "{advice}"
    );
}

#[test]
fn two_drives_are_two_beginnings_and_their_times_add_up() {
    let mut measures = Measures::default();
    let place = measures.place(&kind("oil", Level::Caution));
    for begin in [0, 1000 * MINUTE] {
        measures.begin_drive(begin);
        for at in 0..6 {
            measures.begin(begin + at * SECOND, place);
        }
        measures.end_drive(begin + 10 * MINUTE);
    }
    assert_eq!(measures.total(), (12, 2, 20 * MINUTE));
    assert_eq!((value(&measures, "most in any"), value(&measures, "alarms in 10 min")), (6.0, 6.0));
}
