//! The recorder with its thread, on the real file system.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::time::Duration;

use kickpanel::record::{Damage, Item, Mark, Recorder, Recording, Setup, Told};
use kickpanel::state;
use kickpanel::time::system::Clock;
use kickpanel::time::{Stamp, micros_from_secs};
use tempfile::TempDir;

const PATIENCE: Duration = Duration::from_secs(20);

fn setup() -> Setup {
    Setup { program: "kickpanel 0.1.0".into(), config: "name = \"lorry\"\n".into(), wall: None }
}

#[test]
fn what_a_drive_hands_over_is_read_back_with_its_own_instants() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("new/recordings");
    let recorder = Recorder::start(path.clone(), setup(), Clock::start());
    recorder.note(Stamp(1_000), "engine", &Told::Link { state: "up", why: None });
    for number in 0..1_000 {
        recorder.line(Stamp(2_000 + number), "engine", Mark::Received, format!("{{\"t\":{number}}}\\\t").as_bytes());
    }
    recorder.line(Stamp(4_000), "engine", Mark::Sent, b"{\"ask\":\"hello\"}");
    recorder.config(Stamp(4_500), "name = \"other\"\n");
    recorder.note(Stamp(5_000), "-", &Told::Mark { text: "here\u{7F}\u{1b}[31m" });
    assert!(recorder.close(PATIENCE));

    let mut recording = Recording::open(std::slice::from_ref(&path)).unwrap();
    assert_eq!(recording.config(), Some("name = \"lorry\"\n"));
    let (mut lines, mut others) = (Vec::new(), Vec::new());
    while let Some(item) = recording.next().unwrap() {
        match item {
            Item::Line(line) => lines.push((line.at.unwrap().0, String::from_utf8(line.bytes.to_vec()).unwrap())),
            Item::Head(head) => others.push(format!("head {} {:?}", head.clock, head.wall)),
            Item::Note(note) => others.push(format!("{} {:?}", note.kind(), note.text("text"))),
            Item::Sent(line) => others.push(format!("sent {:?}", line.at)),
            Item::TooLong { .. } => others.push("too long".into()),
        }
    }
    assert_eq!(lines.len(), 1_000);
    assert_eq!(lines[999], (2_999, "{\"t\":999}\\\t".to_owned()));
    let expected = [
        "head unset None",
        "link None",
        "sent Some(Stamp(4000))",
        "config None",
        "mark Some(\"here\\u{7f}\\u{1b}[31m\")",
        "closed None",
    ];
    assert_eq!(others, expected);
    assert_eq!(recording.config(), Some("name = \"other\"\n"));
    assert_eq!(recording.damage(), Damage::default());
    let mode = |path: &std::path::Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&path.join("000001-01.kpr")) & 0o027, 0, "others may not read a recording, nor the group write it");
    assert_eq!(mode(&path) & 0o027, 0);
}

#[test]
fn each_start_is_a_new_drive_and_no_text_becomes_a_path() {
    let folder = TempDir::new().unwrap();
    for _ in 0..3 {
        let recorder = Recorder::start(folder.path().into(), setup(), Clock::start());
        recorder.line(Stamp(0), "../../x/\0", Mark::Received, b"1");
        assert!(recorder.close(PATIENCE));
    }
    let mut names: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["000001-01.kpr", "000002-01.kpr", "000003-01.kpr"]);
}

// C14 of the catalogue of faults: the folder cannot be made.
#[test]
fn a_folder_that_cannot_be_made_stops_the_recording_and_nothing_else() {
    let folder = TempDir::new().unwrap();
    let file = folder.path().join("file");
    fs::write(&file, "").unwrap();
    let recorder = Recorder::start(file.join("recordings"), setup(), Clock::start());
    recorder.line(Stamp(0), "engine", Mark::Received, b"1");
    assert!(!recorder.close(PATIENCE));
    assert_eq!(fs::read(&file).unwrap(), b"");
}

#[test]
fn the_state_tells_the_drive_once_the_file_is_there() {
    let folder = TempDir::new().unwrap();
    let recorder = Recorder::start(folder.path().into(), setup(), Clock::start());
    while recorder.state() == state::Recording::Off {
        std::thread::yield_now();
    }
    assert_eq!(recorder.state(), state::Recording::On { drive: 1 });
    assert!(folder.path().join("000001-01.kpr").exists());
    assert!(recorder.behind(Stamp(micros_from_secs(3600.0))) > micros_from_secs(3590.0));
}
