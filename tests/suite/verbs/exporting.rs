//! `export`: every way to hand a recording in, every text that comes out.

use std::io::Read as _;
use std::process::Stdio;

use rstest::rstest;
use serde_json::Value;

use super::bench::{Bench, Ran, Running};
use super::board::{FOUR_BAR, config, reading};

/// A recording of half a minute of the demo, plain and packed.
fn recorded() -> Bench {
    let bench = Bench::new();
    bench.run(&["demo", "--write", "drive.kpr", "--minutes", "0.5"]).done();
    bench.run(&["demo", "--write", "drive.kpr.zst", "--minutes", "0.5"]).done();
    bench
}

/// The rows, where all went well.
#[track_caller]
fn rows(ran: Ran) -> String {
    assert_eq!(ran.status, Some(0), "{}", ran.err);
    ran.out
}

#[test]
fn what_is_no_recording_is_told_in_a_sentence() {
    let bench = Bench::new();
    bench.write("empty.kpr", "");
    std::fs::create_dir(bench.path("folder")).unwrap();
    for (name, sentence) in [
        ("nowhere.kpr", "nowhere.kpr: there is no such file or folder; check the name"),
        (
            "folder",
            "folder: no recording in this folder; recordings end in .kpr or .kpr.zst, and a bare capture can be named itself",
        ),
        ("empty.kpr", "empty.kpr: the file is empty; the power may have gone before anything was written"),
    ] {
        bench.run(&["export", name]).refused(3, &format!("kickpanel: {sentence}\n"));
    }
}

#[test]
fn plain_packed_standard_input_and_folder_give_the_same_rows() {
    let bench = recorded();
    let plain = bench.run(&["export", "drive.kpr"]);
    assert_eq!(plain.err, "kickpanel: 1505 lines: 1499 readings, 6 hellos; 0 lost, 0 controller restarts\n");
    let plain = rows(plain);
    assert_eq!(plain.lines().count(), 1 + 1499, "a head, and a row for each reading");
    assert_eq!(rows(bench.run(&["export", "drive.kpr.zst"])), plain);
    for input in ["drive.kpr", "drive.kpr.zst"] {
        assert_eq!(rows(bench.run_fed(&["export", "-"], input)), plain, "{input} on standard input");
    }
    std::fs::create_dir(bench.path("folder")).unwrap();
    std::fs::rename(bench.path("drive.kpr"), bench.path("folder/000001-01.kpr")).unwrap();
    assert_eq!(rows(bench.run(&["export", "folder"])), plain);
}

/// Several drives in one running time are told; parts of one drive are one.
#[test]
fn drives_that_are_joined_are_counted() {
    let bench = recorded();
    let told = "kickpanel: 2 drives are joined: time_s goes on from each to the next, and the time between them is left out; \
                export each alone to have it begin at 0, for example `kickpanel export 000001-*.kpr*`\n";
    std::fs::create_dir(bench.path("folder")).unwrap();
    bench.write("folder/000001-01.kpr", bench.read("drive.kpr"));
    let one = bench.run(&["export", "folder"]);
    assert!(!one.err.contains("joined"), "{}", one.err);
    bench.write("folder/000002-01.kpr", bench.read("drive.kpr"));
    for named in [&["export", "folder"][..], &["export", "drive.kpr", "drive.kpr.zst"]] {
        let both = bench.run(named);
        assert!(both.err.ends_with(told), "{named:?}: {}", both.err);
        assert_eq!(rows(both).lines().count(), 1 + 2 * 1499);
    }
}

#[test]
fn a_head_names_the_unit_but_not_of_a_pure_number() {
    let csv = rows(recorded().run(&["export", "drive.kpr"]));
    let head = csv.lines().next().unwrap();
    assert!(head.starts_with("time_s,rpm [1/min],speed [km/h],oil [bar],coolant [degC],"), "{head}");
    assert!(head.contains(",heater,supply [V],uneven [%],"), "{head}");
}

/// Columns of a text of comma-separated values.
fn column(csv: &str, name: &str) -> Vec<String> {
    let place = csv.lines().next().unwrap().split(',').position(|head| head == name).unwrap();
    csv.lines().skip(1).map(|row| row.split(',').nth(place).unwrap().to_owned()).collect()
}

