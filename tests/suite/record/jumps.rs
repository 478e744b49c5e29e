//! D1 of the catalogue of faults: the time of day leaps while driving, and nothing but labels moves.

use std::sync::Arc;
use std::time::Duration;

use kickpanel::record::{Item, Mark, Recorder, Recording, Setup};
use kickpanel::replay::Feed;
use kickpanel::time::Stamp;
use kickpanel::time::system::Clock;
use tempfile::TempDir;

use crate::rig::model;

const CONFIG: &str = include_str!("../pipeline/lorry.toml");

/// A hundred times of day: a clock without a battery, an hour to and fro, ten years back, a leap second, the end of 32 bits.
fn walls() -> Vec<jiff::Timestamp> {
    let mut seed = 0x2545_F491_4F6C_DD1D_u64;
    let mut random = move |below: i64| {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        i64::try_from(seed % below.unsigned_abs()).unwrap()
    };
    let kept =
        [0, 1_795_590_000, 1_795_593_600, 1_795_590_000, 1_480_000_000, 1_483_228_799, 2_147_483_647, 2_147_483_648];
    let any = (0..100 - kept.len()).map(|_| random(5_000_000_000) - 1_000_000_000);
    kept.into_iter()
        .chain(any.collect::<Vec<_>>())
        .map(|second| jiff::Timestamp::from_second(second).unwrap())
        .collect()
}

/// Records a hundred seconds of lines, at instants of their own, with `walls` told in between.
fn record(walls: &[jiff::Timestamp]) -> TempDir {
    let folder = TempDir::new().unwrap();
    let wall = walls.first().copied();
    let setup = Setup { program: "kickpanel 0.1.0".into(), config: CONFIG.into(), wall };
    let recorder = Recorder::start(folder.path().into(), setup, Clock::start());
    for number in 0..5_000_i64 {
        let now = Stamp(number * 20_000 + number % 7 * 300);
        if number % 50 == 25
            && let Some(wall) = walls.get(usize::try_from(number / 50).unwrap())
        {
            recorder.wall(now, *wall);
        }
        let wave = |pin: i64| 300 + (number * (pin + 3) / 20) % 650;
        let t = 4_200_000_000 + number * 20_000;
        let mut line = format!(
            "{{\"s\":{},\"t\":{},\"ref\":226,\"a0\":{},\"a2\":{},\"a3\":{}",
            number,
            t % (1 << 32),
            wave(0),
            wave(2),
            wave(3)
        );
        kickpanel::wire::seal(&mut line);
        recorder.line(now, "engine", Mark::Received, line.as_bytes());
    }
    assert!(recorder.close(Duration::from_secs(20)));
    folder
}

/// What was shown after each line, and every alarm, with names of the files.
fn shown(folder: &TempDir) -> (Vec<String>, Vec<String>) {
    let mut recording = Recording::open(&[folder.path().to_path_buf()]).unwrap();
    let mut feed = Feed::new(Arc::new(model(CONFIG)));
    let mut all = Vec::new();
    while let Some(item) = recording.next().unwrap() {
        let mut changes = Vec::new();
        feed.item(&item, &mut |change| changes.push(change));
        // A note of the time of day is no line: nothing may come of it.
        if matches!(item, Item::Line(_)) || !changes.is_empty() {
            all.push(format!("{:?} {changes:?}", feed.pipeline().snapshot()));
        }
    }
    let names =
        std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    (all, names.collect())
}

#[test]
fn a_hundred_jumps_of_the_time_of_day_leave_every_value_and_alarm_as_it_was() {
    let walls = walls();
    assert_eq!(walls.len(), 100);
    let (calm, jumped) = (record(&[]), record(&walls));
    let (one, other) = (shown(&calm), shown(&jumped));
    assert_eq!(one.0.len(), other.0.len());
    assert!(one.0.len() >= 5_000 && one.0.iter().any(|line| line.contains("Change")), "alarms came and went");
    let first = one.0.iter().zip(&other.0).find(|(one, other)| one != other);
    assert_eq!(first, None);
    assert_eq!((one.1, other.1), (vec!["000001-01.kpr".to_owned()], vec!["000001-01.kpr".to_owned()]));
    let notes = std::fs::read_to_string(jumped.path().join("000001-01.kpr")).unwrap();
    assert_eq!(notes.matches("\"note\":\"clock\"").count(), 100, "each jump is noted");
}
