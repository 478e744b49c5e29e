//! Rules of the project that no linter knows, checked by reading the sources.

use std::fs;
use std::path::{Path, PathBuf};

/// Every file of the project below `folder` with one of the endings, with its text.
fn files(folder: &str, endings: &[&str]) -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut found = Vec::new();
    let mut open = vec![root];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|end| endings.iter().any(|want| end == *want)) {
                let text = fs::read_to_string(&path).unwrap();
                found.push((path, text));
            }
        }
    }
    assert!(!found.is_empty(), "nothing found in {folder}");
    found
}

/// The part of a source file before its unit tests.
fn without_tests(text: &str) -> &str {
    text.split("#[cfg(test)]\nmod tests").next().unwrap()
}

#[track_caller]
fn nobody_says(folder: &str, word: &str, but: &[&str]) {
    for (path, text) in files(folder, &["rs"]) {
        if !but.iter().any(|but| path.ends_with(but)) {
            assert!(!text.contains(word), "{} says {word}", path.display());
        }
    }
}

#[test]
fn only_one_file_asks_for_the_time_of_day() {
    for word in ["SystemTime::now", "Timestamp::now", "Zoned::now"] {
        nobody_says("src", word, &["src/time/system.rs"]);
    }
}

#[test]
fn nothing_but_the_tasks_asks_for_any_time() {
    for (path, text) in files("src", &["rs"]) {
        let tasks = ["src/link", "src/screen/run.rs", "src/record/recorder.rs", "src/time/system.rs"];
        let is_task = tasks.iter().any(|task| path.to_string_lossy().contains(task));
        assert!(is_task || !without_tests(&text).contains("Instant::now"), "{} asks for the time", path.display());
    }
}

#[test]
fn every_file_opens_with_what_it_owns() {
    for folder in ["src", "tests"] {
        for (path, text) in files(folder, &["rs"]) {
            assert!(text.starts_with("//! "), "{} has no header", path.display());
        }
    }
}

#[test]
fn files_are_small() {
    for (path, text) in files("src", &["rs"]) {
        let lines = without_tests(&text).lines().count();
        assert!(lines <= 600, "{} has {lines} lines without its tests", path.display());
    }
}

#[test]
fn cells_are_never_written_past_the_filter_for_unsafe_text() {
    // ratatui filters control characters in text, but not in these two calls.
    for word in [".set_symbol(", ".set_char("] {
        // The pen writes glyphs of the declared sets only, which a test of its own holds it to.
        for (path, text) in files("src", &["rs"]).into_iter().filter(|(path, _)| !path.ends_with("src/screen/pen.rs")) {
            for line in without_tests(&text).lines().filter(|line| line.contains(word)) {
                let argument = line.split(word).nth(1).unwrap().trim_start();
                assert!(argument.starts_with(['"', '\'']), "{}: {}", path.display(), line.trim());
            }
        }
    }
}

#[test]
fn the_top_level_holds_what_it_should_and_no_more() {
    let wanted = [
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE",
        "README.md",
        "config",
        "recordings",
        "src",
        "target",
        "tests",
    ];
    for entry in fs::read_dir(env!("CARGO_MANIFEST_DIR")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(name.starts_with('.') || wanted.contains(&name.as_str()), "{name} has no place at the top");
    }
}

#[test]
fn the_core_knows_no_task_and_no_file() {
    for room in ["wire", "sensor", "circuit", "channel", "watch", "pipeline", "state", "config", "overview"] {
        for (path, text) in files(&format!("src/{room}"), &["rs"]) {
            for word in ["tokio", "std::fs", "std::thread", "std::env", "std::net", "crate::cli", "crate::link"] {
                assert!(!without_tests(&text).contains(word), "{} uses {word}", path.display());
            }
        }
    }
}

/// What another chip needs changed stands in one header.
#[test]
fn the_firmware_names_no_register_outside_its_board_header() {
    let registers = [
        "UDR", "UCSR", "UBRR", "ADMUX", "ADCSR", "DIDR", "MCUSR", "TCCR", "OCR0", "OCR1", "TIMSK", "TIFR", "TCNT",
        "EIMSK", "EIFR", "EICRA", "PORTB", "PORTC", "PORTD", "DDRB", "DDRC", "DDRD", "PINB", "PINC", "PIND", "_vect",
        "WDTO", "GPIOR", "PCMSK", "PCIFR",
    ];
    let mut files = 0;
    for entry in fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/controller/firmware")).unwrap() {
        let path = entry.unwrap().path();
        let is_code = path.extension().is_some_and(|end| end == "c" || end == "h");
        if !is_code || path.ends_with("board.h") {
            continue;
        }
        files += 1;
        let text = fs::read_to_string(&path).unwrap();
        for register in registers {
            assert!(!text.contains(register), "{register} in {}", path.display());
        }
    }
    assert!(files > 15);
}
