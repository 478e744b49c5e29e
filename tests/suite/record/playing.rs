//! Replay: however one comes to an instant, it shows what a straight run shows there.

use std::path::PathBuf;
use std::sync::Arc;

use kickpanel::config::{self, SharedModel};
use kickpanel::record::format::write_line;
use kickpanel::record::{Mark, Recording};
use kickpanel::replay::{Configs, Extent, Feed, Player, SPEEDS, Seen, Tape, publish_to};
use kickpanel::state::{Column, Shared, Snapshot};
use kickpanel::time::{Micros, SECOND, Stamp};
use kickpanel::watch::{Change, Raised};
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
fn straight(bytes: &[u8], configs: impl Into<Configs>, at: Micros) -> Snapshot {
    let mut recording = open(bytes)().unwrap();
    let mut feed = Feed::new(configs);
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
    let trust = |at| straight(&drive(), model(), at).channels[0].trust().name();
    assert_eq!([trust(0), trust(5 * SECOND), trust(14 * SECOND), trust(19 * SECOND)], ["missing", "ok", "stale", "ok"]);
    let alarm = |at| straight(&drive(), model(), at).alarms[0].active;
    assert_eq!([alarm(20 * SECOND), alarm(22 * SECOND), alarm(39 * SECOND)], [false, true, false]);
    assert_eq!(straight(&drive(), model(), 39 * SECOND).links[0].bad, 1);
}

#[rstest]
#[case::recording(drive())]
#[case::bare(bare())]
fn a_jump_shows_what_a_straight_run_shows(#[case] bytes: Vec<u8>) {
    let mut player = Player::new(open(&bytes), model()).unwrap();
    for at in INSTANTS.into_iter().chain(INSTANTS.into_iter().rev()) {
        player.jump(at, &mut quiet).unwrap();
        same(player.snapshot(), &straight(&bytes, model(), at));
    }
    player.jump(20 * SECOND, &mut quiet).unwrap();
    player.jump_by(-6 * SECOND, &mut quiet).unwrap();
    same(player.snapshot(), &straight(&bytes, model(), 14 * SECOND));
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
        same(player.snapshot(), &straight(&bytes, model(), position));
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
    same(player.snapshot(), &straight(&bytes, model(), 5 * SECOND));
    player.set_looping(true, &mut quiet);
    for _ in 0..3 {
        assert!(player.advance(900_000, &mut quiet).unwrap() >= 17);
        assert_eq!(player.shown().position, 5_900_000);
        same(player.snapshot(), &straight(&bytes, model(), 5_900_000));
        player.advance(200_000, &mut quiet).unwrap();
        assert_eq!(player.shown().position, 5 * SECOND);
        same(player.snapshot(), &straight(&bytes, model(), 5 * SECOND));
    }
    player.set_looping(false, &mut quiet);
    player.advance(2 * SECOND, &mut quiet).unwrap();
    assert!(player.shown().ended);
    same(player.snapshot(), &straight(&bytes, model(), 6 * SECOND));
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
    same(player.snapshot(), &straight(&bytes, model(), end));
}

#[test]
fn marks_and_alarms_are_gone_to_forth_and_back() {
    let mut player = Player::new(open(&drive()), model()).unwrap();
    let kinds = |player: &Player<_>| player.extent().moments.iter().map(|moment| moment.kind).collect::<Vec<_>>();
    assert_eq!(kinds(&player), ["alarm", "mark"]);
    let alarm = player.next_moment(&mut quiet).unwrap().unwrap();
    assert_eq!((alarm.at, &*alarm.text), (21_021_000, "level"));
    assert_eq!(player.shown().position, 21_021_000);
    let mark = player.next_moment(&mut quiet).unwrap().unwrap();
    assert_eq!((mark.at, &*mark.text), (30_021_000, "hole in the road"));
    let here = |player: &Player<_>| player.shown().moment.map(|moment| (moment.kind, moment.number, moment.of));
    assert_eq!(here(&player), Some(("mark", 1, 1)));
    assert_eq!((player.shown().earlier, player.shown().later), (true, false));
    assert_eq!(player.next_moment(&mut quiet).unwrap(), None);
    player.jump(34 * SECOND + 999_000 + 21_000, &mut quiet).unwrap();
    assert_eq!(here(&player), Some(("mark", 1, 1)), "named for five seconds");
    player.jump(35 * SECOND + 21_000, &mut quiet).unwrap();
    assert_eq!(here(&player), None);
    player.jump(30 * SECOND + 21_000, &mut quiet).unwrap();
    player.jump_by(500_000, &mut quiet).unwrap();
    assert_eq!(player.previous_moment(&mut quiet).unwrap().unwrap().kind, "alarm");
    assert_eq!(player.previous_moment(&mut quiet).unwrap(), None);
}