#[test]
fn csv_and_json_lines_hold_the_same_numbers_to_the_last_bit() {
    let bench = recorded();
    let csv = rows(bench.run(&["export", "drive.kpr", "--states"]));
    let json: Vec<Value> = rows(bench.run(&["export", "drive.kpr", "--to", "jsonl"]))
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(json.len(), 1499);
    for (name, head) in [("time_s", "time_s"), ("feed", "feed [bar]"), ("uneven", "uneven [%]"), ("heater", "heater")] {
        let states = if name == "time_s" { Vec::new() } else { column(&csv, &format!("{name}.state")) };
        let cells = column(&csv, head);
        let mut numbers = 0;
        for (row, (object, cell)) in json.iter().zip(&cells).enumerate() {
            let number = object[name].as_f64();
            assert_eq!(cell.parse::<f64>().ok().map(f64::to_bits), number.map(f64::to_bits), "{name} in row {row}");
            numbers += usize::from(number.is_some());
            if let Some(state) = states.get(row) {
                assert_eq!(object["states"][name].as_str().unwrap_or("ok"), state);
                assert_eq!(cell.is_empty(), state != "ok", "empty where the state is not ok");
            }
        }
        assert!(numbers > 1000, "{name} has {numbers} numbers");
    }
    assert!(column(&csv, "heater").iter().all(|cell| ["0", "1"].contains(&cell.as_str())), "a switch is 0 or 1");
}

#[test]
fn resampled_rows_are_a_step_apart_and_hold_what_was_last() {
    let bench = recorded();
    let every = rows(bench.run(&["export", "drive.kpr", "--every", "0.1"]));
    let all = rows(bench.run(&["export", "drive.kpr"]));
    let (times, all_times) = (column(&every, "time_s"), column(&all, "time_s"));
    let (air, all_air) = (column(&every, "feed [bar]"), column(&all, "feed [bar]"));
    assert_eq!(times.len(), 300, "29.96 s and the beginning");
    for (number, (time, value)) in times.iter().zip(&air).enumerate() {
        let time: f64 = time.parse().unwrap();
        assert_eq!(time, number as f64 / 10.0);
        let last = all_times.iter().rposition(|other| other.parse::<f64>().unwrap() <= time).unwrap();
        assert_eq!(*value, all_air[last], "at {time} s");
    }
}

/// Three good readings, one with a wrong checksum, one that was lost, two bytes of noise, and a good one.
fn capture() -> String {
    let good = |number| reading(number, FOUR_BAR);
    let bad = good(3).replace("512", "513");
    format!("{}{}{}{bad}\n\n#!\r\n{}", good(0), good(1), good(2), good(5))
}

#[test]
fn a_bare_capture_is_read_with_a_config_and_counted() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config("/dev/ttyUSB0"));
    bench.write("caught.txt", capture());
    let ran = bench.run(&["export", "caught.txt", "--states", "--summary", "sum.json"]);
    let wanted = "time_s,oil [bar],oil.state\n0,4,ok\n0.02,4,ok\n0.04,4,ok\n0.1,4,ok\n";
    assert_eq!((ran.status, ran.out.as_str()), (Some(0), wanted));
    assert_eq!(
        ran.err,
        "kickpanel: 6 lines: 4 readings, 0 hellos; 2 lost, 0 controller restarts; refused: malformed 1, checksum 1\n"
    );
    let summary: Value = serde_json::from_str(&bench.read("sum.json")).unwrap();
    for (name, count) in
        [("lines", 6), ("readings", 4), ("hellos", 0), ("lost", 2), ("restarts", 0), ("damage_bytes", 0)]
    {
        assert_eq!(summary[name], count, "{name}");
    }
    assert_eq!((&summary["refused"]["checksum"], &summary["refused"]["malformed"]), (&1.into(), &1.into()));
}

