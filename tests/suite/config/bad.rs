//! One bad config per file in `tests/config/bad`, and beside it the exact report.

use std::fs;
use std::path::{Path, PathBuf};

use kickpanel::config::{load, report};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/config/bad")
}

/// All files of the folder that end in `ending`, in order.
fn files(ending: &str) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder()).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<PathBuf> = entries.filter(|path| path.extension().is_some_and(|e| e == ending)).collect();
    files.sort();
    files
}

/// A report that is not there is written, and the test fails: read it, then run again.
#[test]
fn each_bad_config_has_exactly_the_report_beside_it() {
    let mut wrong = Vec::new();
    let files = files("toml");
    assert!(files.len() >= 40, "{} files", files.len());
    for path in files {
        let text = fs::read_to_string(&path).unwrap();
        let loaded = load(&text);
        let found = report("kickpanel.toml", &text, &loaded.mistakes, false);
        let beside = path.with_extension("report");
        if !beside.exists() {
            fs::write(&beside, &found).unwrap();
            wrong.push(format!("{}: written anew, read it", beside.display()));
        } else if fs::read_to_string(&beside).unwrap() != found {
            wrong.push(format!("{}: the report is now\n{found}", beside.display()));
        }
        if loaded.mistakes.is_empty() {
            wrong.push(format!("{}: nothing is wrong with it", path.display()));
        }
        if loaded.model.is_some() != loaded.mistakes.iter().all(|mistake| mistake.warning) {
            wrong.push(format!("{}: a model comes of it exactly where all are warnings", path.display()));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

#[test]
fn no_report_is_left_without_its_config() {
    for path in files("report") {
        assert!(path.with_extension("toml").exists(), "{}", path.display());
    }
}

#[test]
fn mistakes_come_in_the_order_of_the_text() {
    for path in files("toml") {
        let mistakes = load(&fs::read_to_string(&path).unwrap()).mistakes;
        assert!(mistakes.is_sorted_by_key(|mistake| mistake.span.start), "{}", path.display());
    }
}

#[test]
fn colour_changes_nothing_but_the_colours() {
    let text = "[channel.oil]\ninput = \"a1\"\nunit = \"bra\"\n";
    let mistakes = load(text).mistakes;
    let painted = report("kickpanel.toml", text, &mistakes, true);
    assert!(painted.contains("\u{1b}[1;31m^^^^^ did you mean `bar`?\u{1b}[0m"), "{painted:?}");
    let mut plain = painted;
    for code in ["\u{1b}[1m", "\u{1b}[1;31m", "\u{1b}[1;33m", "\u{1b}[0m"] {
        plain = plain.replace(code, "");
    }
    assert_eq!(plain, report("kickpanel.toml", text, &mistakes, false));
}

#[test]
fn a_config_of_over_a_megabyte_is_refused_in_one_sentence() {
    let text = "# nothing but a remark\n".repeat(450_000);
    let loaded = load(&text);
    assert!(loaded.model.is_none());
    assert_eq!(
        report("kickpanel.toml", &text, &loaded.mistakes, false),
        "kickpanel.toml:1:1: the file has 10350000 bytes, more than a config has\n  |\n1 | # nothing but a remark\n  \
         | ^ at most 1000000; is it the right file?\n1 mistake\n"
    );
    let just_fits = format!("{}\n", "#".repeat(999_999));
    assert!(load(&just_fits).model.is_some());
    assert!(load(&format!("{just_fits}\n")).model.is_none());
}
