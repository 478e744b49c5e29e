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
    assert!(bench.run(&["check"]).done().starts_with("Bench: no mistakes. 1 channel, 0 alarms, 0 events.\n"));
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
    let wanted = "This config: no mistakes. 0 channels, 0 alarms, 0 events.\nRead from kickpanel.toml\n\nNothing would be shown: describe a signal in [channel.NAME]; config/README.md lists every key.\n\n\
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
2 mistakes
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
    let wanted = "Bench: no mistakes. 1 channel, 0 alarms, 0 events.\nRead from kickpanel.toml\n\n\
        CHANNEL  INPUT  CIRCUIT  SENSOR               UNIT\n\
        oil      a1     direct   linear, ratiometric  bar\n\n\
        Stale, where nothing else is set: after 5 of its usual intervals, at least 0.5 s; 2 s at the start.\n\
        Sensor supply: no limits are set; for 5 V, [trust] supply = [\"4.5 V\", \"5.5 V\"] sets them.\n\
        Ground shift (three or more sensors that step together): looked for.\n\n\
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

/// A channel with every rule, an alarm on each side, and an event.
const RULES: &str = r#"format = 1
name = "Bench"
[trust]
supply = ["4.5 V", "5.5 V"]
ground_shift = false
[channel.rpm]
input = "p2"
unit = "Hz"
[channel.oil]
input = "a1"
unit = "V"
span = [0, 5]
fresh = "2 s"
fastest = "60 V/s"
stuck = { after = "60 s", band = 1, when = "rpm > 10" }
[[channel.oil.alarm]]
level = "danger"
below = 0.8
after = "1 s"
until = "3 s"
when = "rpm > 10"
text = "Stop"
[[channel.oil.alarm]]
level = "caution"
above = 4.5
text = "Look"
[event.stumble]
when = "rpm < 8"
lasts = "200 ms"
"#;

#[test]
fn rules_of_trust_alarms_and_events_in_force_are_listed() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", RULES);
    let out = bench.run(&["check"]).done();
    for rows in [
        "Bench: no mistakes. 2 channels, 2 alarms, 1 event.\nRead from kickpanel.toml\n",
        "NOT TRUSTED  STALE AFTER  FASTER THAN  STUCK AFTER\n\
         oil          2 s          60 V/s       60 s within 1 counts while rpm > 10\n",
        "Sensor supply: outside of 4.5 V to 5.5 V nothing that hangs on it is trusted.\n\
         Ground shift (three or more sensors that step together): not looked for.\n",
        "EVENT    WHEN     LASTS  APART  BEFORE  AFTER\nstumble  rpm < 8  0.2 s  ",
    ] {
        assert!(out.contains(rows), "{rows}\nis not in\n{out}");
    }
}

#[test]
fn json_has_every_limit_in_force_under_the_names_that_the_help_gives() {
    let bench = Bench::new();
    bench.write("kickpanel.toml", RULES);
    let all: Value = serde_json::from_str(&bench.run(&["check", "--json"]).done()).unwrap();
    assert_eq!((&all["config"], &all["name"]), (&"kickpanel.toml".into(), &"Bench".into()));
    assert_eq!(all["trust"], serde_json::json!({ "supply_v": [4.5, 5.5], "ground_shift": false }));
    let oil = &all["channels"][1];
    assert_eq!(
        (&oil["stale_after_s"], &oil["fastest_per_s"], &oil["span"][1]),
        (&2.0.into(), &60.0.into(), &5.0.into())
    );
    assert_eq!(oil["stuck"], serde_json::json!({ "after_s": 60.0, "band": 1.0, "when": "rpm > 10" }));
    assert_eq!(all["channels"][0]["stale_after_s"], Value::Null);
    let low = serde_json::json!({ "channel": "oil", "level": "danger", "below": 0.8, "above": null, "unit": "V",
        "deadband": 0.05, "after_s": 1.0, "until_s": 3.0, "when": "rpm > 10", "latch": false, "text": "Stop" });
    assert_eq!(all["alarms"][0], low);
    assert_eq!((&all["alarms"][1]["above"], &all["alarms"][1]["below"]), (&4.5.into(), &Value::Null));
    assert_eq!((&all["events"][0]["name"], &all["events"][0]["lasts_s"]), (&"stumble".into(), &0.2.into()));
    assert_eq!(all["pins"][0]["used"], serde_json::json!(["p2", "a1"]));
    // Each name of the document stands in the help.
    let help = bench.run(&["check", "--help"]).done();
    for name in all.as_object().unwrap().keys() {
        assert!(help.contains(&format!("`{name}`")), "{name} is not in the help");
    }
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