#[test]
fn restarts_are_counted_by_the_reasons_that_hellos_give() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config("/dev/ttyUSB0"));
    let hello = |reason: &str| {
        let mut line = format!(
            "{{\"hello\":{{\"format\":1,\"fw\":\"1\",\"board\":\"x\",\"reset\":\"{reason}\",\"adc_max\":1023,\"analog\":6,\
             \"pulse\":[],\"digital\":[],\"output\":[],\"rate_hz\":50,\"up_ms\":3}}"
        );
        kickpanel::wire::seal(&mut line);
        line + "\n"
    };
    let boot = |told: &str| (0..5).fold(told.to_owned(), |text, number| text + &reading(number, FOUR_BAR));
    let boots = ["power-on", "brown-out", "", "brown-out", "watchdog"];
    let lines: String = boots.map(|why| boot(&if why.is_empty() { String::new() } else { hello(why) })).concat();
    bench.write("caught.txt", lines);
    let ran = bench.run(&["export", "caught.txt", "--summary", "sum.json"]);
    assert_eq!(
        (ran.status, ran.err.as_str()),
        (
            Some(0),
            "kickpanel: 29 lines: 25 readings, 4 hellos; 0 lost, 4 controller restarts (2 brown-out, 1 watchdog, 1 unknown)\n"
        )
    );
    let summary: Value = serde_json::from_str(&bench.read("sum.json")).unwrap();
    assert_eq!(summary["restarts"], 4);
    let resets = serde_json::json!({ "brown-out": 2, "watchdog": 1, "external": 0, "power-on": 0, "unknown": 1 });
    assert_eq!(summary["resets"], resets);
}

#[test]
fn a_recording_without_one_good_reading_answers_no() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config("/dev/ttyUSB0"));
    bench.write("noise.txt", "nothing\nat all\n");
    let ran = bench.run(&["export", "noise.txt"]);
    assert_eq!((ran.status, ran.out.as_str()), (Some(1), "time_s,oil [bar]\n"));
}

#[test]
fn a_packed_file_that_is_cut_gives_the_rows_before_the_cut_and_3() {
    let bench = recorded();
    let whole = rows(bench.run(&["export", "drive.kpr.zst"]));
    let packed = std::fs::read(bench.path("drive.kpr.zst")).unwrap();
    bench.write("cut.kpr.zst", &packed[..packed.len() - 100]);
    let ran = bench.run(&["export", "cut.kpr.zst"]);
    assert_eq!(ran.status, Some(3));
    assert!(whole.starts_with(&ran.out));
    assert!(ran.out.lines().count() > 1, "no row came out");
    let told: Vec<_> = ran.err.lines().collect();
    assert_eq!(
        told[0],
        "kickpanel: cut.kpr.zst: the packed file ends too soon, as if copying it was broken off; what is there is used; copy it again"
    );
    assert_eq!(told[2], "kickpanel: not everything could be read; the rows hold what could");
}

#[test]
fn after_a_part_that_breaks_off_the_next_one_is_read() {
    let bench = recorded();
    let packed = std::fs::read(bench.path("drive.kpr.zst")).unwrap();
    bench.write("cut.kpr.zst", &packed[..packed.len() - 100]);
    let alone = bench.run(&["export", "cut.kpr.zst"]).out.lines().count();
    let both = bench.run(&["export", "cut.kpr.zst", "drive.kpr"]);
    assert_eq!(both.status, Some(3));
    assert_eq!(both.out.lines().count(), alone + 1499);
}

#[test]
fn damage_in_the_middle_is_stepped_over_and_counted() {
    let bench = recorded();
    let whole = rows(bench.run(&["export", "drive.kpr"]));
    let mut bytes = std::fs::read(bench.path("drive.kpr")).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 40].fill(0);
    bench.write("hit.kpr", bytes);
    let ran = bench.run(&["export", "hit.kpr", "--summary", "sum.json"]);
    let lines = rows(ran).lines().count();
    assert!((whole.lines().count() - 3..whole.lines().count()).contains(&lines), "{lines} lines are left");
    let summary: Value = serde_json::from_str(&bench.read("sum.json")).unwrap();
    assert!(summary["damage_bytes"].as_u64().unwrap() >= 40, "{summary}");
}

