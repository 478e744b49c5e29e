//! Pairs from recordings, with the built program: what is refused, what is written, and what stays as it was.

use std::fs;
use std::os::unix::fs::{PermissionsExt as _, symlink};

use kickpanel::circuit::{Circuit, Rail, counts};
use kickpanel::sensor::Thermistor;
use rstest::rstest;
use rustix::process::Signal;

use crate::verbs::bench::{Bench, Running};
use crate::verbs::board;

/// A config that decodes what [`capture`] holds.
const CONFIG: &str = r#"# The bench.
format = 1
[link.engine]
form = "counts"

[channel.oil]   # first
input = "a1"
sensor = { kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "8 bar"], ratiometric = "5 V" }
unit = "bar"
span = [0, 8]

# The pot.
[channel.coolant]
input = "a0"
circuit = { kind = "pullup", resistor = "1 kohm" }
sensor = { kind = "thermistor", points = [["0 degC", "6000 ohm"], ["40 degC", "1200 ohm"], ["100 degC", "190 ohm"]] } # pot
unit = "degC"
span = [0, 120]

[channel.heater]
input = "d4"
"#;

/// The temperatures of the pot, ten seconds each.
const POT: [f64; 5] = [2.0, 25.0, 50.0, 75.0, 98.0];

/// Fifty readings a second: each ten seconds another temperature and another pressure (0.4, 2, 3.6, 5.2, 6.8 bar raw, to
/// the count), a slow rise behind them, then a broken wire.
fn capture() -> String {
    // Not the thermistor of the config: what a calibration is for.
    let pot = Thermistor::from_points([(0.0, 6500.0), (40.0, 1260.0), (100.0, 197.0)], None).unwrap();
    let wired = Circuit::PullUp { resistor: 1000.0, to: Rail::Supply };
    let mut text = String::new();
    for number in 0..3500_u16 {
        let second = usize::from(number / 50);
        let (celsius, bar) = match second / 10 {
            step @ 0..=4 => (POT[step], [0.4, 2.0, 3.6, 5.2, 6.8][step]),
            5 => (98.0, 1.0 + f64::from(number % 500) / 100.0),
            _ => (98.0, f64::NAN),
        };
        let ohm = pot.inverse(celsius).unwrap();
        let a0 = counts(wired.inverse(ohm, 5.0), 1023.0, 5.0);
        let a1 = if bar.is_nan() { 0.0 } else { counts(0.5 + bar / 2.0, 1023.0, 5.0) };
        text.push_str(&board::reading(number, &format!("\"vcc\":5000,\"a0\":{a0},\"a1\":{a1}")));
    }
    text
}

fn bench() -> Bench {
    let bench = Bench::new();
    bench.write("kickpanel.toml", CONFIG);
    bench.write("pot.txt", capture());
    bench
}

#[test]
fn two_pairs_give_gain_and_offset_and_the_curve_then_reads_as_the_gauge() {
    let bench = bench();
    let ran = bench.run(&[
        "calibrate",
        "oil",
        "pot.txt",
        "--at",
        "5",
        "--reads",
        "0.5 bar",
        "--at",
        "0:45",
        "--reads",
        "710 kPa",
        "--against",
        "master gauge",
        "--yes",
    ]);
    assert_eq!((ran.status, ran.err.as_str()), (Some(0), ""), "{}", ran.out);
    assert!(ran.out.contains("Written to kickpanel.toml; the old text is in kickpanel.toml."), "{}", ran.out);
    let names = bench.names(".");
    let copy = names.iter().find(|name| name.starts_with("kickpanel.toml.")).unwrap();
    assert_eq!(bench.read(copy), CONFIG);
    let new = bench.read("kickpanel.toml");
    let (before, rest) = new.split_once("[channel.oil.calibration]\n").unwrap();
    let (table, after) = rest.split_once("\n\n").unwrap();
    assert_eq!(format!("{before}{after}"), CONFIG);
    assert!(table.ends_with("against = \"master gauge\""), "{table}");
    // 0.4 bar are 0.7 V, which the converter gives as 143 counts: 0.6982 V.
    for (volts, bar) in [("143 counts", 0.5), ("798 counts", 7.1)] {
        let json = bench.run(&["curve", "oil", "--at", volts, "--json"]).done();
        let answer: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert!((answer["value"].as_f64().unwrap() - bar).abs() < 1e-6, "{json}");
    }
}

