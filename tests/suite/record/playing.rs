//! Replay: however one comes to an instant, it shows what a straight run shows there.

use std::path::PathBuf;
use std::sync::Arc;

use kickpanel::config::{self, SharedModel};
use kickpanel::record::format::write_line;
use kickpanel::record::{Mark, Recording};
use kickpanel::replay::{Extent, Feed, Player, SPEEDS, Seen, Tape, publish_to};
use kickpanel::state::{Column, Shared, Snapshot};
use kickpanel::time::{Micros, SECOND, Stamp};
use rstest::rstest;

const CONFIG: &str = r#"
format = 1

[link.engine]

[channel.level]
input = "height"
sensor = { kind = "number", unit = "1" }
unit = "1"
span = [0, 1023]
smooth = "300 ms"
fresh = "500 ms"

[[channel.level.alarm]]
level = "danger"
above = 900
after = "1 s"
text = "Look"

[channel.slope]
formula = "rate(level, 2)"
unit = "1/s"
"#;

fn model() -> SharedModel {
    let loaded = config::load(CONFIG);
    let report = config::report("test.toml", CONFIG, &loaded.mistakes, false);
    loaded.model.map_or_else(|| panic!("{report}"), Arc::new)
}

/// Twenty readings a second for 40 s; nothing from 10 s to 18 s; high from 20 s to 25 s; noise, a mark, an alarm.
fn drive() -> Vec<u8> {
    let mut out = Vec::new();
    let note = |out: &mut Vec<u8>, ms: i64, link: &str, json: &str| {
        write_line(Stamp::from_millis(ms), link, Mark::Note, json.as_bytes(), out);
    };
    note(
        &mut out,
        0,
        "-",
        r#"{"note":"recording","format":1,"program":"kickpanel 0.1.0","drive":1,"part":1,"clock":"unset"}"#,
    );
    note(&mut out, 10, "engine", r#"{"note":"link","state":"up"}"#);
    for s in 0..800_i64 {
        let ms = s * 50 + 20;
        if (10_000..18_000).contains(&ms) {
            continue;
        }
        let height = if (20_000..25_000).contains(&ms) { 950 } else { 300 + s % 7 };
        let line = format!("{{\"s\":{s},\"t\":{},\"height\":{height}}}", ms * 1000 + 5);
        write_line(Stamp(ms * 1000 + s % 900), "engine", Mark::Received, line.as_bytes(), &mut out);
        match ms {
            5_020 => write_line(Stamp::from_millis(ms), "engine", Mark::Received, b"noi\xFFse", &mut out),
            21_020 => note(
                &mut out,
                ms + 1,
                "-",
                r#"{"note":"alarm","channel":"level","state":"on","level":"danger","value":950}"#,
            ),
            30_020 => note(&mut out, ms + 1, "-", r#"{"note":"mark","text":"hole in the road"}"#),
            35_020 => note(&mut out, ms + 1, "engine", r#"{"note":"link","state":"down","why":"unplugged"}"#),
            35_520 => note(&mut out, ms + 1, "engine", r#"{"note":"link","state":"up"}"#),
            _ => {}
        }
    }
    out
}

/// The same drive as somebody would have caught it from the port.
fn bare() -> Vec<u8> {
    let text = String::from_utf8(drive()).unwrap();
    let lines = text.lines().filter_map(|line| line.split_once("\t<\t")).map(|(_, line)| format!("{line}\n"));
    lines.collect::<String>().into_bytes()
}

fn open(bytes: &[u8]) -> impl Fn() -> Result<Recording, kickpanel::record::ReadError> + use<> {
    let bytes: Arc<[u8]> = bytes.into();
    move || Recording::from_memory("drive.kpr".into(), bytes.clone())
}

fn quiet(_: Seen<'_>) {}

/// What a run without any detour shows at `at`.
fn straight(bytes: &[u8], at: Micros) -> Snapshot {
    let mut recording = open(bytes)().unwrap();
    let mut feed = Feed::new(model());
    while let Some(item) = recording.next().unwrap() {
        if feed.time_of(&item) > Stamp(at) {
            break;
        }
        feed.item(&item, &mut |_| {});
    }
    feed.pass(Stamp(at), &mut |_| {});
    feed.pipeline().snapshot().clone()
}

/// Compared as text: a number that is none must be none in both, which `==` never says.
#[track_caller]
fn same(shown: &Snapshot, expected: &Snapshot) {
    let mut shown = shown.clone();
    shown.player = None;
    assert_eq!(format!("{shown:#?}"), format!("{expected:#?}"));
}

const INSTANTS: [Micros; 9] = [
    0,
    SECOND,
    5 * SECOND + 1,
    10 * SECOND + 499_999,
    14 * SECOND,
    20 * SECOND + 900_000,
    21 * SECOND + 100_000,
    35 * SECOND + 200_000,
    39 * SECOND,
];

#[test]
fn the_drive_of_these_tests_goes_through_every_state() {
    let trust = |at| straight(&drive(), at).channels[0].trust().name();
    assert_eq!([trust(0), trust(5 * SECOND), trust(14 * SECOND), trust(19 * SECOND)], ["missing", "ok", "stale", "ok"]);
    let alarm = |at| straight(&drive(), at).alarms[0].active;
    assert_eq!([alarm(20 * SECOND), alarm(22 * SECOND), alarm(39 * SECOND)], [false, true, false]);
    assert_eq!(straight(&drive(), 39 * SECOND).links[0].bad, 1);
}

#[rstest]
#[case::recording(drive())]
#[case::bare(bare())]
fn a_jump_shows_what_a_straight_run_shows(#[case] bytes: Vec<u8>) {
    let mut player = Player::new(open(&bytes), model()).unwrap();
    for at in INSTANTS.into_iter().chain(INSTANTS.into_iter().rev()) {
        player.jump(at, &mut quiet).unwrap();
        same(player.snapshot(), &straight(&bytes, at));
    }
    player.jump(20 * SECOND, &mut quiet).unwrap();
    player.jump_by(-6 * SECOND, &mut quiet).unwrap();
    same(player.snapshot(), &straight(&bytes, 14 * SECOND));
}

#[rstest]
#[case::recording(drive())]
#[case::bare(bare())]
fn playing_at_any_speed_shows_what_a_straight_run_shows(#[case] bytes: Vec<u8>) {
    for speed in SPEEDS {
        let mut player = Player::new(open(&bytes), model()).unwrap();
        player.set_speed(speed, &mut quiet);
        let frame = 16_667;
        for _ in 0..50 {
            player.advance(frame, &mut quiet).unwrap();
        }
        let position = player.shown().position;
        assert!(position > 0);
        same(player.snapshot(), &straight(&bytes, position));
    }
}

#[test]
fn steps_forth_and_back_show_the_same_readings() {
    let bytes = drive();
    let mut player = Player::new(open(&bytes), model()).unwrap();
    let mut shown = Vec::new();
    for _ in 0..230 {
        player.step_forth(&mut quiet).unwrap();
        shown.push((player.shown().position, player.snapshot().clone()));
    }
    assert_eq!(shown[0].0, 20_000);
    assert_eq!(shown[200].0, 18_020_000 + 360);
    for place in (195..229).rev() {
        player.step_back(&mut quiet).unwrap();
        assert_eq!(player.shown().position, shown[place].0);
        same(player.snapshot(), &Snapshot { player: None, ..shown[place].1.clone() });
    }
    assert!(player.shown().paused);
    assert_eq!(player.advance(SECOND, &mut quiet).unwrap(), 0);
}

#[test]
fn a_loop_begins_again_within_its_limits() {
    let bytes = drive();
    let mut player = Player::new(open(&bytes), model()).unwrap();
    player.limit(Some(5 * SECOND), Some(6 * SECOND), &mut quiet).unwrap();
    same(player.snapshot(), &straight(&bytes, 5 * SECOND));
    player.set_looping(true, &mut quiet);
    for _ in 0..3 {
        assert!(player.advance(900_000, &mut quiet).unwrap() >= 17);
        assert_eq!(player.shown().position, 5_900_000);
        same(player.snapshot(), &straight(&bytes, 5_900_000));
        player.advance(200_000, &mut quiet).unwrap();
        assert_eq!(player.shown().position, 5 * SECOND);
        same(player.snapshot(), &straight(&bytes, 5 * SECOND));
    }
    player.set_looping(false, &mut quiet);
    player.advance(2 * SECOND, &mut quiet).unwrap();
    assert!(player.shown().ended);
    same(player.snapshot(), &straight(&bytes, 6 * SECOND));
    player.jump(0, &mut quiet).unwrap();
    assert_eq!((player.shown().position, player.shown().ended), (5 * SECOND, false));
}

#[test]
fn the_end_is_the_last_line() {
    let bytes = drive();
    let mut player = Player::new(open(&bytes), model()).unwrap();
    let end = 799 * 50_000 + 20_000 + 799;
    assert_eq!(player.shown().length, Some(end));
    player.set_speed(100.0, &mut quiet);
    let lines: u64 = (0..10).map(|_| player.advance(SECOND, &mut quiet).unwrap()).sum();
    assert_eq!(lines, 641);
    assert!(player.shown().ended && player.shown().position == end);
    same(player.snapshot(), &straight(&bytes, end));
}

#[test]
fn marks_and_alarms_are_gone_to_forth_and_back() {
    let mut player = Player::new(open(&drive()), model()).unwrap();
    let kinds = |player: &Player<_>| player.extent().moments.iter().map(|moment| moment.kind).collect::<Vec<_>>();
    assert_eq!(kinds(&player), ["alarm", "mark"]);
    let alarm = player.next_moment(&mut quiet).unwrap().unwrap();
    assert_eq!((alarm.at, alarm.text.as_str()), (21_021_000, "level"));
    assert_eq!(player.shown().position, 21_021_000);
    let mark = player.next_moment(&mut quiet).unwrap().unwrap();
    assert_eq!((mark.at, mark.text.as_str()), (30_021_000, "hole in the road"));
    assert_eq!(player.next_moment(&mut quiet).unwrap(), None);
    player.jump_by(500_000, &mut quiet).unwrap();
    assert_eq!(player.previous_moment(&mut quiet).unwrap().unwrap().kind, "alarm");
    assert_eq!(player.previous_moment(&mut quiet).unwrap(), None);
}

#[test]
fn the_history_after_a_jump_is_that_of_a_straight_run() {
    let bytes = drive();
    let columns = |shared: &Shared| {
        let mut out = [Column::GAP; 200];
        shared.columns(0, 30 * SECOND, 30 * SECOND, &mut out);
        format!("{out:?}")
    };
    let mut player = Player::new(open(&bytes), model()).unwrap();
    let shared = Shared::new(player.snapshot().clone());
    player.jump(30 * SECOND, &mut publish_to(&shared)).unwrap();
    let expected = columns(&shared);
    assert!(expected.contains("high: 949.99"), "{expected}");
    for (at, after) in [(39 * SECOND, false), (2 * SECOND, true), (40 * SECOND, false)] {
        player.jump(at, &mut publish_to(&shared)).unwrap();
        player.jump(30 * SECOND, &mut publish_to(&shared)).unwrap();
        assert_eq!(columns(&shared), expected, "{at} {after}");
    }
}

#[test]
fn a_jump_over_half_an_hour_brings_the_ten_minutes_before_it() {
    let lines = (0..2_000_i64)
        .map(|s| format!("{}\tengine\t<\t{{\"s\":{s},\"t\":{},\"height\":{}}}\n", s * 1000, s * 1_000_000, s % 97));
    let bytes = lines.collect::<String>().into_bytes();
    let columns = |shared: &Shared, end: Micros| {
        let mut out = [Column::GAP; 60];
        shared.columns(0, end, 600 * SECOND, &mut out);
        format!("{out:?}")
    };
    let mut slow = Player::new(open(&bytes), model()).unwrap();
    let mut quick = Player::new(open(&bytes), model()).unwrap();
    let [theirs, ours] = [(), ()].map(|()| Shared::new(slow.snapshot().clone()));
    slow.set_speed(100.0, &mut quiet);
    for _ in 0..18 {
        slow.advance(SECOND, &mut publish_to(&theirs)).unwrap();
    }
    let mut told = 0;
    let mut publish = publish_to(&ours);
    quick
        .jump(1_800 * SECOND, &mut |seen| {
            told += 1;
            publish(seen);
        })
        .unwrap();
    assert_eq!(columns(&ours, 1_800 * SECOND), columns(&theirs, 1_800 * SECOND));
    assert!((600..1_300).contains(&told), "only what is kept is told: {told}");
}

#[test]
fn alarms_are_told_while_playing_and_not_on_the_way_of_a_long_jump() {
    let mut player = Player::new(open(&drive()), model()).unwrap();
    let mut changes = Vec::new();
    player.set_speed(100.0, &mut quiet);
    player
        .advance(SECOND, &mut |seen| {
            if let Seen::Changed(change) = seen {
                changes.push(change.active);
            }
        })
        .unwrap();
    assert_eq!(changes, [true, false]);
}

#[test]
fn lines_of_links_that_the_model_does_not_have_are_counted() {
    let text = "0\tengine\t<\t{\"t\":1}\n1\tcabin\t<\t{\"t\":1}\n2\tengine\t<\t{\"t\":2}\n3\tcabin\t<\t{\"t\":2}\n";
    let mut player = Player::new(open(text.as_bytes()), model()).unwrap();
    player.jump(SECOND, &mut quiet).unwrap();
    assert_eq!(player.feed().links().strangers(), [("cabin".to_owned(), 2)]);
    let other = text.replace("engine", "motor").replace("cabin", "motor");
    let mut player = Player::new(open(other.as_bytes()), model()).unwrap();
    player.jump(SECOND, &mut quiet).unwrap();
    assert_eq!((player.feed().links().adopted(), player.feed().links().stranger_lines()), (Some("motor"), 0));
}

#[test]
fn a_tape_opens_again_and_again() {
    let folder = tempfile::TempDir::new().unwrap();
    let path: PathBuf = folder.path().join("drive.kpr");
    std::fs::write(&path, drive()).unwrap();
    let tape = Tape::new(vec![path]).unwrap();
    let lines = |recording| Extent::of(recording, &model()).lines;
    assert_eq!([lines(tape.open().unwrap()), lines(tape.open().unwrap())], [641, 641]);
}
