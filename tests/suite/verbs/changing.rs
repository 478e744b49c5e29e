//! A config that is changed while driving, from outside: the drive on a real pseudo-terminal, its replay and its export
//! agree; and what `export` makes of channels that come and go, of mistakes, and of lines that were cut off.

use std::fmt::Write as _;

use rustix::process::Signal;
use serde_json::{Value, json};

use super::bench::{Bench, until};
use super::board::{Board, CHANNEL, FOUR_BAR, SIX_BAR, reading};
use super::driving::bench;
use super::seat::Seat;
use super::trouble::notes;

const FILE: &str = "data/kickpanel/recordings/000001-01.kpr";

/// `text` with a page of trends, which have each number as plain text.
fn with_page(text: &str, show: &[&str]) -> String {
    let at = text.find("[[page]]").unwrap();
    let cells: Vec<_> =
        show.iter().map(|name| format!("{{ show = \"{name}\", as = \"trend\", last = \"10 s\" }}")).collect();
    format!("{}[[page]]\nname = \"Bench\"\nrows = [[{}]]\n", &text[..at], cells.join("], ["))
}

#[test]
fn live_screen_replay_and_export_agree_over_a_change_of_the_config() {
    let bench = bench();
    let first = with_page(&bench.read("kickpanel.toml"), &["oil"]);
    bench.write("kickpanel.toml", &first);
    let board = Board::at(&bench.path("port0"), &format!("{FOUR_BAR},\"a2\":256"));
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    // Another calibration, a channel more, an alarm that sounds soon.
    let more = "[channel.oil.calibration]\ngain = 1.1\noffset = 0.2\n\
        [[channel.oil.alarm]]\nlevel = \"danger\"\nabove = 5\nafter = \"100 ms\"\ntext = \"Oil high\"\n\
        [channel.tank]\ninput = \"a2\"\nunit = \"V\"\ndigits = 2\n";
    let changed = with_page(&first.replace("[[page]]", &format!("{more}[[page]]")), &["oil", "tank"]);
    bench.replace("kickpanel.toml", &changed);
    // By hand: 4 × 1.1 + 0.2, and a quarter of the supply, which is 1.1 V × 1024 / 225 = 5.0062 V.
    seat.until("4.6 bar");
    seat.until("1.25 V");
    board.say(&format!("{SIX_BAR},\"a2\":256"));
    seat.until("Oil high");
    seat.send("q");
    seat.ends_well();

    let told = notes(&bench, 1);
    assert_eq!(told.iter().filter(|note| note["note"] == "config").count(), 1);
    let alarm = told.iter().find(|note| note["note"] == "alarm").unwrap();
    let at = moment_of_change(&bench);

    // The export: every row by the config that was in force, in the columns of both. By hand: 717 of 1024 of 5 V are
    // 3.5009765625 V, so 6.001953125 bar, times 1.1 and 0.2 more.
    let ran = bench.run(&["export", FILE, "--states"]);
    assert_eq!(ran.status, Some(0), "{}", ran.err);
    let mut rows = ran.out.lines();
    assert_eq!(rows.next(), Some("time_s,oil [bar],oil.state,tank [V],tank.state"));
    let rows: Vec<Vec<&str>> = rows.map(|row| row.split(',').collect()).collect();
    let (before, after): (Vec<_>, Vec<_>) = rows.iter().partition(|row| row[4].is_empty());
    assert!(before.len() >= 5 && after.len() >= 5, "{} and {} rows", before.len(), after.len());
    assert!(before.iter().all(|row| row[1..] == ["4", "ok", "", ""]), "{before:?}");
    let numbers = |place: usize| after.iter().map(move |row| row[place].parse::<f64>().unwrap());
    assert!(numbers(1).all(|oil| (oil - 4.6).abs() < 1e-9 || (oil - 6.802_148_437_5).abs() < 1e-9), "{after:?}");
    assert!(numbers(3).all(|tank| (tank - 1.1 * 1024.0 / 225.0 / 4.0).abs() < 1e-9));
    assert!(rows.windows(2).all(|two| two[0][0].parse::<f64>().unwrap() < two[1][0].parse().unwrap()));
    // The alarm's note was written by the drive itself: the export has the very same number somewhere.
    let sounded = alarm["value"].as_f64().unwrap();
    assert!(numbers(1).any(|oil| oil.to_bits() == sounded.to_bits()), "{sounded}");

    // The replay: forth over the change, and back before it.
    let mut seat = Seat::start(&bench, &["replay", FILE, "--speed", "100"]);
    seat.until_that("it has come to its end", |seat| seat.status().starts_with(" end "));
    seat.until("Oil high");
    seat.until("1.25 V");
    seat.send("q");
    seat.ends_well();
    let shortly = format!("{:.3}", at - 0.05);
    let mut seat = Seat::start(&bench, &["replay", FILE, "--from", &shortly, "--paused"]);
    seat.until("4.0 bar");
    assert!(!seat.text().contains("tank"), "{}", seat.text());
    for _ in 0..6 {
        seat.send("f");
    }
    seat.until("6.8 bar");
    seat.until("1.25 V");
    for _ in 0..6 {
        seat.send("b");
    }
    seat.until("4.0 bar");
    assert!(!seat.text().contains("tank"), "{}", seat.text());
    seat.send("q");
    seat.ends_well();

    // A config that the user names decodes all of it.
    bench.write("named.toml", &first);
    let ran = bench.run(&["-c", "named.toml", "export", FILE]);
    assert!(ran.out.starts_with("time_s,oil [bar]\n0,4\n"), "{}", ran.out);
    assert_eq!(ran.out.lines().count(), rows.len() + 1);
}