#[rstest]
#[case::csv(&["export", "drive.kpr"])]
#[case::json_lines(&["export", "drive.kpr", "--to", "jsonl"])]
#[case::demo(&["demo", "--write", "-", "--minutes", "1"])]
fn a_reader_who_has_seen_enough_is_no_failure(#[case] arguments: &[&str]) {
    let bench = recorded();
    let mut command = bench.command(arguments);
    let errors = tempfile::NamedTempFile::new().unwrap();
    let (mut near, far) = std::io::pipe().unwrap();
    command.stdout(far).stderr(errors.reopen().unwrap()).stdin(Stdio::null());
    let mut running = Running::start(&mut command);
    // As long as the command lives it holds the pipe open.
    drop(command);
    near.read_exact(&mut [0; 10]).unwrap();
    drop(near);
    assert_eq!(running.ended().code(), Some(0));
    assert_eq!(std::fs::read_to_string(errors.path()).unwrap(), "");
}

#[test]
fn a_summary_that_cannot_be_written_is_told() {
    let bench = recorded();
    std::fs::create_dir(bench.path("folder")).unwrap();
    let ran = bench.run(&["export", "drive.kpr", "--summary", "folder"]);
    assert_eq!(ran.status, Some(3));
    assert_eq!(ran.err, "kickpanel: cannot write the summary folder: it is a folder; name a file in it\n");
}

#[test]
fn a_full_disk_is_told() {
    let bench = recorded();
    let mut command = bench.command(&["export", "drive.kpr"]);
    let errors = tempfile::NamedTempFile::new().unwrap();
    let full = std::fs::File::options().write(true).open("/dev/full").unwrap();
    command.stdout(full).stderr(errors.reopen().unwrap());
    assert_eq!(Running::start(&mut command).ended().code(), Some(3));
    let told = std::fs::read_to_string(errors.path()).unwrap();
    assert_eq!(told, "kickpanel: cannot write the rows: No space left on device (os error 28)\n");
}

/// Three readings, one of them twice, and a silence of two seconds: bare, so that the controller's clock is all there is.
const SILENCE: &str = "{\"t\":0,\"s\":1,\"ext\":1}\n{\"t\":400000,\"s\":2,\"ext\":2}\n{\"t\":400000,\"s\":2,\"ext\":2}\n{\"t\":2400000,\"s\":3,\"ext\":4}\n";

#[test]
fn a_resampled_row_is_empty_once_its_value_would_be_stale() {
    let bench = Bench::new();
    bench.write("silence.jsonl", SILENCE);
    bench.write(
        "own.toml",
        "format = 1\n[channel.e]\ninput = \"ext\"\nfresh = \"500 ms\"\n[channel.f]\nformula = \"e * 2\"\n",
    );
    let rows = rows(bench.run(&["-c", "own.toml", "export", "--every", "0.4", "silence.jsonl"]));
    let wanted = "time_s,e,f\n0,1,2\n0.4,2,4\n0.8,2,4\n1.2,,\n1.6,,\n2,,\n2.4,4,8\n";
    assert_eq!(rows, wanted);
}

#[test]
fn a_reading_that_came_twice_has_its_row_twice_at_the_same_time() {
    let bench = Bench::new();
    bench.write("silence.jsonl", SILENCE);
    bench.write("own.toml", "format = 1\n[channel.e]\ninput = \"ext\"\n");
    let rows = rows(bench.run(&["-c", "own.toml", "export", "silence.jsonl"]));
    assert_eq!(rows, "time_s,e\n0,1\n0.4,2\n0.4,2\n2.4,4\n");
}

#[rstest]
#[case::config_given(&["-c", "own.toml", "export", "letter.txt"], 1, "letter.txt holds no reading: none of its 2 lines is one that the link of the config reads.")]
#[case::replayed(&["-c", "own.toml", "replay", "letter.txt"], 3, "letter.txt holds no reading: none of its 2 lines is one that the link of the config reads.")]
#[case::no_config(&["export", "letter.txt"], 3, "what was named does not begin like a recording of kickpanel, so it would be read as a capture of the controller's lines, and for that a config is needed: no config file found;")]
fn a_text_that_is_no_recording_is_called_so(#[case] arguments: &[&str], #[case] status: i32, #[case] says: &str) {
    let bench = Bench::new();
    bench.write("letter.txt", "Dear all,\nthe engine falters.\n");
    bench.write("own.toml", "format = 1\n[channel.e]\ninput = \"ext\"\n");
    let mut seat = super::seat::Seat::with(bench.command(arguments), (80, 24));
    assert_eq!(seat.ended().code(), Some(status));
    assert!(seat.errors().contains(says), "{}", seat.errors());
}
