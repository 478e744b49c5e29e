//! `firmware`: everything that somebody needs to build a controller, and nothing of theirs is written over.

use std::fs;
use std::path::Path;

use super::bench::Bench;

/// The files of the firmware in the project.
fn kept() -> Vec<(String, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/controller/firmware");
    let mut files: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| (path.file_name().unwrap().to_str().unwrap().to_owned(), fs::read_to_string(path).unwrap()))
        .collect();
    files.sort();
    files
}

#[test]
fn every_file_of_the_firmware_is_written_as_it_is() {
    let bench = Bench::new();
    let folder = bench.name("a folder/of mine");
    let said = bench.run(&["firmware", &folder]).done();
    let count = kept().len();
    assert_eq!(
        said,
        format!(
            "{count} files for an ATmega328P at 16 MHz are in {folder}.\n\
             Read README.md there before you connect anything, then: make -C {folder}\n"
        )
    );
    for (name, text) in kept() {
        assert_eq!(bench.read(&format!("a folder/of mine/{name}")), text, "{name}");
    }
    assert_eq!(bench.names("a folder/of mine").len(), count);
    // Once more: what is there already is the same.
    bench.run(&["firmware", &folder]).done();
}

#[test]
fn files_that_somebody_changed_are_left_alone() {
    let bench = Bench::new();
    let folder = bench.name("mine");
    bench.write("mine/board.h", "/* mine */\n");
    bench.write("mine/main.c", "/* mine too */\n");
    bench.run(&["firmware", &folder]).refused(
        3,
        &format!(
            "kickpanel: {folder} has other files of these names: board.h, main.c; nothing was written. Give an empty folder, and \
             carry your changes over\n"
        ),
    );
    assert_eq!(bench.names("mine"), ["board.h", "main.c"]);
    assert_eq!(bench.read("mine/board.h"), "/* mine */\n");
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let bench = Bench::new();
    let file = bench.write("file", "");
    let ran = bench.run(&["firmware", file.to_str().unwrap()]);
    let said = format!("kickpanel: cannot make the folder {}: File exists (os error 17)\n", file.display());
    ran.refused(3, &said);
}

#[test]
fn the_instructions_carry_the_cautions() {
    let (_, page) = kept().into_iter().find(|(name, _)| name == "README.md").unwrap();
    for caution in [
        "fuse at the source",
        "flyback diode",
        "contactor rated for it",
        "never this board",
        "licensed electrician",
        "brown-out",
    ] {
        assert!(page.contains(caution), "{caution}");
    }
}
