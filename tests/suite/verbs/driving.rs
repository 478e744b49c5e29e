//! `drive` on a terminal with a real pseudo-terminal as its port: values, silence, plugs, marks, changed configs.

use rstest::rstest;

use super::bench::{Bench, until};
use super::board::{Board, FOUR_BAR, SIX_BAR, config};
use super::seat::Seat;
use super::trouble::notes;

/// A bench whose config reads the first port that is named `port*` in its folder.
pub fn bench() -> Bench {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config(&bench.name("port*")));
    bench
}

#[test]
fn a_value_is_shown_goes_stale_and_comes_back() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    assert!(seat.status().contains("drive 1 recording") || seat.status().contains("lines/s"), "{}", seat.status());
    board.say(SIX_BAR);
    seat.until("6.0 bar");
    board.say("");
    seat.until("stale");
    assert!(!seat.text().contains("6.0 bar"), "an untrusted value is not a number:\n{}", seat.text());
    board.say(FOUR_BAR);
    seat.until("4.0 bar");
    seat.is_within();
    seat.send("q");
    seat.ends_well();
}

#[test]
fn an_unplugged_board_is_told_and_found_again_under_another_name() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    drop(board);
    seat.until("engine: unplugged");
    seat.until("! unplugged");
    let _board = Board::at(&bench.path("port1"), SIX_BAR);
    seat.until("6.0 bar");
    assert!(!seat.text().contains("unplugged"), "{}", seat.text());
    seat.send("q");
    seat.ends_well();
    let told = notes(&bench, 1);
    let links: Vec<_> = told.iter().filter(|note| note["note"] == "link").map(|note| &note["state"]).collect();
    assert_eq!(links, ["up", "down", "up"]);
}

#[test]
fn a_port_that_is_not_there_yet_is_waited_for() {
    let bench = bench();
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("engine: no such port: ");
    // Its end tells it from others, and has room in every line.
    seat.until("port*");
    let _board = Board::at(&bench.path("port0"), FOUR_BAR);
    seat.until("4.0 bar");
    seat.send("q");
    seat.ends_well();
}

#[test]
fn the_mark_key_leaves_a_note_and_says_so() {
    let bench = bench();
    let _board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    seat.send("m");
    seat.until("mark 1 at 0:");
    seat.send("q");
    seat.ends_well();
    assert_eq!(notes(&bench, 1).iter().filter(|note| note["note"] == "mark").count(), 1);
}

#[test]
fn without_a_screen_a_drive_records_and_tells_in_lines_of_text() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive", "--no-screen"]);
    until("readings are heard", || board.heard() > 20);
    seat.signal(rustix::process::Signal::TERM);
    let status = seat.ended();
    let told = "kickpanel: link engine: open\nkickpanel: recording drive 1\n";
    assert_eq!((status.code(), seat.errors().as_str()), (Some(0), told));
    assert_eq!(seat.text(), "");
    assert_eq!(notes(&bench, 1).last().unwrap()["note"], "closed");
}

/// A service tells by its lines alone what the screen would show.
#[test]
fn without_a_screen_alarms_and_a_link_of_noise_are_told_in_lines_of_text() {
    let bench = bench();
    let alarm =
        "[[channel.oil.alarm]]\nlevel = \"danger\"\nbelow = 5\nafter = \"100 ms\"\ntext = \"Stop the engine\"\n";
    bench.write("kickpanel.toml", bench.read("kickpanel.toml").replace("[[page]]", &format!("{alarm}[[page]]")));
    let mut seat = Seat::start(&bench, &["drive", "--no-screen", "--no-record"]);
    let not_there = format!("kickpanel: link engine: {} is not there; looked for until it is\n", bench.name("port*"));
    seat.until_that("the port is named", |seat| seat.errors() == not_there);
    let board = Board::at(&bench.path("port0"), SIX_BAR);
    seat.until_that("it is open", |seat| seat.errors().ends_with("kickpanel: link engine: open\n"));
    board.say(FOUR_BAR);
    let began = "kickpanel: danger: oil below 5.0 bar: 4.0 bar. Stop the engine\n";
    seat.until_that("the alarm is told", |seat| seat.errors().ends_with(began));
    board.say(SIX_BAR);
    seat.until_that("its end is told", |seat| seat.errors().ends_with("kickpanel: over: danger: oil below 5.0 bar\n"));
    // A member that is none spoils every line.
    board.say("\"a1\":,");
    let refused = "kickpanel: link engine: open, but every line is of another form: is `form` right?\n";
    seat.until_that("what is refused is told", |seat| seat.errors().ends_with(refused));
    board.say(SIX_BAR);
    seat.until_that("it is well again", |seat| seat.errors().ends_with("kickpanel: link engine: open\n"));
    seat.signal(rustix::process::Signal::TERM);
    assert_eq!(seat.ended().code(), Some(0));
}

#[rstest]
#[case::by_default(None, true)]
#[case::not_wanted(Some("1"), false)]
fn the_screen_has_colour_unless_no_color_is_set(#[case] no_color: Option<&str>, #[case] coloured: bool) {
    let bench = bench();
    // A limit that is passed at once: colour means a state.
    let alarm = "[[channel.oil.alarm]]\nlevel = \"danger\"\nbelow = 5\nafter = \"100 ms\"\ntext = \"Oil low\"\n";
    bench.write("kickpanel.toml", bench.read("kickpanel.toml").replace("[[page]]", &format!("{alarm}[[page]]")));
    let _board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut command = bench.command(&["drive", "--no-record"]);
    if let Some(value) = no_color {
        command.env("NO_COLOR", value);
    }
    let mut seat = Seat::with(command, (80, 24));
    seat.until("Oil low");
    assert_eq!(seat.has_colour(), coloured);
    seat.send("q");
    seat.ends_well();
}