/// Where the note of the change stands, s.
fn moment_of_change(bench: &Bench) -> f64 {
    let text = bench.read(FILE);
    let line = text.lines().find(|line| line.contains("\"note\":\"config\"")).unwrap();
    line.split('\t').next().unwrap().parse::<f64>().unwrap() / 1e3
}

#[test]
fn a_part_that_begins_after_the_change_has_the_changed_config_in_its_head() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive", "--no-screen"]);
    until("readings are heard", || board.heard() > 10);
    let changed = bench.read("kickpanel.toml").replace("\"8 bar\"", "\"4 bar\"");
    bench.replace("kickpanel.toml", &changed);
    until("the change is noted", || bench.read(FILE).contains("\"note\":\"config\""));
    seat.signal(Signal::TERM);
    assert_eq!(seat.ended().code(), Some(0));
    let ran = bench.run(&["export", FILE]);
    let values: Vec<_> = ran.out.lines().skip(1).map(|row| row.split(',').nth(1).unwrap()).collect();
    assert_eq!((values[0], *values.last().unwrap()), ("4", "2"));
}

/// A recording by hand: the head, then what `parts` say, a reading each 20 ms between them.
fn by_hand(first: &str, parts: &[(u16, Value)]) -> String {
    let head =
        json!({ "note": "recording", "format": 1, "program": "by hand", "drive": 1, "part": 1, "config": first });
    let mut text = format!("0\t-\t!\t{head}\n");
    for number in 0..100 {
        for (_, note) in parts.iter().filter(|(at, _)| *at == number) {
            writeln!(text, "{}\t-\t!\t{note}", u32::from(number) * 20 - 5).unwrap();
        }
        write!(text, "{}\tengine\t<\t{}", u32::from(number) * 20, reading(number, &format!("{FOUR_BAR},\"a2\":256")))
            .unwrap();
    }
    text
}

fn head() -> String {
    format!("format = 1\n[link.engine]\nreference = \"1.1 V\"\n{CHANNEL}")
}

fn config_note(text: &str) -> Value {
    json!({ "note": "config", "config": text })
}

/// A sum in the summary's sentence of [`by_hand`].
const SUM: &str = "kickpanel: 100 lines: 100 readings, 0 hellos; 0 lost, 0 controller restarts";

