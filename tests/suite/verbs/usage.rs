//! Help, wrong usage, completions: what `commands.md` says of exit status, and every sentence word for word.

use rstest::rstest;

use super::bench::Bench;

#[rstest]
#[case::program("program", &["--help"])]
#[case::drive("drive", &["drive", "--help"])]
#[case::replay("replay", &["replay", "--help"])]
#[case::demo("demo", &["demo", "--help"])]
#[case::check("check", &["check", "--help"])]
#[case::wiggle("wiggle", &["wiggle", "--help"])]
#[case::calibrate("calibrate", &["calibrate", "--help"])]
#[case::curve("curve", &["curve", "--help"])]
#[case::export("export", &["export", "--help"])]
#[case::list("list", &["list", "--help"])]
#[case::firmware("firmware", &["firmware", "--help"])]
#[case::completions("completions", &["completions", "--help"])]
fn help_is_a_result_and_says_what_there_is(#[case] name: &str, #[case] arguments: &[&str]) {
    let help = Bench::new().run(arguments).done();
    assert!(help.lines().all(|line| line.chars().count() <= 100), "{help}");
    insta::with_settings!({ prepend_module_to_snapshot => false, snapshot_path => "../snapshots", omit_expression => true }, {
        insta::assert_snapshot!(format!("help_{name}"), help);
    });
}

#[test]
fn the_version_is_a_result() {
    let out = Bench::new().run(&["--version"]).done();
    assert_eq!(out, format!("kickpanel {}\n", env!("CARGO_PKG_VERSION")));
}

#[test]
fn no_arguments_are_wrong_usage_and_the_help_goes_to_standard_error() {
    let bench = Bench::new();
    let help = bench.run(&["--help"]).done();
    bench.run(&[]).refused(2, &help);
}

const TRY_HELP: &str = "\nFor more information, try '--help'.\n";

#[rstest]
#[case::unknown_verb(&["fly"], "error: unrecognized subcommand 'fly'\n\nUsage: kickpanel [OPTIONS] <COMMAND>\n")]
#[case::export_what(&["export"], "error: the following required arguments were not provided:\n  <FILE>...\n\nUsage: kickpanel export <FILE>...\n")]
#[case::replay_what(&["replay"], "error: the following required arguments were not provided:\n  <FILE>...\n\nUsage: kickpanel replay <FILE>...\n")]
#[case::unknown_text(&["export", "--to", "xml", "x"], "error: invalid value 'xml' for '--to <TO>'\n  [possible values: csv, jsonl]\n")]
#[case::no_time(&["replay", "--from", "noon", "x"], "error: invalid value 'noon' for '--from <TIME>': noon is no time; write seconds, minutes:seconds or hours:minutes:seconds, for example 1:23.5\n")]
#[case::too_slow(&["replay", "--speed", "0.09", "x"], "error: invalid value '0.09' for '--speed <N>': 0.09 is no speed; write a number from 0.1 to 100, for example --speed 2\n")]
#[case::too_fast(&["replay", "--speed", "101", "x"], "error: invalid value '101' for '--speed <N>': 101 is no speed; write a number from 0.1 to 100, for example --speed 2\n")]
#[case::no_speed(&["replay", "--speed", "nan", "x"], "error: invalid value 'nan' for '--speed <N>': nan is no speed; write a number from 0.1 to 100, for example --speed 2\n")]
#[case::no_pictures(&["drive", "--frames", "0"], "error: invalid value '0' for '--frames <N>': 0 is no number of pictures; write one from 1 to 240, for example --frames 20\n")]
#[case::no_step(&["export", "--every", "0", "x"], "error: invalid value '0' for '--every <SECONDS>': 0 is no step; write seconds, from 0.001 to 86400, for example --every 0.5\n")]
#[case::step_back(&["export", "--every", "-1", "x"], "error: invalid value '-1' for '--every <SECONDS>': -1 is no step; write seconds, from 0.001 to 86400, for example --every 0.5\n")]
#[case::no_number_of_seconds(&["export", "--every", "nan", "x"], "error: invalid value 'nan' for '--every <SECONDS>': nan is no step; write seconds, from 0.001 to 86400, for example --every 0.5\n")]
#[case::with_a_unit(&["export", "--every", "1s", "x"], "error: invalid value '1s' for '--every <SECONDS>': 1s is no step; write seconds, from 0.001 to 86400, for example --every 0.5\n")]
#[case::no_minutes(&["demo", "--write", "x.kpr", "--minutes", "0"], "error: invalid value '0' for '--minutes <MINUTES>': 0 is no length; write minutes, more than 0 and at most 1440 (a day), for example --minutes 10\n")]
#[case::over_a_day(&["demo", "--write", "x.kpr", "--minutes", "1440.1"], "error: invalid value '1440.1' for '--minutes <MINUTES>': 1440.1 is no length; write minutes, more than 0 and at most 1440 (a day), for example --minutes 10\n")]
#[case::before_the_beginning(&["replay", "--from", "-3", "x"], "error: invalid value '-3' for '--from <TIME>': -3 is no time; write seconds, minutes:seconds or hours:minutes:seconds, for example 1:23.5\n")]
#[case::backwards(&["replay", "--speed", "-1", "x"], "error: invalid value '-1' for '--speed <N>': -1 is no speed; write a number from 0.1 to 100, for example --speed 2\n")]
#[case::no_seed(&["demo", "--seed", "-1"], "error: invalid value '-1' for '--seed <N>': -1 is no seed; write a whole number, 0 or more, for example --seed 7\n")]
#[case::minutes_of_nothing(&["demo", "--minutes", "2"], "error: the following required arguments were not provided:\n  --write <FILE>\n\nUsage: kickpanel demo --write <FILE> --minutes <MINUTES> [STORY]\n")]
#[case::unknown_shell(&["completions", "abc"], "error: invalid value 'abc' for '<SHELL>'\n  [possible values: bash, elvish, fish, powershell, zsh]\n")]
fn wrong_usage_is_2_and_says_what_is_wrong(#[case] arguments: &[&str], #[case] err: &str) {
    Bench::new().run(arguments).refused(2, &format!("{err}{TRY_HELP}"));
}

#[rstest]
#[case::unknown_story(&["demo", "fliter"], "there is no story fliter; there are filter, ground, supply, healthy, restart, lines")]
#[case::backwards(&["replay", "--from", "20", "--to", "20", "x"], "--to must lie after --from")]
fn what_only_shows_later_is_wrong_usage_too(#[case] arguments: &[&str], #[case] err: &str) {
    let bench = Bench::new();
    bench.run(arguments).refused(2, &format!("kickpanel: {err}\n"));
    assert_eq!(bench.names("."), [""; 0], "nothing was written");
}

#[rstest]
#[case("bash", "_kickpanel() {")]
#[case("zsh", "#compdef kickpanel")]
#[case("fish", "complete -c kickpanel")]
fn completions_know_every_verb(#[case] shell: &str, #[case] begins: &str) {
    let script = Bench::new().run(&["completions", shell]).done();
    assert!(script.starts_with(begins) || script.contains(&format!("\n{begins}")), "{script}");
    for verb in ["drive", "replay", "demo", "check", "curve", "calibrate", "export", "list", "completions"] {
        assert!(script.contains(verb), "{shell} does not know {verb}");
    }
}
