//! `check`, and every config that is none.

use rstest::rstest;
use serde_json::Value;

use super::bench::Bench;
use super::board::config;
use super::seat::Seat;

const OVER: &str = "is over 1 MB; a config is a few pages of text, so this is probably another file";

#[test]
fn without_a_config_every_place_is_named() {
    let bench = Bench::new();
    let sentence = format!(
        "kickpanel: no config file found; looked for kickpanel.toml, {}, /etc/kickpanel/kickpanel.toml. Name one with \
         -c FILE, or try `kickpanel demo`, which brings its own\n",
        bench.name("settings/kickpanel/kickpanel.toml")
    );
    for verb in [["check"].as_slice(), &["check", "--json"], &["drive"]] {
        bench.run(verb).refused(3, &sentence);
    }
}

#[rstest]
#[case::here("kickpanel.toml")]
#[case::users("settings/kickpanel/kickpanel.toml")]
fn the_usual_places_are_looked_at(#[case] place: &str) {
    let bench = Bench::new();
    bench.write(place, config("/dev/ttyUSB0"));
    assert!(bench.run(&["check"]).done().starts_with("Bench: no mistakes. 1 channel, 0 alarms.\n"));
}

#[test]
fn the_config_of_this_folder_comes_before_the_users() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config("/dev/ttyUSB0"));
    bench.write("settings/kickpanel/kickpanel.toml", "format = 2\n");
    bench.run(&["check"]).done();
}

#[test]
fn what_cannot_be_read_is_told_with_its_name() {
    let bench = Bench::new();
    std::fs::create_dir(bench.path("folder")).unwrap();
    bench.write("latin.toml", b"format = 1\nname = \"L\xe4rm\"\n");
    bench.write("over.toml", vec![b'#'; 1_000_001]);
    bench.write("ten.toml", vec![b'#'; 10_000_000]);
    for (name, sentence) in [
        ("nowhere.toml", "cannot open the config nowhere.toml; check the path and who may read it: No such file or directory (os error 2)".to_owned()),
        ("folder", "the config folder is a folder; name the file in it".to_owned()),
        ("latin.toml", "the config latin.toml is not UTF-8 text (first at line 2); save it as UTF-8".to_owned()),
        ("over.toml", format!("the config over.toml {OVER}")),
        ("ten.toml", format!("the config ten.toml {OVER}")),
        ("/dev/zero", format!("the config /dev/zero {OVER}")),
    ] {
        bench.run(&["-c", name, "check"]).refused(3, &format!("kickpanel: {sentence}\n"));
    }
}

#[test]
fn a_config_of_1_mb_is_still_read() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", vec![b'#'; 1_000_000]);
    bench.run(&["check"]).done();
}

#[test]
fn an_empty_config_has_no_mistake_and_nothing_in_it() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", "");
    let wanted = "This config: no mistakes. 0 channels, 0 alarms.\n\nNothing would be shown: describe a signal in [channel.NAME]; config/README.md lists every key.\n\n\
        Pins on link: used none\n  free on an ATmega328P: a0 a1 a2 a3 a4 a5 2 3 4 5 6 7 8 9 10 11 12 13 (p2 counts pulses on pin 2, d4 reads the level of pin 4)\n\n\
        Link link: no device given; good for recordings, `drive` needs one\n  \
        Lines without a checksum are taken until 8 right ones came. Once the controller sends them, set\n  \
        checksum = \"required\": without, about four in ten lines that lost one byte give a wrong value.\n";
    assert_eq!(bench.run(&["check"]).done(), wanted);
}

/// One mistake in a key and one in a quantity.
fn two_mistakes() -> String {
    config("/dev/ttyUSB0").replace("checksum =", "cheksum =").replace("\"8 bar\"", "\"8 degC\"")
}

const REPORT: &str = r#"kickpanel.toml:6:1: link.engine: unknown key `cheksum`
  |
6 | cheksum = "required"
  | ^^^^^^^ did you mean `checksum`?

kickpanel.toml:12:71: channel.oil: `to` needs a pressure
   |
12 | sensor = { kind = "linear", from = ["0.5 V", "4.5 V"], to = ["0 bar", "8 degC"], ratiometric = …
   |                                                                       ^^^^^^^^ a temperature; for example "7 bar"
"#;

#[rstest]
#[case::check(&["check"])]
#[case::drive(&["drive"])]
#[case::demo(&["-c", "kickpanel.toml", "demo"])]
fn every_mistake_is_reported_at_once_and_the_answer_is_no(#[case] arguments: &[&str]) {
    let bench = Bench::new();
    bench.write("kickpanel.toml", two_mistakes());
    let ran = bench.run(arguments);
    assert_eq!((ran.status, ran.out.as_str()), (Some(1), ""));
    // How the report stands on the page is the config room's; here it is that all of it arrives.
    let lines =
        |text: &str| text.lines().map(|line| line.trim_end().to_owned()).filter(|l| !l.is_empty()).collect::<Vec<_>>();
    assert_eq!(lines(&ran.err), lines(REPORT));
    assert!(!ran.err.contains('\x1b'), "no colour where there is no terminal");
}

#[rstest]
#[case::by_default(None, true)]
#[case::not_wanted(Some("1"), false)]
#[case::empty_is_not_set(Some(""), true)]
fn the_report_has_colour_on_a_terminal_unless_no_color_is_set(#[case] no_color: Option<&str>, #[case] coloured: bool) {
    let bench = Bench::new();
    bench.write("kickpanel.toml", two_mistakes());
    let mut command = bench.command(&["check"]);
    if let Some(value) = no_color {
        command.env("NO_COLOR", value);
    }
    let mut seat = Seat::whole(command);
    assert_eq!(seat.ended().code(), Some(1));
    assert!(seat.text().contains("did you mean `checksum`?"), "{}", seat.text());
    assert_eq!(seat.has_colour(), coloured);
}

#[test]
fn a_good_config_is_listed_with_channels_pins_and_links() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config("/dev/ttyUSB0"));
    let wanted = "Bench: no mistakes. 1 channel, 0 alarms.\n\n\
        CHANNEL  INPUT  CIRCUIT  SENSOR               UNIT\n\
        oil      a1     direct   linear, ratiometric  bar\n\n\
        Pins on engine: used a1\n  free on an ATmega328P: a0 a2 a3 a4 a5 2 3 4 5 6 7 8 9 10 11 12 13 (p2 counts pulses on pin 2, d4 reads the level of pin 4)\n\n\
        Link engine: /dev/ttyUSB0 at 500000 baud\n";
    assert_eq!(bench.run(&["check"]).done(), wanted);
}