#[test]
fn channels_that_come_and_go_have_columns_of_their_own() {
    let bench = Bench::new();
    let tank = format!("{}\n[channel.tank]\ninput = \"a2\"\nunit = \"V\"\n", head());
    let pascal = tank
        .replace("[\"0 bar\", \"8 bar\"]", "[\"0 kPa\", \"800 kPa\"]")
        .replace("unit = \"bar\"\nspan = [0, 8]", "unit = \"kPa\"");
    let text = by_hand(&head(), &[(30, config_note(&tank)), (60, config_note(&pascal)), (90, config_note(&head()))]);
    bench.write("drive.kpr", &text);
    let ran = bench.run(&["export", "drive.kpr", "--states", "--summary", "sum.json"]);
    assert_eq!((ran.status, ran.err.as_str()), (Some(0), format!("{SUM}\n").as_str()));
    let rows: Vec<_> = ran.out.lines().collect();
    assert_eq!(rows[0], "time_s,oil [bar],oil.state,tank [V],tank.state,oil [kPa],oil [kPa].state");
    let tank = 1.1 * 1024.0 / 225.0 * 256.0 / 1024.0;
    assert_eq!(rows[1], "0,4,ok,,,,");
    assert_eq!(rows[30], "0.58,4,ok,,,,");
    assert_eq!(rows[31], format!("0.6,4,ok,{tank},ok,,"));
    assert_eq!(rows[61], format!("1.2,,,{tank},ok,400,ok"));
    assert_eq!(rows[91], "1.8,4,ok,,,,");
    let summary: Value = serde_json::from_str(&bench.read("sum.json")).unwrap();
    assert_eq!((&summary["lines"], &summary["readings"]), (&100.into(), &100.into()));

    let json = bench.run(&["export", "drive.kpr", "--to", "jsonl"]);
    let rows: Vec<_> = json.out.lines().collect();
    assert_eq!(rows[0], "{\"time_s\":0,\"oil\":4,\"states\":{}}");
    assert_eq!(rows[60], format!("{{\"time_s\":1.2,\"tank\":{tank},\"oil [kPa]\":400,\"states\":{{}}}}"));

    // Through a pipe nothing later is known when the first row is written.
    let piped = bench.run_fed(&["export", "-"], "drive.kpr");
    assert!(piped.out.starts_with("time_s,oil [bar]\n0,4\n"), "{}", piped.out);
    assert_eq!(piped.out.lines().nth(61), Some("1.2,"));
    assert_eq!(
        piped.err,
        format!(
            "{SUM}\nkickpanel: left out, since the config was changed while driving and the first row was written by then: \
             tank [V], oil [kPa]; save the recording to a file and export that\n"
        )
    );
    assert_eq!(bench.run_fed(&["export", "-", "--to", "jsonl"], "drive.kpr").out, json.out, "lines have no head");
}

#[test]
fn a_resampled_row_after_a_change_waits_for_the_next_reading() {
    let bench = Bench::new();
    let mut text = by_hand(&head(), &[(50, config_note(&head()))]);
    // Four readings after the change are missing, so that the next one comes at 1.08 s; the row at 1.05 s lies before it.
    let lines = text.split_inclusive('\n').collect::<Vec<_>>();
    text = lines.iter().enumerate().filter(|(number, _)| !(52..56).contains(number)).map(|(_, line)| *line).collect();
    bench.write("drive.kpr", text);
    let ran = bench.run(&["export", "drive.kpr", "--every", "0.05", "--states"]);
    let rows: Vec<_> = ran.out.lines().collect();
    assert_eq!(rows[20..24], ["0.95,4,ok", "1,,missing", "1.05,,missing", "1.1,4,ok"]);
}

