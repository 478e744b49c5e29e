//! The recorder against a disk that fails and loses power.
//!
//! The double keeps two images of each file: what was written, and how much of it was synced; and knows which names the
//! folder would still have after a power cut.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::sync::{Arc, Mutex};

use rstest::rstest;

use super::super::reader::{Damage, Item, Recording as Reader};
use super::super::source::Place;
use super::*;

/// What a test sees of the double while the writer has it.
#[derive(Default)]
struct Image {
    written: BTreeMap<String, Vec<u8>>,
    synced: BTreeMap<String, usize>,
    names_safe: BTreeSet<String>,
    /// Failed once: nothing behind its last sync is ever safe, whatever later syncs say.
    poisoned: BTreeSet<String>,
    /// Calls so far.
    calls: usize,
    /// Calls in this range fail with this error number.
    failing: std::ops::Range<usize>,
    errno: i32,
    /// Names cannot be listed.
    blind: bool,
    appended_after_failure: bool,
}

#[derive(Clone, Default)]
struct Double {
    image: Arc<Mutex<Image>>,
    open: Option<String>,
}

const NO_SPACE: i32 = 28;
const IO: i32 = 5;
const READ_ONLY: i32 = 30;

impl Double {
    fn look<T>(&self, with: impl FnOnce(&mut Image) -> T) -> T {
        with(&mut self.image.lock().unwrap())
    }

    fn call(&self) -> io::Result<()> {
        self.look(|image| {
            image.calls += 1;
            let fails = image.failing.contains(&(image.calls - 1));
            if fails { Err(io::Error::from_raw_os_error(image.errno)) } else { Ok(()) }
        })
    }

    /// What is there after a power cut that takes everything that was not synced.
    fn durable(&self) -> BTreeMap<String, Vec<u8>> {
        self.look(|image| {
            let safe = image.names_safe.iter().filter(|name| image.written.contains_key(*name));
            safe.map(|name| (name.clone(), image.written[name][..image.synced[name]].to_vec())).collect()
        })
    }

    fn written(&self) -> BTreeMap<String, Vec<u8>> {
        self.look(|image| image.written.clone())
    }
}

impl Disk for Double {
    fn prepare(&mut self) -> io::Result<()> {
        self.call()
    }

    fn names(&mut self) -> io::Result<Vec<OsString>> {
        self.call()?;
        self.look(|image| {
            let names = image.written.keys().map(OsString::from).collect();
            if image.blind { Err(ErrorKind::PermissionDenied.into()) } else { Ok(names) }
        })
    }

    fn create(&mut self, name: &str) -> io::Result<()> {
        self.call()?;
        self.look(|image| {
            if image.written.contains_key(name) {
                return Err(io::Error::from(ErrorKind::AlreadyExists));
            }
            image.poisoned.remove(name);
            image.written.insert(name.into(), Vec::new());
            image.synced.insert(name.into(), 0);
            Ok(())
        })?;
        self.open = Some(name.into());
        Ok(())
    }

    fn sync_folder(&mut self) -> io::Result<()> {
        self.call()?;
        self.look(|image| image.names_safe.extend(image.written.keys().cloned()));
        Ok(())
    }

    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let name = self.open.clone().unwrap();
        let failed = self.call().err();
        self.look(|image| {
            image.appended_after_failure |= image.poisoned.contains(&name);
            // A write that fails has put down a part of it, as on a disk that fills up.
            let length = if failed.is_some() { bytes.len() / 2 } else { bytes.len() };
            image.written.get_mut(&name).unwrap().extend_from_slice(&bytes[..length]);
            if failed.is_some() {
                image.poisoned.insert(name);
            }
        });
        failed.map_or(Ok(()), Err)
    }

    fn sync(&mut self) -> io::Result<()> {
        let name = self.open.clone().unwrap();
        let failed = self.call().err();
        self.look(|image| {
            if failed.is_some() {
                image.poisoned.insert(name);
            } else if !image.poisoned.contains(&name) {
                let length = image.written[&name].len();
                image.synced.insert(name, length);
            }
        });
        failed.map_or(Ok(()), Err)
    }

    fn close(&mut self) {
        self.open = None;
    }

    fn remove(&mut self, name: &str) -> io::Result<()> {
        self.call()?;
        self.look(|image| {
            image.written.remove(name);
            image.names_safe.remove(name);
        });
        Ok(())
    }
}