const OUTPUTS: &str = "[output.heater]\npin = \"d7\"\non = \"oil < 5\"\noff_if = \"oil > 7\"\nlongest = \"30 s\"\nrest = \"10 s\"\n\
    [output.fan]\npin = \"d8\"\non = \"oil > 0\"\narmed = true\n\
    [output.needle]\npin = \"w6\"\nfrom = \"oil\"\npoints = [[0, \"5 %\"], [8, \"100 %\"]]\n";

#[test]
fn each_output_is_listed_with_its_rule_and_what_should_be_known_of_its_pin() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config("/dev/ttyUSB0") + OUTPUTS);
    let out = bench.run(&["check"]).done();
    let wanted = "\nOutput heater on d7: not armed: computed and shown, never sent\n  \
          on       oil < 5\n  \
          off_if   oil > 7\n  \
          longest  30 s in one go\n  \
          rest     10 s off between two, and at the start\n  \
          lease    1 s: without the program it is at rest after that\n\n\
        Output fan on d8: armed\n  \
          on       oil > 0\n  \
          off_if   none\n  \
          longest  no limit\n  \
          rest     1 s off between two, and at the start\n  \
          lease    1 s: without the program it is at rest after that\n  \
          Warning: kickpanel's own firmware, as `kickpanel firmware` writes it, drives d7, d12, f9, w6 and not d8.\n  \
          Use one of those, change its board.h, or have a sketch of your own that names d8 in its hello.\n\n\
        Output needle on w6: not armed: computed and shown, never sent\n  \
          from     oil\n  \
          points   0 bar: 5 %, 8 bar: 100 %\n  \
          rest_at  0 % while oil cannot be trusted\n  \
          lease    1 s: without the program it is at rest after that\n\n\
        Fuse at the source; a heater wants a contactor rated for its current, never this board.\n\
        Local codes and a licensed electrician or mechanic come first.\n";
    assert!(out.contains(wanted), "{out}");
    let json: Value = serde_json::from_str(&bench.run(&["check", "--json"]).done()).unwrap();
    let [heater, fan, needle] = [0, 1, 2].map(|place| &json["outputs"][place]);
    assert_eq!((&heater["on"], &heater["off_if"]), (&"oil < 5".into(), &"oil > 7".into()));
    assert_eq!(
        (&heater["longest_s"], &heater["rest_s"], &heater["lease_s"]),
        (&30.0.into(), &10.0.into(), &1.0.into())
    );
    assert_eq!((&heater["armed"], &fan["armed"], &fan["longest_s"]), (&false.into(), &true.into(), &Value::Null));
    assert_eq!([&heater["advice"], &fan["advice"]].map(|advice| advice.as_array().unwrap().len()), [0, 1]);
    assert_eq!(
        (&needle["from"], &needle["points"][1][1], &needle["rest_at"]),
        (&"oil".into(), &1.0.into(), &0.0.into())
    );
}

#[test]
fn json_is_one_document_with_and_without_mistakes() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config("/dev/ttyUSB0"));
    let good: Value = serde_json::from_str(&bench.run(&["check", "--json"]).done()).unwrap();
    assert_eq!(good["ok"], true);
    assert_eq!(good["channels"][0]["name"], "oil");
    assert_eq!(good["channels"][0]["unit"], "bar");
    bench.write("kickpanel.toml", two_mistakes());
    let ran = bench.run(&["check", "--json"]);
    assert_eq!((ran.status, ran.err.as_str()), (Some(1), ""));
    let bad: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(bad["ok"], false);
    let told: Vec<_> = bad["mistakes"].as_array().unwrap().iter().map(|one| (&one["line"], &one["what"])).collect();
    assert_eq!(told, [(&6.into(), &"unknown key `cheksum`".into()), (&12.into(), &"`to` needs a pressure".into())]);
}

#[test]
fn control_characters_of_a_config_reach_no_terminal() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", "format = 1\nname = \"\x1b[2J\u{9b}2J\u{202e}\"\n\x1b[31m = 1\n");
    std::fs::rename(bench.path("kickpanel.toml"), bench.path("\x1b[2J\u{202e}.toml")).unwrap();
    let ran = bench.run(&["-c", "\x1b[2J\u{202e}.toml", "check"]);
    assert_eq!(ran.status, Some(1));
    let missing = bench.run(&["-c", "\x1b[2J\u{202e}.tom", "check"]);
    assert_eq!(missing.status, Some(3));
    for hostile in ['\x1b', '\u{9b}', '\u{202e}'] {
        assert!(!ran.err.contains(hostile), "{:?}", ran.err);
        assert!(!missing.err.contains(hostile), "{:?}", missing.err);
    }
}