#[test]
fn five_pairs_say_how_good_the_line_is() {
    let ran = bench().run(&[
        "calibrate",
        "oil",
        "pot.txt",
        "--yes",
        "--at",
        "5",
        "--reads",
        "0.5",
        "--at",
        "15",
        "--reads",
        "2",
        "--at",
        "25",
        "--reads",
        "3.7",
        "--at",
        "35",
        "--reads",
        "5.2",
        "--at",
        "45",
        "--reads",
        "6.9",
    ]);
    assert_eq!(ran.status, Some(0), "{}", ran.err);
    assert!(ran.out.contains("standard error ") && ran.out.contains(" bar over 5 pairs"), "{}", ran.out);
    assert!(ran.out.contains("standard deviation of gain "), "{}", ran.out);
}

/// The pot of a true thermistor is read right again, at temperatures between the pairs too, to what a count makes.
#[rstest]
#[case::three(&[0, 2, 4], "points = [[\"2 degC\", ")]
#[case::five(&[0, 1, 2, 3, 4], "abc = [")]
fn a_refit_finds_the_thermistor_that_is_really_there(#[case] steps: &[usize], #[case] written: &str) {
    let bench = bench();
    let mut arguments: Vec<String> =
        ["calibrate", "coolant", "pot.txt", "--refit", "--yes"].map(str::to_owned).to_vec();
    for &step in steps {
        arguments.extend(["--at".into(), (step * 10 + 5).to_string(), "--reads".into(), POT[step].to_string()]);
    }
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let ran = bench.run(&arguments);
    assert_eq!((ran.status, ran.err.as_str()), (Some(0), ""), "{}", ran.out);
    let new = bench.read("kickpanel.toml");
    let (before, after) = CONFIG.split_once("points = [[\"0 degC\"").unwrap();
    let after = &after[after.find("]] }").unwrap()..];
    assert!(new.starts_with(&format!("{before}{written}")) && new.ends_with(&after[2..]), "{new}");
    let pot = Thermistor::from_points([(0.0, 6500.0), (40.0, 1260.0), (100.0, 197.0)], None).unwrap();
    for celsius in [5.0, 30.0, 60.0, 90.0] {
        let at = format!("{} ohm", pot.inverse(celsius).unwrap());
        let json = bench.run(&["curve", "coolant", "--at", &at, "--json"]).done();
        let answer: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert!((answer["value"].as_f64().unwrap() - celsius).abs() < 0.4, "{celsius}: {json}");
    }
}

#[test]
fn without_being_asked_a_refit_that_is_better_is_named() {
    let ran = bench().run(&[
        "calibrate",
        "coolant",
        "pot.txt",
        "--at",
        "5",
        "--reads",
        "0",
        "--at",
        "25",
        "--reads",
        "53",
        "--at",
        "45",
        "--reads",
        "98",
    ]);
    assert_eq!((ran.status, ran.err.as_str()), (Some(1), "kickpanel: nothing was written\n"));
    assert!(ran.out.contains("new constants for the thermistor would come nearer"), "{}", ran.out);
}

#[rstest]
#[case::moving(&["--at", "55", "--reads", "3"], "pair 1 at 55 s: still moving: by 1.3 bar within 5 s, at most 0.04 bar")]
#[case::between_two(&["--at", "5", "--reads", "0", "--at", "20", "--reads", "3"], "pair 2 at 20 s: still moving: by 1.6 bar within 5 s, at most 0.04 bar")]
#[case::untrusted(&["--at", "65", "--reads", "3"], "pair 1 at 65 s: not trusted: short to gnd")]
#[case::at_the_beginning(&["--at", "0", "--reads", "3"], "pair 1 at 0 s: only 2.5 s of readings, of the 5 s that are wanted")]
#[case::after_the_end(&["--at", "2:00", "--reads", "3"], "pair 1 at 120 s: no reading there; the recording ends at 70.0 s")]
fn a_raw_value_that_is_not_steady_or_not_trusted_is_refused(#[case] pairs: &[&str], #[case] why: &str) {
    let bench = bench();
    let ran = bench.run(&[&["calibrate", "oil", "pot.txt", "--yes"], pairs].concat());
    ran.refused(
        1,
        &format!(
            "kickpanel: {why}\nkickpanel: nothing was written; look with `kickpanel replay` for a time at which the value stands \
             still\n"
        ),
    );
    assert_eq!((bench.read("kickpanel.toml").as_str(), bench.names(".").len()), (CONFIG, 2));
}