#[test]
fn at_the_end_a_replay_that_is_to_begin_again_does_so_at_once() {
    let mut player = Player::new(open(&drive()), model()).unwrap();
    player.jump(i64::MAX / 4, &mut quiet).unwrap();
    player.pause(true, &mut quiet);
    assert!(player.shown().ended && !player.shown().begun);
    player.set_looping(true, &mut quiet);
    assert!(!player.shown().ended && !player.shown().paused);
    player.advance(1000, &mut quiet).unwrap();
    assert!(player.shown().begun, "{:?}", player.shown());
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
    let shared = Shared::new(Arc::clone(player.model()), player.snapshot().clone());
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
    let [theirs, ours] = [(), ()].map(|()| Shared::new(Arc::clone(slow.model()), slow.snapshot().clone()));
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
            if let Seen::Changed(Change { raised: Raised::Limit(_), active, .. }) = seen {
                changes.push(active);
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

/// The drive of these tests with its config in the head, which is changed at 12 s and, to one with mistakes, at 30 s.
fn changed_drive() -> (Vec<u8>, String) {
    let changed = CONFIG.replace("unit = \"1\"\nspan = [0, 1023]", "unit = \"%\"\nspan = [0, 1023]\ndigits = 2");
    let changed = changed
        .replace("unit = \"1\" }", "unit = \"%\" }")
        .replace("[channel.slope]", "[channel.twice]\nformula = \"level * 2\"\n[channel.slope]");
    let changed = changed.replace("unit = \"1/s\"", "unit = \"%/s\"");
    let note = |ms: i64, note: serde_json::Value| {
        let mut out = Vec::new();
        write_line(Stamp::from_millis(ms), "-", Mark::Note, note.to_string().as_bytes(), &mut out);
        String::from_utf8(out).unwrap()
    };
    let text = String::from_utf8(drive()).unwrap();
    let mut out = String::new();
    let (mut good, mut bad) = (true, true);
    for line in text.lines() {
        let ms: f64 = line.split('\t').next().unwrap().parse().unwrap();
        if ms >= 18_000.0 && std::mem::take(&mut good) {
            out += &note(12_000, serde_json::json!({"note": "config", "config": changed}));
        }
        if ms >= 30_000.0 && std::mem::take(&mut bad) {
            out += &note(30_000, serde_json::json!({"note": "config", "config": "spam = 1\nspim = 2\n"}));
        }
        if line.contains("\"note\":\"recording\"") {
            out += &line.replace("\"clock\"", &format!("\"config\":{},\"clock\"", serde_json::json!(CONFIG)));
        } else {
            out += line;
        }
        out.push('\n');
    }
    (out.into_bytes(), changed)
}

fn followed() -> Configs {
    Configs::followed(model(), Some(CONFIG))
}

#[test]
fn a_jump_over_a_changed_config_shows_what_a_straight_run_shows() {
    let (bytes, _) = changed_drive();
    let mut player = Player::new(open(&bytes), followed()).unwrap();
    let mut told = player.snapshot().channels.len();
    for at in INSTANTS.into_iter().chain(INSTANTS.into_iter().rev()) {
        player
            .jump(at, &mut |seen| {
                // A reader makes room by the last snapshot that began a history.
                match seen {
                    Seen::Jumped(_, snapshot) => told = snapshot.channels.len(),
                    Seen::Step(snapshot) => assert_eq!(snapshot.channels.len(), told, "at {at}"),
                    Seen::Changed(_) => {}
                }
            })
            .unwrap();
        same(player.snapshot(), &straight(&bytes, followed(), at));
        let names: Vec<_> = player.model().channels.iter().map(|channel| channel.name.as_str()).collect();
        assert_eq!(
            names,
            if at < 12 * SECOND { vec!["level", "slope"] } else { vec!["level", "twice", "slope"] },
            "{at}"
        );
    }
    for (at, refused) in [(29 * SECOND, 0), (31 * SECOND, 1)] {
        player.jump(at, &mut quiet).unwrap();
        let trouble = (refused > 0).then_some(kickpanel::state::ConfigTrouble::Mistakes(2));
        assert_eq!((player.feed().refused().count, player.snapshot().config_trouble), (refused, trouble));
    }
    // Readings go on being counted over the change, forth and back.
    player.jump(18 * SECOND, &mut quiet).unwrap();
    player.step_forth(&mut quiet).unwrap();
    let forth = player.snapshot().clone();
    player.step_forth(&mut quiet).unwrap();
    player.step_back(&mut quiet).unwrap();
    same(player.snapshot(), &Snapshot { player: None, ..forth });
}

/// The config and the snapshot that a reader finds at one instant belong together.
#[track_caller]
fn pair(shared: &Shared, twice: &mut u32) {
    let mut snapshot = Snapshot::default();
    let nothing = Arc::new(config::Model::default());
    let model = shared.read(&nothing, &mut snapshot).unwrap();
    assert_eq!(model.channels.len(), snapshot.channels.len());
    // By the labels of the other config this would be the slope.
    if let Some(place) = model.channels.iter().position(|channel| channel.name == "twice") {
        let value = |place: usize| snapshot.channels[place].value.good();
        assert_eq!(value(place), value(0).map(|level| level * 2.0));
        *twice += u32::from(value(place).is_some());
    }
}

// While jumping to and fro the screen drew the values of one config under the labels of another for a moment, since the
// config was told apart from the snapshots. Looked at after whatever the player tells, so at all that a screen can find.
#[test]
fn a_jump_over_a_changed_config_never_publishes_its_values_with_the_other_config() {
    let (bytes, _) = changed_drive();
    let mut player = Player::new(open(&bytes), followed()).unwrap();
    let shared = Shared::new(Arc::clone(player.model()), player.snapshot().clone());
    let mut publish = publish_to(&shared);
    let (mut looks, mut twice) = (0, 0);
    let mut see = |seen: Seen<'_>| {
        publish(seen);
        pair(&shared, &mut twice);
        looks += 1;
    };
    for at in [20, 5, 12, 11, 35, 1].map(|second| second * SECOND) {
        player.jump(at, &mut see).unwrap();
    }
    player.set_speed(10.0, &mut see);
    for _ in 0..200 {
        player.advance(20_000, &mut see).unwrap();
    }
    assert!(looks > 1_000 && twice > 200, "{looks} {twice}");
    assert!(Arc::ptr_eq(&shared.model(), player.model()));
}

#[test]
fn the_same_config_is_the_same_model_however_often_it_is_jumped_over() {
    let (bytes, _) = changed_drive();
    let mut player = Player::new(open(&bytes), followed()).unwrap();
    let mut models = Vec::new();
    for at in [20, 5, 25, 0].map(|s| s * SECOND) {
        player.jump(at, &mut quiet).unwrap();
        models.push(player.model().clone());
    }
    assert!(Arc::ptr_eq(&models[0], &models[2]) && Arc::ptr_eq(&models[1], &models[3]));
    assert!(!Arc::ptr_eq(&models[0], &models[1]));
}

#[test]
fn a_config_that_the_user_named_decodes_all_of_it() {
    let (bytes, _) = changed_drive();
    let mut player = Player::new(open(&bytes), model()).unwrap();
    for at in INSTANTS.into_iter().rev() {
        player.jump(at, &mut quiet).unwrap();
        same(player.snapshot(), &straight(&drive(), model(), at));
    }
    assert_eq!(player.feed().refused().count, 0);
}

#[test]
fn the_config_of_a_later_head_is_in_force_from_there_on() {
    let (_, changed) = changed_drive();
    let head = |drive, config: &str| {
        serde_json::json!({"note": "recording", "format": 1, "drive": drive, "part": 1, "config": config}).to_string()
    };
    let line = "10\tengine\t<\t{\"t\":1,\"height\":7}\n";
    let text = format!("0\t-\t!\t{}\n{line}0\t-\t!\t{}\n{line}", head(1, CONFIG), head(2, &changed));
    let mut player = Player::new(open(text.as_bytes()), followed()).unwrap();
    player.jump(SECOND, &mut quiet).unwrap();
    let values: Vec<_> = player.snapshot().channels.iter().map(|shown| shown.value.good()).collect();
    assert_eq!(values, [Some(7.0), Some(14.0), None]);
}

#[test]
fn links_that_a_later_config_does_not_have_stay_counted() {
    let two = "format = 1\n[link.engine]\n[link.cabin]\n";
    let note = serde_json::json!({"note": "config", "config": "format = 1\n[link.cabin]\nform = \"pairs\"\n[channel.x]\ninput = \"x\"\n"});
    let text = format!(
        "0\tengine\t<\t{{\"t\":1}}\n1\tcabin\t<\t{{\"t\":1}}\n2\tcabin\t<\t{{\"t\":1000001}}\n3\t-\t!\t{note}\n\
         4\tengine\t<\t{{\"t\":9}}\n1500\tcabin\t<\tx=5\n1600\tcabin\t<\tx=6\n"
    );
    let mut recording = open(text.as_bytes())().unwrap();
    let loaded = Arc::new(config::load(two).model.unwrap());
    let mut feed = Feed::new(Configs::followed(loaded, Some(two)));
    let mut rows = Vec::new();
    while let Some(item) = recording.next().unwrap() {
        feed.item(&item, &mut |_| {});
        rows.push(feed.pipeline().snapshot().at);
    }
    let tally = feed.tally();
    assert_eq!((tally.lines, tally.readings, feed.links().stranger_lines()), (5, 5, 1));
    assert_eq!(feed.pipeline().snapshot().channels[0].value.good(), Some(6.0));
    // The link's clock is another now: the time of exports goes on by the computer's, which the first reading set to 0.
    assert!(rows.windows(2).all(|two| two[0] <= two[1]), "{rows:?}");
    assert_eq!(rows[6] - rows[5], 100_000);
}

/// A slow field of one drive says nothing about the next one, whether the config is the same, another, or the user's own.
#[rstest]
#[case::of_the_recording(true)]
#[case::given_by_the_user(false)]
fn another_drive_of_the_same_config_begins_anew(#[case] follows: bool) {
    const SLOW: &str = "format = 1\n[link.engine]\n[channel.fuel]\ninput = \"fuel\"\nfresh = \"10 s\"\n\
                        [channel.level]\ninput = \"height\"\n";
    let drive = |number: u32, lines: &[&str]| {
        let mut out = Vec::new();
        let config = serde_json::to_string(SLOW).unwrap();
        let head = format!(
            r#"{{"note":"recording","format":1,"program":"kickpanel 0.1.0","drive":{number},"part":1,"clock":"unset","config":{config}}}"#
        );
        write_line(Stamp(0), "-", Mark::Note, head.as_bytes(), &mut out);
        for (ms, line) in (0_i64..).zip(lines) {
            write_line(Stamp::from_millis(ms * 20), "engine", Mark::Received, line.as_bytes(), &mut out);
        }
        out
    };
    let folder = tempfile::tempdir().unwrap();
    let first = drive(1, &[r#"{"s":0,"t":20000,"fuel":4.39,"height":1}"#]);
    std::fs::write(folder.path().join("000001-01.kpr"), first).unwrap();
    let second = drive(2, &[r#"{"s":0,"t":10000,"height":2}"#, r#"{"s":1,"t":30000,"fuel":0.49,"height":3}"#]);
    std::fs::write(folder.path().join("000002-01.kpr"), second).unwrap();
    let model = Arc::new(config::load(SLOW).model.unwrap());
    let configs: Configs = if follows { Configs::followed(model, Some(SLOW)) } else { model.into() };
    let mut feed = Feed::new(configs);
    let mut seen = Vec::new();
    let mut recording = Recording::open(&[folder.path().to_path_buf()]).unwrap();
    while let Some(item) = recording.next().unwrap() {
        feed.item(&item, &mut |_| {});
        let channels = &feed.pipeline().snapshot().channels;
        seen.push((channels[0].value.good(), channels[1].value.good()));
    }
    seen.dedup();
    let expected = [(None, None), (Some(4.39), Some(1.0)), (None, None), (None, Some(2.0)), (Some(0.49), Some(3.0))];
    assert_eq!(seen, expected);
}