#[test]
fn no_record_records_nothing() {
    let bench = bench();
    let _board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    seat.until("4.0 bar");
    seat.send("q");
    seat.ends_well();
    assert_eq!(bench.names("data"), [""; 0]);
}

#[test]
fn a_good_change_of_the_config_is_taken_over_while_driving() {
    let bench = bench();
    let _board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("4.0 bar");
    let changed = bench.read("kickpanel.toml").replace("Oil pressure", "Lubrication").replace("\"8 bar\"", "\"4 bar\"");
    bench.replace("kickpanel.toml", &changed);
    seat.until("Lubrication");
    seat.until("2.0 bar");
    assert!(!seat.text().contains("Oil pressure"), "{}", seat.text());
    seat.send("q");
    seat.ends_well();
    let told = notes(&bench, 1);
    let configs: Vec<_> = told.iter().filter(|note| note["note"] == "config").map(|note| &note["config"]).collect();
    assert_eq!(configs, [&changed], "an export knows what was in force when");
}

#[test]
fn a_change_with_mistakes_leaves_the_old_config_in_force_and_says_so() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    seat.until("4.0 bar");
    let good = bench.read("kickpanel.toml");
    bench.replace("kickpanel.toml", &good.replace("span =", "spam =").replace("8 bar", "8 degC"));
    seat.until("changed config has 2 mistakes; the old one stays: see kickpanel check");
    board.say(SIX_BAR);
    seat.until("6.0 bar");
    bench.replace("kickpanel.toml", &good.replace("Oil pressure", "Lubrication"));
    seat.until("Lubrication");
    seat.until_that("the sentence goes", |seat| !seat.text().contains("mistakes"));
    seat.send("q");
    seat.ends_well();
}

#[test]
fn a_change_of_the_links_or_into_what_is_no_file_leaves_the_old_config_in_force() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive", "--no-record"]);
    seat.until("4.0 bar");
    let good = bench.read("kickpanel.toml");
    bench.replace("kickpanel.toml", &good.replace("port*", "other*"));
    seat.until("links changed: file not used; quit and start again");
    std::fs::remove_file(bench.path("kickpanel.toml")).unwrap();
    rustix::fs::mknodat(
        rustix::fs::CWD,
        bench.path("kickpanel.toml"),
        rustix::fs::FileType::Fifo,
        rustix::fs::Mode::from_raw_mode(0o600),
        0,
    )
    .unwrap();
    seat.until("the config file cannot be read; the old one stays");
    assert!(!seat.text().contains("links changed"), "{}", seat.text());
    board.say(SIX_BAR);
    seat.until("6.0 bar");
    seat.send("q");
    seat.ends_well();
}

/// On a low terminal there is one row for sentences: what is wrong with the link has it.
#[test]
fn a_link_that_is_gone_is_told_before_a_config_file_that_is_gone() {
    let bench = bench();
    let board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::sized(&bench, (53, 15), &["drive", "--no-record"]);
    seat.until("4.0 bar");
    std::fs::remove_file(bench.path("kickpanel.toml")).unwrap();
    seat.until("the config file is gone; the old one stays in force");
    drop(board);
    seat.until("engine: unplugged");
    assert!(!seat.text().contains("the config file is gone"), "{}", seat.text());
    seat.send("q");
    seat.ends_well();
}

// H4 of the catalogue of faults.
#[test]
fn a_storm_of_changes_leaves_a_whole_config_in_force_and_the_alarm_sounding() {
    let bench = bench();
    let alarm = "[[channel.oil.alarm]]\nlevel = \"danger\"\nbelow = 5\nafter = \"100 ms\"\ntext = \"Oil low\"\n";
    let first = bench.read("kickpanel.toml").replace("[[page]]", &format!("{alarm}[[page]]"));
    bench.write("kickpanel.toml", &first);
    let _board = Board::at(&bench.path("port0"), FOUR_BAR);
    let mut seat = Seat::start(&bench, &["drive"]);
    seat.until("Oil low");
    let version = |number: usize| {
        first
            .replace("Oil pressure", &format!("Oil {number}"))
            .replace("[link", &format!("# {}\n[link", "x".repeat(number)))
    };
    for number in 0..300 {
        let text = version(number);
        match number % 5 {
            0 => drop(std::fs::remove_file(bench.path("kickpanel.toml"))),
            1 => drop(bench.write("kickpanel.toml", &text)),
            // Cut within a quoted text.
            2 => drop(bench.write("kickpanel.toml", &text[..text.find("Oil ").unwrap() + 2])),
            _ => bench.replace("kickpanel.toml", &text),
        }
        seat.look_on(std::time::Duration::from_millis(10));
        assert!(seat.text().contains("Oil low"), "{number}:\n{}", seat.text());
    }
    seat.until("Oil 299");
    // On a busy machine one of the 300 may have been gone for long enough to be told.
    seat.until_that("no notice of the storm any more", |seat| !seat.text().contains("the config file is"));
    std::fs::remove_file(bench.path("kickpanel.toml")).unwrap();
    seat.until("the config file is gone; the old one stays in force");
    bench.write("kickpanel.toml", version(299));
    seat.until("the config file is back as it was");
    assert!(seat.text().contains("Oil low") && seat.text().contains("Oil 299"), "{}", seat.text());
    seat.send("q");
    seat.ends_well();
    let told = notes(&bench, 1);
    assert_eq!(told.iter().filter(|note| note["note"] == "alarm").count(), 1, "{told:?}");
    let configs: Vec<_> = told.iter().filter(|note| note["note"] == "config").collect();
    assert!(!configs.is_empty());
    for note in configs {
        assert!((0..300).any(|number| note["config"] == version(number)), "{note}");
    }
}