fn setup() -> Setup {
    let wall = "2026-11-25T07:58:07Z".parse().ok();
    Setup { program: "kickpanel 0.1.0".into(), config: "name = \"lorry\"\n".into(), wall }
}

fn second(number: i64) -> Stamp {
    Stamp(number * SECOND)
}

/// Fifty lines of the usual length, all of which differ.
fn fill(ring: &mut Ring, number: i64) {
    for line in 0..50 {
        let text = payload(number * 50 + line);
        ring.push(Stamp(number * SECOND + line * 20_000), "engine", Mark::Received, text.as_bytes());
    }
}

fn payload(number: i64) -> String {
    let t = number * 20_000;
    format!(
        "{{\"s\":{number},\"t\":{t},\"ref\":226,\"a0\":512,\"a1\":87,\"p2\":[8123,20839001,9820,10240],\"a2\":640,\"a3\":3,\"p3\":[55,20838001,9000,9100],\"d4\":1,\"crc\":\"0123\"}}"
    )
}

/// The payloads of all lines in the files of `image`, read as a folder of them is, and what was hit.
fn read_back(image: &BTreeMap<String, Vec<u8>>) -> (Vec<String>, Vec<ReadNote>, Damage) {
    let place = |(name, bytes): (&String, &Vec<u8>)| Place {
        path: name.into(),
        memory: Some(bytes.as_slice().into()),
        named: false,
        told: None,
    };
    let Ok(mut reader) = Reader::from_places(image.iter().map(place).collect()) else {
        return (Vec::new(), Vec::new(), Damage::default());
    };
    let (mut lines, mut notes) = (Vec::new(), Vec::new());
    let mut newest = Stamp(0);
    while let Some(item) = reader.next().unwrap() {
        match item {
            Item::Line(line) => {
                assert!(line.at.unwrap() >= newest);
                newest = line.at.unwrap();
                lines.push(String::from_utf8_lossy(line.bytes).into_owned());
            }
            Item::Note(note) => notes.push(ReadNote {
                kind: note.kind().to_owned(),
                lines: note.value()["lines"].as_i64().unwrap_or(0),
                after: lines.len(),
            }),
            _ => {}
        }
    }
    let damage = reader.damage();
    (lines, notes, damage)
}

/// A note that was read back, and after how many lines it stood.
#[derive(Clone, Debug, PartialEq)]
struct ReadNote {
    kind: String,
    lines: i64,
    after: usize,
}

fn all(seconds: i64) -> Vec<String> {
    (0..seconds * 50).map(payload).collect()
}

#[test]
fn everything_is_read_back_and_the_last_line_is_closed() {
    let disk = Double::default();
    let mut writer = Writer::new(disk.clone(), setup());
    let mut ring = Ring::new();
    for number in 0..5 {
        fill(&mut ring, number);
        assert_eq!(writer.step(second(number + 1), &mut ring), Recording::On { drive: 1 });
        assert_eq!(writer.safe(), second(number + 1));
    }
    fill(&mut ring, 5);
    assert_eq!(writer.finish(second(6), &mut ring), Recording::On { drive: 1 });
    let image = disk.durable();
    let (lines, notes, damage) = read_back(&image);
    assert_eq!((lines, damage), (all(6), Damage::default()));
    assert_eq!(notes, [ReadNote { kind: "closed".into(), lines: 0, after: 300 }]);
    let text = String::from_utf8(image["000001-01.kpr"].clone()).unwrap();
    let head = concat!(
        "0\t-\t!\t{\"note\":\"recording\",\"format\":1,\"program\":\"kickpanel 0.1.0\",\"drive\":1,\"part\":1,",
        "\"wall\":\"2026-11-25T07:58:07Z\",\"clock\":\"set\",\"config\":\"name = \\\"lorry\\\"\\n\"}\n"
    );
    assert!(text.starts_with(head), "{text}");
    assert!(text.ends_with("6000\t-\t!\t{\"note\":\"closed\"}\n"));
    assert_eq!(text.matches("\"note\":\"sum\"").count(), 6);
}