#[test]
fn a_config_with_mistakes_is_passed_over_and_said_once() {
    let bench = Bench::new();
    let bad = head().replace("8 bar", "8 degC").replace("span", "spam");
    let notes = [(20, config_note(&bad)), (40, json!({ "note": "config" }))];
    bench.write("one.kpr", by_hand(&head(), &notes[..1]));
    bench.write("two.kpr", by_hand(&head(), &notes));
    bench.write("none.kpr", by_hand(&head(), &[]));
    let whole = bench.run(&["export", "none.kpr"]).out;
    let (one, two) = (bench.run(&["export", "one.kpr"]), bench.run(&["export", "two.kpr"]));
    assert_eq!((one.status, &one.out, &two.out), (Some(0), &whole, &whole));
    let rest = "the first at 0.395 s with 2 mistakes; what follows is decoded by the one before\n";
    assert_eq!(
        one.err,
        format!("{SUM}\nkickpanel: 1 config in the recording has mistakes and stayed out of force, {rest}")
    );
    assert_eq!(
        two.err,
        format!("{SUM}\nkickpanel: 2 configs in the recording have mistakes and stayed out of force, {rest}")
    );
    bench.write("named.toml", head());
    assert_eq!(bench.run(&["-c", "named.toml", "export", "two.kpr"]).err, format!("{SUM}\n"));
    let mut seat = Seat::start(&bench, &["replay", "two.kpr", "--from", "1", "--paused"]);
    seat.until("4.0 bar");
    seat.until("! config 1 wrong");
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_config_in_a_strangers_recording_moves_nothing_but_numbers() {
    let bench = Bench::new();
    rustix::fs::mknodat(
        rustix::fs::CWD,
        bench.path("port"),
        rustix::fs::FileType::Fifo,
        rustix::fs::Mode::from_raw_mode(0o600),
        0,
    )
    .unwrap();
    // Opening a pipe that nobody writes to would wait for ever.
    let hostile = head().replace("[link.engine]", &format!("[link.engine]\ndevice = \"{}\"", bench.name("port")))
        + &format!(
            "\n[record]\nfolder = \"{}\"\n[output.heater]\npin = \"d7\"\non = \"oil > 0\"\narmed = true\n",
            bench.name("trap")
        );
    bench.write("drive.kpr", by_hand(&hostile, &[(50, config_note(&hostile.replace("8 bar", "4 bar")))]));
    let before = bench.names(".");
    let ran = bench.run(&["export", "drive.kpr"]);
    assert_eq!((ran.status, ran.out.lines().nth(1), ran.out.lines().last()), (Some(0), Some("0,4"), Some("1.98,2")));
    let mut seat = Seat::start(&bench, &["replay", "drive.kpr", "--from", "1.5", "--paused"]);
    seat.until("2.0 bar");
    seat.send("q");
    seat.ends_well();
    assert_eq!(bench.names("."), before);
}

#[test]
fn bytes_of_a_line_that_was_cut_off_count_as_damage() {
    let bench = Bench::new();
    let text = by_hand(&head(), &[]);
    // The last line is 99's: cut in its middle, and just before its LF.
    let last = text.trim_end().rfind('\n').unwrap() + 1;
    for (cut, dropped) in [(last + 20, 20), (text.len() - 1, text.len() - 1 - last)] {
        bench.write("drive.kpr", &text[..cut]);
        let ran = bench.run(&["export", "drive.kpr", "--summary", "sum.json"]);
        assert_eq!(
            ran.err,
            format!(
                "{}; {dropped} bytes of a line cut off at the end dropped\n",
                SUM.replace("100 lines: 100", "99 lines: 99")
            )
        );
        let summary: Value = serde_json::from_str(&bench.read("sum.json")).unwrap();
        assert_eq!(summary["damage_bytes"], dropped);
    }
    // The same of a bare capture.
    let bare: Vec<_> = text.lines().filter_map(|line| line.split_once("\t<\t")).map(|(_, line)| line).collect();
    bench.write("caught.txt", format!("{}\n{{\"s\":1", bare.join("\n")));
    bench.write("own.toml", head());
    let ran = bench.run(&["-c", "own.toml", "export", "caught.txt", "--summary", "sum.json"]);
    assert_eq!(ran.err, format!("{SUM}; 6 bytes of a line cut off at the end dropped\n"));
    let summary: Value = serde_json::from_str(&bench.read("sum.json")).unwrap();
    assert_eq!((&summary["damage_bytes"], &summary["lines"]), (&6.into(), &100.into()));
}