#[test]
fn pairs_too_near_each_other_are_refused() {
    let bench = bench();
    let pairs = ["--at", "4", "--reads", "1", "--at", "6", "--reads", "2"];
    bench.run(&[&["calibrate", "oil", "pot.txt", "--yes"][..], &pairs].concat()).refused(
        1,
        "kickpanel: the raw values of the pairs lie only 0 bar apart; a slope needs at least 0.8 bar, a tenth of the scale: take \
         one pair low and one high, or leave a single one for an offset. Nothing was written\n",
    );
}

#[rstest]
#[case::no_reads(&["calibrate", "oil", "pot.txt", "--at", "5"], "each --at needs a --reads behind it; there are 1 and 0")]
#[case::no_pairs(&["calibrate", "oil", "pot.txt"], "a recording needs --at TIME and --reads VALUE, for example --at 4:10 --reads 20")]
#[case::wrong_unit(&["calibrate", "oil", "pot.txt", "--at", "5", "--reads", "20 degC"], "--reads: 20 degC is no reading in bar; for example \"7 bar\"")]
#[case::switch(&["calibrate", "heater", "pot.txt", "--at", "5", "--reads", "1"], "heater is a switch: it is on or off")]
#[case::unknown(&["calibrate", "oli", "pot.txt", "--at", "5", "--reads", "1"], "there is no channel oli; did you mean oil?")]
#[case::hidden(&["calibrate", "oil", "pot.txt", "--at", "5", "--reads", "1", "--against", "\u{202e}x"], "--against takes up to 80 plain characters that name the gauge")]
fn wrong_usage_is_2(#[case] arguments: &[&str], #[case] err: &str) {
    bench().run(arguments).refused(2, &format!("kickpanel: {err}\n"));
}

#[test]
fn without_a_terminal_pairs_come_from_a_recording() {
    bench().run(&["calibrate", "oil"]).refused(
        3,
        "kickpanel: pairs are typed at a terminal, and this is none; take them from a recording: calibrate CHANNEL FILE --at TIME \
         --reads VALUE\n",
    );
}

#[test]
fn it_asks_and_only_yes_is_yes() {
    for (answer, written) in [("y\n", true), ("yes\n", true), ("n\n", false), ("\n", false), ("", false)] {
        let bench = bench();
        bench.write("answer", answer);
        let ran = bench.run_fed(&["calibrate", "oil", "pot.txt", "--at", "5", "--reads", "1"], "answer");
        assert!(ran.out.contains("Write it to kickpanel.toml? [y/N] "), "{}", ran.out);
        assert_eq!(
            (ran.status, bench.read("kickpanel.toml") != CONFIG),
            (Some(i32::from(!written)), written),
            "{answer:?}"
        );
    }
}

#[test]
fn a_link_is_followed_rights_stay_and_a_second_copy_has_its_own_name() {
    let bench = bench();
    let real = bench.write("real/k.toml", CONFIG);
    fs::set_permissions(&real, fs::Permissions::from_mode(0o604)).unwrap();
    fs::remove_file(bench.path("kickpanel.toml")).unwrap();
    symlink(&real, bench.path("kickpanel.toml")).unwrap();
    for _ in 0..2 {
        bench.run(&["calibrate", "oil", "pot.txt", "--at", "5", "--reads", "1", "--yes"]).done();
    }
    assert!(fs::symlink_metadata(bench.path("kickpanel.toml")).unwrap().is_symlink());
    let names = bench.names("real");
    assert!(names.len() == 3 && names[2].ends_with("-2"), "{names:?}");
    assert_eq!(
        (bench.read(&format!("real/{}", names[1])).as_str(), bench.read("real/k.toml") != CONFIG),
        (CONFIG, true)
    );
    assert_eq!(fs::metadata(&real).unwrap().permissions().mode() & 0o7777, 0o604);
}

/// Fault H5 with the built program, ended at fourteen moments; each step in between is in the room's own test.
#[test]
fn killed_at_any_moment_the_file_is_the_old_or_the_new_one() {
    let bench = bench();
    let arguments = ["calibrate", "oil", "pot.txt", "--at", "5", "--reads", "1", "--yes"];
    bench.run(&arguments).done();
    let new = bench.read("kickpanel.toml");
    for moment in 0..14_u64 {
        bench.write("kickpanel.toml", CONFIG);
        let mut command = bench.command(&arguments);
        command.stdout(std::process::Stdio::null());
        let mut run = Running::start(&mut command);
        std::thread::sleep(std::time::Duration::from_millis(moment * 4));
        run.send(Signal::KILL);
        run.ended();
        let held = bench.read("kickpanel.toml");
        assert!(held == CONFIG || held == new, "after {moment}:\n{held}");
    }
}