#[test]
fn a_second_in_which_nothing_came_writes_nothing() {
    let disk = Double::default();
    let mut writer = Writer::new(disk.clone(), setup());
    writer.step(second(0), &mut Ring::new());
    let calls = disk.look(|image| image.calls);
    assert_eq!(writer.step(second(1), &mut Ring::new()), Recording::On { drive: 1 });
    assert_eq!(disk.look(|image| image.calls), calls);
}

/// A small generator of numbers (xorshift, 64 bits), so that garbage is the same in every run.
fn random(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

/// What a power cut leaves of `written`, of which the first `safe` bytes were synced, when it strikes at `at`.
fn after_power_cut(written: &[u8], safe: usize, at: usize, way: usize, seed: &mut u64) -> Vec<u8> {
    let mut image = written.to_vec();
    let sector = |size: usize| (at / size * size).max(safe)..(at / size * size + size).min(written.len());
    match way {
        0 => image.truncate(at),
        1 => image[at..].fill(0),
        2 => image[sector(512)].fill(0),
        3 => image[sector(4096)].fill(0),
        4 => image[sector(512)].iter_mut().for_each(|byte| *byte = random(seed).to_le_bytes()[0]),
        _ => {
            // A later page arrived, and of the earlier ones nothing from here on.
            let page = (at / 4096 * 4096 + 4096).min(written.len());
            image[at..page].fill(0);
        }
    }
    image
}

// C1 of the catalogue of faults: at every byte between the last sync and the last write.
#[rstest]
#[case::cut(0)]
#[case::tail_zeroed(1)]
#[case::sector_zeroed(2)]
#[case::page_zeroed(3)]
#[case::sector_of_garbage(4)]
#[case::later_page_without_the_earlier(5)]
fn a_power_cut_at_any_byte_takes_nothing_that_was_safe_and_makes_nothing_up(#[case] way: usize) {
    let disk = Double::default();
    let mut writer = Writer::new(disk.clone(), setup());
    let mut ring = Ring::new();
    for number in 0..2 {
        fill(&mut ring, number);
        writer.step(second(number + 1), &mut ring);
    }
    let safe = disk.durable()["000001-01.kpr"].len();
    fill(&mut ring, 2);
    writer.step(second(3), &mut ring);
    let written = disk.written()["000001-01.kpr"].clone();
    assert!(written.len() - safe > 6_800);
    let (expected, mut seed) = (all(3), 0x9E37_79B9_7F4A_7C15);
    for at in safe..written.len() {
        let image = after_power_cut(&written, safe, at, way, &mut seed);
        let same = image == written;
        let (lines, _, damage) = read_back(&BTreeMap::from([("000001-01.kpr".into(), image)]));
        assert_eq!(lines[..100], expected[..100], "cut at {at}");
        let mut rest = expected[100..].iter();
        assert!(lines[100..].iter().all(|line| rest.any(|other| other == line)), "cut at {at}: a line was made up");
        let hit = lines.len() < 150 && written[at - 1] != b'\n';
        assert!(!hit || same || damage != Damage::default(), "cut at {at}: nothing was said");
    }
}

/// Drives for `seconds` with calls `failing`; gives the double and the state after each second.
fn drive_with(seconds: i64, failing: std::ops::Range<usize>, errno: i32) -> (Double, Vec<Recording>) {
    let disk = Double::default();
    disk.look(|image| (image.failing, image.errno) = (failing, errno));
    let mut writer = Writer::new(disk.clone(), setup());
    let (mut ring, mut states) = (Ring::new(), Vec::new());
    for number in 0..seconds {
        fill(&mut ring, number);
        states.push(writer.step(second(number + 1), &mut ring));
        assert!(ring.is_empty());
        // What is claimed to be safe is there after a power cut at this very moment (C6).
        let (lines, _, _) = read_back(&disk.durable());
        let claimed = usize::try_from(writer.safe().0 / SECOND * 50).unwrap();
        assert_eq!(lines[..claimed], all(number + 1)[..claimed]);
    }
    (disk, states)
}

// C5 and C6: each of the 28 calls of a short drive fails, alone or for a while, in each way that a disk fails: 1,008 places.
#[rstest]
#[case::full(NO_SPACE, WhyStopped::DiskFull)]
#[case::pulled(IO, WhyStopped::Failed(IO))]
#[case::read_only(READ_ONLY, WhyStopped::NotWritable)]
fn a_disk_that_fails_anywhere_costs_no_line_and_recording_goes_on(#[case] errno: i32, #[case] why: WhyStopped) {
    let (healthy, states) = drive_with(12, 0..0, errno);
    assert!(states.iter().all(|state| *state == Recording::On { drive: 1 }));
    let calls = healthy.look(|image| image.calls);
    for from in 0..calls {
        for count in (1..=11).chain([15]) {
            let (disk, states) = drive_with(12, from..from + count, errno);
            let stopped = states.iter().filter(|state| matches!(state, Recording::Stopped(_))).count();
            let all_same =
                states.iter().all(|state| matches!(state, Recording::On { .. }) || *state == Recording::Stopped(why));
            assert!(all_same, "call {from}, {count} calls: {states:?}");
            // The call that lists the folder may fail without harm.
            assert!(stopped > 0 || count == 1, "call {from}, {count} calls");
            assert!(!disk.look(|image| image.appended_after_failure));
            if matches!(states.last(), Some(Recording::On { .. })) {
                let (lines, notes, damage) = read_back(&disk.durable());
                assert_eq!((lines, damage), (all(12), Damage::default()), "call {from}, {count} calls");
                assert_eq!(notes, []);
            }
            // Whether the unsafe tail of a failed part got to the disk all the same changes nothing.
            let (lines, _, _) = read_back(&disk.written());
            let mut rest = lines.iter();
            assert!(
                all(12).iter().take(lines.len()).all(|line| rest.next() == Some(line)),
                "call {from}, {count} calls"
            );
        }
    }
}

// C7: what memory cannot hold is counted, exactly.
#[test]
fn a_stall_of_two_minutes_leaves_the_newest_and_an_exact_count_of_the_rest() {
    let disk = Double::default();
    let mut writer = Writer::new(disk.clone(), setup());
    let mut ring = Ring::new();
    writer.step(second(0), &mut ring);
    // While a sync hangs nothing is picked up: everything waits in one ring.
    (0..200).for_each(|number| fill(&mut ring, number));
    writer.step(second(200), &mut ring);
    let (lines, notes, damage) = read_back(&disk.durable());
    assert_eq!(damage, Damage::default());
    let lost = 10_000 - lines.len();
    assert_eq!(lines, all(200)[lost..]);
    assert!(lines.len() >= 50 * 60, "a minute of lines waits in memory");
    assert_eq!(notes, [ReadNote { kind: "gap".into(), lines: i64::try_from(lost).unwrap(), after: 0 }]);
}

/// Which config each line of the files of `image` is decoded by, as whoever follows heads and `config` notes has it; runs
/// of the same as one, with the first and last payload.
fn configs_of(image: &BTreeMap<String, Vec<u8>>) -> Vec<(String, String, String)> {
    let place = |(name, bytes): (&String, &Vec<u8>)| Place {
        path: name.into(),
        memory: Some(bytes.as_slice().into()),
        named: false,
        told: None,
    };
    let mut reader = Reader::from_places(image.iter().map(place).collect()).unwrap();
    let (mut config, mut runs) = (String::new(), Vec::<(String, String, String)>::new());
    while let Some(item) = reader.next().unwrap() {
        match item {
            Item::Head(head) => config = head.config.clone().unwrap(),
            Item::Note(note) if note.kind() == "config" => config = note.text("config").unwrap().to_owned(),
            Item::Line(line) => {
                let text = String::from_utf8_lossy(line.bytes).into_owned();
                match runs.last_mut().filter(|run| run.0 == config) {
                    Some(run) => run.2 = text,
                    None => runs.push((config.clone(), text.clone(), text)),
                }
            }
            _ => {}
        }
    }
    assert_eq!(reader.damage(), Damage::default());
    runs
}

// A disk stalls, or is full, for longer than memory lasts, and the config is changed meanwhile: its note is given up with the
// lines of the gap. All that is left came under the new config, and a part that kept the old one in its head and no note
// would give false values without a word.
#[rstest]
// A sync hangs while the part is open: the note stands again behind the gap.
#[case::part_goes_on(0..0, 40, "third", "third")]
// The disk is full: a new part begins, and has it in its head.
#[case::new_part(12..205, 40, "third", "third")]
// The note still waits: what came before it is the old config's, whatever part it is in.
#[case::note_is_left_in_the_part(0..0, 190, "lorry", "third")]
#[case::note_is_left_for_a_new_part(12..205, 190, "lorry", "third")]
fn a_config_whose_note_was_lost_is_in_force_behind_the_gap(
    #[case] failing: std::ops::Range<usize>,
    #[case] changed: i64,
    #[case] first: &str,
    #[case] last: &str,
) {
    let hangs = failing.is_empty();
    let disk = Double::default();
    disk.look(|image| (image.failing, image.errno) = (failing, NO_SPACE));
    let mut writer = Writer::new(disk.clone(), setup());
    let mut ring = Ring::new();
    for number in 0..220 {
        fill(&mut ring, number);
        for (at, name) in [(changed, "second"), (changed + 1, "third")] {
            if number == at {
                let config = format!("name = \"{name}\"\n");
                let note = serde_json::to_vec(&Told::Config { config: &config }).unwrap();
                ring.push_config(second(number + 1), &note, &config);
            }
        }
        if !(hangs && (3..200).contains(&number)) {
            writer.step(second(number + 1), &mut ring);
        }
    }
    let image = disk.durable();
    let runs = configs_of(&image);
    let (lines, notes, _) = read_back(&image);
    let gap = notes.iter().find(|note| note.kind == "gap").unwrap();
    assert!(gap.lines > 1_000, "{notes:?}");
    let behind = &lines[gap.after];
    let by = |payload: &String| {
        let place = lines.iter().position(|line| line == payload).unwrap();
        let ends = |run: &(String, String, String)| lines.iter().position(|line| *line == run.2).unwrap();
        runs.iter().find(|run| ends(run) >= place).unwrap().0.clone()
    };
    let name = |name: &str| format!("name = \"{name}\"\n");
    assert_eq!(by(&lines[0]), name("lorry"));
    assert_eq!(by(behind), name(first));
    assert_eq!(by(lines.last().unwrap()), name(last));
    // To the line: the last of the old config is the one before its note.
    if first == "lorry" {
        let old = runs.iter().find(|run| run.0 == name("lorry")).unwrap();
        assert_eq!(old.2, payload(changed * 50 + 49));
        assert_eq!((&runs[1].0, runs.len()), (&name("second"), 3));
    }
    // What begins later has it too.
    fill(&mut ring, 4_000);
    writer.step(second(4_001), &mut ring);
    let runs = configs_of(&disk.durable());
    assert_eq!(runs.last().unwrap().0, name("third"));
}

#[test]
fn a_disk_that_is_full_for_long_leaves_no_litter_and_says_what_is_missing() {
    let (disk, states) = drive_with(30, 30..1_000_000, NO_SPACE);
    assert_eq!(states.last(), Some(&Recording::Stopped(WhyStopped::DiskFull)));
    let files = disk.written().len();
    assert!(files <= 30, "{files}");
    let disk = Double::default();
    disk.look(|image| (image.failing, image.errno) = (8..200, NO_SPACE));
    let mut writer = Writer::new(disk.clone(), setup());
    let mut ring = Ring::new();
    for number in 0..300 {
        fill(&mut ring, number);
        writer.step(second(number + 1), &mut ring);
    }
    let (lines, notes, _) = read_back(&disk.durable());
    let gap: Vec<_> = notes.iter().filter(|note| note.kind == "gap").collect();
    assert_eq!(gap.len(), 1, "{notes:?}");
    assert_eq!(lines.len() + usize::try_from(gap[0].lines).unwrap(), 300 * 50);
    assert_eq!(lines[..gap[0].after], all(300)[..gap[0].after]);
}

// C4: what stands in a folder that was never synced is gone after a power cut.
#[test]
fn nothing_counts_as_safe_before_the_folder_is() {
    let (disk, states) = drive_with(1, 3..4, IO);
    assert_eq!(states, [Recording::Stopped(WhyStopped::Failed(IO))]);
    assert!(disk.durable().is_empty());
}

#[test]
fn a_part_ends_after_an_hour_and_the_next_goes_on() {
    let disk = Double::default();
    let mut writer = Writer::new(disk.clone(), setup());
    let mut ring = Ring::new();
    for number in [0, 3598, 3599, 3600, 7199, 7200] {
        fill(&mut ring, number);
        writer.step(second(number), &mut ring);
    }
    let image = disk.durable();
    let names: Vec<_> = image.keys().map(String::as_str).collect();
    assert_eq!(names, ["000001-01.kpr", "000001-02.kpr", "000001-03.kpr"]);
    let (lines, notes, damage) = read_back(&image);
    assert_eq!((lines.len(), notes, damage), (300, vec![], Damage::default()));
    let second_part = String::from_utf8_lossy(&image["000001-02.kpr"]).into_owned();
    assert!(second_part.starts_with("3600000\t-\t!\t{\"note\":\"recording\""), "{second_part}");
    assert!(second_part.contains("\"wall\":\"2026-11-25T08:58:07Z\""));
}

#[test]
fn a_part_never_has_more_than_64_megabytes() {
    let disk = Double::default();
    let mut writer = Writer::new(disk.clone(), setup());
    let mut ring = Ring::new();
    for number in 0..150 {
        for _ in 0..900 {
            ring.push(second(number), "engine", Mark::Received, &[b'x'; 1000]);
        }
        writer.step(second(number), &mut ring);
    }
    let sizes: Vec<_> = disk.durable().values().map(Vec::len).collect();
    assert_eq!(sizes.len(), 3);
    assert!(sizes.iter().all(|size| *size as u64 <= PART_BYTES) && sizes[0] > 62_000_000, "{sizes:?}");
}

// C11: twelve folders, and the file that the drive then begins.
#[rstest]
#[case::empty(&[], "000001-01.kpr")]
#[case::one(&["000001-01.kpr"], "000002-01.kpr")]
#[case::gap(&["000001-01.kpr", "000007-02.kpr"], "000008-01.kpr")]
#[case::packed(&["000004-01.kpr.zst"], "000005-01.kpr")]
#[case::being_packed(&["000004-01.kpr.zst.part"], "000005-01.kpr")]
#[case::foreign(&["notes.txt", "1-2.kpr", "00000a-01.kpr", "0000010-01.kpr"], "000001-01.kpr")]
#[case::zero(&["000000-01.kpr"], "000001-01.kpr")]
#[case::last_but_one(&["999998-01.kpr"], "999999-01.kpr")]
#[case::last(&["999999-01.kpr"], "000001-01.kpr")]
#[case::last_and_first(&["000001-01.kpr", "000003-01.kpr", "999999-01.kpr"], "000002-01.kpr")]
#[case::no_ascii(&["\u{661}\u{662}\u{663}-01.kpr"], "000001-01.kpr")]
#[case::part_only(&["000009-"], "000010-01.kpr")]
fn a_drive_takes_the_next_number_and_overwrites_nothing(#[case] there: &[&str], #[case] begins: &str) {
    let disk = Double::default();
    disk.look(|image| image.written.extend(there.iter().map(|name| ((*name).to_owned(), b"theirs".to_vec()))));
    disk.look(|image| image.synced.extend(there.iter().map(|name| ((*name).to_owned(), 6))));
    let mut writer = Writer::new(disk.clone(), setup());
    assert!(matches!(writer.step(second(0), &mut Ring::new()), Recording::On { .. }));
    let written = disk.written();
    assert!(there.iter().all(|name| written[*name] == b"theirs"));
    let new: Vec<_> = written.keys().filter(|name| !there.contains(&name.as_str())).collect();
    assert_eq!(new, [begins]);
    let says = String::from_utf8_lossy(&written[begins]).contains("the lowest free number is used");
    assert_eq!(says, there.contains(&"999999-01.kpr"));
}

#[test]
fn a_folder_that_cannot_be_listed_is_still_recorded_to() {
    let disk = Double::default();
    disk.look(|image| image.blind = true);
    for drive in 1..4 {
        let mut writer = Writer::new(disk.clone(), setup());
        assert_eq!(writer.step(second(0), &mut Ring::new()), Recording::On { drive });
    }
}
