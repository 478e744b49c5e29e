//! Reading: plain, packed, bare, folders, damage, hostile files.

use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use kickpanel::record::format::write_line;
use kickpanel::record::{Damage, Item, Mark, ReadError, Recording};
use kickpanel::time::Stamp;
use rstest::rstest;
use tempfile::TempDir;

/// What a test compares: the joined time, the link, and what it was.
type Seen = Vec<String>;

fn read(recording: &mut Recording) -> (Seen, Vec<String>) {
    let (mut seen, mut errors) = (Vec::new(), Vec::new());
    loop {
        match recording.next() {
            Ok(None) => return (seen, errors),
            Ok(Some(item)) => seen.push(line_of(&item)),
            Err(error) => errors.push(error.to_string()),
        }
    }
}

fn line_of(item: &Item<'_>) -> String {
    let ms = |at: Option<Stamp>| at.map_or("-".to_owned(), |at| format!("{}", at.0 as f64 / 1000.0));
    match item {
        Item::Head(head) => format!("head {}-{}", head.drive, head.part),
        Item::Line(line) => {
            let mark = if line.damaged { "!<" } else { "<" };
            format!("{} {} {mark} {}", ms(line.at), line.link, String::from_utf8_lossy(line.bytes))
        }
        Item::TooLong { at, link } => format!("{} {link} too long", ms(*at)),
        Item::Sent(line) => format!("{} {} > {}", ms(line.at), line.link, String::from_utf8_lossy(line.bytes)),
        Item::Note(note) => format!("{} {} ! {}", ms(Some(note.at)), note.link, note.kind()),
    }
}

fn open(paths: &[&Path]) -> Result<Recording, ReadError> {
    Recording::open(&paths.iter().map(PathBuf::from).collect::<Vec<_>>())
}

fn read_bytes(bytes: &[u8]) -> (Seen, Damage) {
    let mut recording = Recording::from_memory("test".into(), bytes.into()).unwrap();
    let (seen, errors) = read(&mut recording);
    assert_eq!(errors, Vec::<String>::new());
    (seen, recording.damage())
}

fn head(drive: u32, part: u32, ms: i64) -> String {
    format!(
        "{ms}\t-\t!\t{{\"note\":\"recording\",\"format\":1,\"program\":\"kickpanel 0.1.0\",\"drive\":{drive},\"part\":{part},\"wall\":\"2026-11-25T07:58:07Z\",\"clock\":\"set\",\"config\":\"# drive {drive}\\n\"}}\n"
    )
}

/// The sum of one second, worked out by hand with the crate's own plain function (CRC-32/ISO-HDLC).
fn sum(ms: i64, covered: &str) -> String {
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(covered.as_bytes());
    format!("{ms}\t-\t!\t{{\"note\":\"sum\",\"lines\":{},\"crc32\":\"{crc:08X}\"}}\n", covered.lines().count())
}

/// A part of `seconds` seconds of ten lines, as the page of the format has it.
fn part(drive: u32, part: u32, from_ms: i64, seconds: i64) -> String {
    let mut out = String::new();
    let mut second = head(drive, part, from_ms);
    for index in 0..seconds {
        for line in 0..10 {
            let ms = from_ms + index * 1000 + line * 100;
            let _ = writeln!(second, "{ms}.5\tengine\t<\t{{\"s\":{},\"t\":{}}}", index * 10 + line, ms * 1000);
        }
        out.push_str(&second);
        out.push_str(&sum(from_ms + index * 1000 + 999, &second));
        second.clear();
    }
    out
}

fn write(folder: &TempDir, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
    let path = folder.path().join(name);
    fs::write(&path, bytes).unwrap();
    path
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    zstd::encode_all(bytes, 3).unwrap()
}

#[test]
fn the_example_of_the_format_is_read() {
    let text = concat!(
        "0\t-\t!\t{\"note\":\"recording\",\"format\":1,\"program\":\"kickpanel 0.1.0\",\"drive\":42,\"part\":1,",
        "\"wall\":\"2026-11-25T07:58:07Z\",\"clock\":\"set\",\"config\":\"name = \\\"lorry\\\"\\n\"}\n",
        "12.001\tengine\t<\t{\"s\":1}\\x5C\\xFF\n",
        "13\tengine\t>\t{\"ask\":\"hello\",\"crc\":\"0000\"}\n",
        "13.25\tengine\t!\t{\"note\":\"link\",\"state\":\"down\"}\n",
        "14\t-\t!\t{\"note\":\"closed\"}\n"
    );
    let mut recording = Recording::from_memory("test".into(), text.as_bytes().into()).unwrap();
    assert_eq!(recording.config(), Some("name = \"lorry\"\n"));
    assert!(recording.head().is_none(), "the head is an item like any other");
    let (seen, _) = read(&mut recording);
    assert_eq!(
        seen,
        [
            "head 42-1",
            "12.001 engine < {\"s\":1}\\\u{FFFD}",
            "13 engine > {\"ask\":\"hello\",\"crc\":\"0000\"}",
            "13.25 engine ! link",
            "14 - ! closed"
        ]
    );
    assert_eq!(recording.damage(), Damage::default());
    assert_eq!(recording.head().map(|head| head.clock.as_str()), Some("set"));
}

#[test]
fn plain_packed_and_from_memory_are_the_same() {
    let folder = TempDir::new().unwrap();
    let text = part(1, 1, 0, 3);
    let plain = write(&folder, "a.kpr", &text);
    let zst = write(&folder, "a.kpr.zst", packed(text.as_bytes()));
    let expected = read_bytes(text.as_bytes()).0;
    assert_eq!(expected.len(), 31);
    assert_eq!(read(&mut open(&[&plain]).unwrap()).0, expected);
    assert_eq!(read(&mut open(&[&zst]).unwrap()).0, expected);
}

#[test]
fn a_folder_is_read_by_drive_and_part_and_what_is_there_twice_counts_once() {
    let folder = TempDir::new().unwrap();
    write(&folder, "000002-01.kpr", part(2, 1, 0, 1));
    write(&folder, "000001-02.kpr", part(1, 2, 1000, 1));
    write(&folder, "000001-01.kpr", part(1, 1, 0, 1));
    write(&folder, "000001-01.kpr.zst", packed(part(1, 1, 0, 1).as_bytes()));
    write(&folder, "000003-01.kpr", "");
    write(&folder, "read me.txt", "not a recording\n");
    fs::create_dir(folder.path().join("000009-01.kpr")).unwrap();
    let (seen, errors) = read(&mut open(&[folder.path()]).unwrap());
    assert_eq!(errors, Vec::<String>::new());
    let heads: Vec<_> = seen.iter().filter(|line| line.starts_with("head")).collect();
    assert_eq!(heads, ["head 1-1", "head 1-2", "head 2-1"]);
    assert_eq!(seen.len(), 33);
}

#[test]
fn parts_of_a_drive_keep_their_times_and_another_drive_goes_on_after_the_last() {
    let folder = TempDir::new().unwrap();
    write(&folder, "000001-01.kpr", part(1, 1, 0, 1));
    write(&folder, "000001-02.kpr", part(1, 2, 5000, 1));
    write(&folder, "000002-01.kpr", part(2, 1, 0, 1));
    let (seen, _) = read(&mut open(&[folder.path()]).unwrap());
    let times: Vec<_> =
        seen.iter().filter(|line| line.contains('<')).map(|line| line.split(' ').next().unwrap()).collect();
    assert_eq!((times[0], times[9], times[10], times[19]), ("0.5", "900.5", "5000.5", "5900.5"));
    // The second drive's head, at its own 0, comes at the last instant of the first.
    assert_eq!((times[20], times[29]), ("5901", "6801"));
}

#[test]
fn what_a_failed_part_had_written_but_not_synced_is_read_once() {
    let folder = TempDir::new().unwrap();
    let first = part(1, 1, 0, 2);
    let safe = first.len();
    write(&folder, "000001-01.kpr", format!("{first}2000\tengine\t<\ttwice\n2001\tengine\t<\ttw"));
    let again = head(1, 2, 2000)
        .replace("\"clock\":\"set\"", &format!("\"clock\":\"set\",\"again\":[{{\"part\":1,\"safe\":{safe}}}]"));
    write(&folder, "000001-02.kpr", format!("{again}2000\tengine\t<\ttwice\n2001\tengine\t<\ttwo\n"));
    let mut recording = open(&[folder.path()]).unwrap();
    let (seen, _) = read(&mut recording);
    assert_eq!(seen.iter().filter(|line| line.contains("twice")).count(), 1);
    assert_eq!(seen.last().map(String::as_str), Some("2001 engine < two"));
    assert_eq!(recording.damage(), Damage::default());
}

#[test]
fn an_end_torn_at_any_byte_costs_the_line_it_hit_and_is_no_damage() {
    let text = part(1, 1, 0, 2);
    let whole = read_bytes(text.as_bytes()).0;
    for cut in head(1, 1, 0).len()..text.len() {
        let (seen, damage) = read_bytes(&text.as_bytes()[..cut]);
        let lines = text[..cut].matches('\n').count();
        let sums = text[..cut].lines().filter(|line| line.contains("\"sum\"") && line.ends_with('}')).count();
        let sums = sums.min(text[..cut].matches("\"}\n").count());
        assert!(seen.len() + sums >= lines.saturating_sub(1) && whole.starts_with(&seen), "cut at {cut}");
        let torn = cut - text[..cut].rfind('\n').unwrap() - 1;
        assert_eq!(damage, Damage { torn: torn as u64, ..Damage::default() }, "cut at {cut}");
    }
}

#[test]
fn one_flipped_bit_costs_at_most_its_own_line_and_the_sum_tells() {
    let text = part(1, 1, 0, 3).into_bytes();
    let whole = read_bytes(&text).0;
    let from = text.len() / 3;
    for place in from..text.len() * 2 / 3 {
        for bit in 0..8 {
            let mut hit = text.clone();
            hit[place] ^= 1 << bit;
            let (seen, damage) = read_bytes(&hit);
            if seen == whole {
                // The hit was in a sum itself, where it stands beside the check value.
                let line = text[..place].iter().rposition(|byte| *byte == b'\n').map_or(0, |lf| lf + 1);
                assert!(
                    text[line..]
                        .splitn(2, |byte| *byte == b'\n')
                        .next()
                        .unwrap()
                        .windows(5)
                        .any(|word| word == b"\"sum\"")
                );
                continue;
            }
            // A time that was hit is moved to that of a neighbour; the line itself is whole.
            let untimed = |line: &String| line.split_once(' ').map_or("", |(_, rest)| rest).replace("!<", "<");
            let lines: Vec<String> = seen.iter().map(untimed).collect();
            let missing = whole.iter().filter(|line| !lines.contains(&untimed(line))).count();
            // The flipped LF joins two lines, which nothing can part again.
            let at_most = if text[place] == b'\n' { 2 } else { 1 };
            assert!(missing <= at_most, "byte {place} bit {bit}: {missing} missing");
            assert!(damage.sums >= 1 && damage.bytes > 0, "byte {place} bit {bit}: {damage:?}");
            let damaged = seen.iter().filter(|line| line.contains("!<")).count();
            assert!((8..=20).contains(&damaged), "byte {place} bit {bit}: {damaged} marked");
        }
    }
}

/// A part of `seconds` seconds of fifty lines of the usual length, so that no sector holds a whole second.
fn busy_part(drive: u32, from_ms: i64, seconds: i64) -> String {
    let (mut out, mut second) = (String::new(), head(drive, 1, from_ms));
    for index in 0..seconds {
        for line in 0..50 {
            let ms = from_ms + index * 1000 + line * 20;
            let counts = "\"ref\":225,\"a0\":512,\"a1\":512,\"a2\":300,\"a3\":87,\"p2\":[0,0],\"d4\":1";
            let _ = writeln!(second, "{ms}.5\tengine\t<\t{{\"s\":{},\"t\":{},{counts}}}", index * 50 + line, ms * 1000);
        }
        out.push_str(&second);
        out.push_str(&sum(from_ms + index * 1000 + 999, &second));
        second.clear();
    }
    out
}

// C9 of the catalogue of faults: a sector of another file, as a disk that mixes up its blocks gives it.
#[test]
fn a_sector_of_another_file_costs_the_lines_it_lies_on_and_is_told() {
    let text = busy_part(1, 0, 6).into_bytes();
    // Lines of another drive, whose times lie elsewhere.
    let other = busy_part(9, 7_000_000, 6).into_bytes();
    let whole = read_bytes(&text).0;
    let untimed = |line: &String| line.split_once(' ').map_or("", |(_, rest)| rest).replace("!<", "<");
    let wanted: Vec<String> = whole.iter().map(untimed).collect();
    for sector in [512, 4_096] {
        for begin in (0..text.len() - sector).step_by(sector) {
            let mut hit = text.clone();
            hit[begin..begin + sector].copy_from_slice(&other[begin..begin + sector]);
            let what = format!("{sector} bytes at {begin}");
            let (seen, damage) = read_bytes(&hit);
            assert!(damage.sums >= 1 && damage.bytes >= sector as u64 / 2, "{what}: {damage:?}");
            // What lies outside the sector, and the lines at its two edges, is read as it was.
            let outside = |from: usize, to: usize| text[from..to].iter().filter(|byte| **byte == b'\n').count();
            let lines: Vec<String> = seen.iter().map(untimed).collect();
            let kept = wanted.iter().filter(|line| lines.contains(line)).count();
            let sums = text.windows(5).filter(|word| word == b"\"sum\"").count();
            let at_least = outside(0, begin) + outside(begin + sector, text.len());
            assert!(kept + sums + 2 >= at_least, "{what}: {kept} of {at_least}");
            in_order(&seen, &what);
            // A line of the other file is never taken for one that is vouched for.
            let foreign = seen.iter().filter(|line| line.contains(" < ") && !wanted.contains(&untimed(line))).count();
            assert_eq!(foreign, 0, "{what}");
        }
    }
}

/// Times never go back.
#[track_caller]
fn in_order(seen: &Seen, what: &str) {
    let times =
        seen.iter().filter(|line| !line.starts_with("head")).map(|line| line.split(' ').next().unwrap().parse::<f64>());
    let times: Vec<f64> = times.map(|time| time.unwrap()).collect();
    assert!(times.is_sorted(), "{what}: {times:?}");
}

#[test]
fn two_parts_that_were_swapped_are_read_in_the_order_of_their_heads() {
    let folder = TempDir::new().unwrap();
    let parts = [part(1, 1, 0, 3), part(1, 2, 3_000, 3), part(1, 3, 6_000, 3)];
    for (name, text) in ["000001-01.kpr", "000001-02.kpr", "000001-03.kpr"].iter().zip(&parts) {
        write(&folder, name, text);
    }
    let (whole, _) = read(&mut open(&[folder.path()]).unwrap());
    for (one, two) in [(0, 1), (1, 2), (0, 2)] {
        let swapped = TempDir::new().unwrap();
        let mut order = [0, 1, 2];
        order.swap(one, two);
        for (name, place) in ["000001-01.kpr", "000001-02.kpr", "000001-03.kpr"].iter().zip(order) {
            write(&swapped, name, &parts[place]);
        }
        let mut recording = open(&[swapped.path()]).unwrap();
        let (seen, errors) = read(&mut recording);
        assert_eq!(errors, Vec::<String>::new());
        in_order(&seen, &format!("{one} and {two} swapped"));
        let lines = |seen: &Seen| seen.iter().filter(|line| line.contains('<')).count();
        assert_eq!(lines(&seen), lines(&whole));
        assert!(seen == whole, "{one} and {two} swapped: {:?}", seen.first());
    }
}

/// By hand, in a minute or two: `KICKPANEL_MUTATED_FILES=1000000 cargo test --release --test suite mutated -- --nocapture`.
#[test]
fn mutated_files_end_in_order_and_nothing_of_them_panics() {
    let count = std::env::var("KICKPANEL_MUTATED_FILES").map_or(20_000, |count| count.parse::<u64>().unwrap());
    let (text, other) = (part(1, 1, 0, 2).into_bytes(), part(7, 3, 900_000, 2).into_bytes());
    let mut seed = std::env::var("KICKPANEL_SEED").map_or(1, |seed| seed.parse::<u64>().unwrap());
    let mut random = |below: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as usize % below
    };
    for file in 0..count {
        let mut hit = text.clone();
        for _ in 0..=random(4) {
            if hit.is_empty() {
                break;
            }
            let at = random(hit.len());
            let length = (1 + random(64)).min(hit.len() - at);
            match random(6) {
                0 => hit[at] ^= 1 << random(8),
                1 => hit[at] = random(256) as u8,
                2 => drop(hit.drain(at..at + length)),
                3 => hit[at..at + length].fill(0),
                4 => hit.truncate(at.max(1)),
                _ => {
                    let from = random(other.len() - length);
                    hit[at..at + length].copy_from_slice(&other[from..from + length]);
                }
            }
        }
        let Ok(mut recording) = Recording::from_memory("test".into(), hit.as_slice().into()) else { continue };
        if recording.is_bare() {
            continue;
        }
        let (seen, _) = read(&mut recording);
        in_order(&seen, &format!("file {file}"));
        assert!(recording.damage().bytes <= hit.len() as u64, "file {file}: {:?}", recording.damage());
    }
}

#[test]
fn a_control_byte_costs_its_line_and_reading_goes_on() {
    let (seen, damage) = read_bytes(b"0\te\t<\ta\n1\te\t<\tb\x1Bc\n2\te\t<\td\n");
    assert_eq!(seen, ["0 e < a", "2 e < d"]);
    assert_eq!(damage, Damage { bytes: 10, lines: 1, ..Damage::default() });
}

#[test]
fn a_time_that_was_hit_never_goes_past_its_second_nor_back() {
    let second = "0\te\t<\ta\n1\te\t<\tb\n2\te\t<\tc\n";
    let text = format!("{second}{}3\te\t<\td\n", sum(3, second)).replace("1\te\t<\tb", "9\te\t<\tb");
    assert_eq!(read_bytes(text.as_bytes()).0, ["0 e !< a", "0 e !< b", "2 e !< c", "3 e < d"]);
}

#[test]
fn a_bare_capture_gives_its_lines_without_times() {
    let long = "x".repeat(1_024);
    let most = "y".repeat(1_023);
    let text = format!("ise\"}}\r\n{{\"t\":5}}\n\n{most}\n{long}\n\u{1}\u{2}\n{{\"t\":6}}\nlast");
    let mut recording = Recording::from_memory("capture".into(), text.as_bytes().into()).unwrap();
    assert!(recording.is_bare());
    assert_eq!(recording.config(), None);
    let (seen, _) = read(&mut recording);
    let expected = [
        "-  < ise\"}",
        "-  < {\"t\":5}",
        "-  < ",
        &format!("-  < {most}"),
        "-  too long",
        "-  < \u{1}\u{2}",
        "-  < {\"t\":6}",
    ];
    assert_eq!(seen, expected);
    assert_eq!(recording.damage().torn, 4);
}

#[test]
fn a_recorded_line_that_was_too_long_is_too_long_again() {
    let text = format!("0\te\t<\t{}\n1\te\t<\t{}\n", "x".repeat(1_023), "x".repeat(1_024));
    assert_eq!(read_bytes(text.as_bytes()).0[1], "1 e too long");
    assert!(read_bytes(text.as_bytes()).0[0].starts_with("0 e < xxx"));
}

#[test]
fn a_recording_whose_head_was_hit_or_cut_off_is_still_one() {
    let text = part(1, 1, 0, 1);
    let mut hit = text.clone().into_bytes();
    hit[1] = b'?';
    let (seen, damage) = read_bytes(&hit);
    assert_eq!((seen.len(), damage.sums), (10, 1));
    let headless = text.split_once('\n').unwrap().1;
    assert_eq!(read_bytes(headless.as_bytes()).0.len(), 10);
}

#[rstest]
#[case::missing("not-there.kpr", None, "there is no such file or folder; check the name")]
#[case::empty("a.kpr", Some(&b""[..]), "the file is empty; the power may have gone before anything was written")]
#[case::empty_packed("a.kpr.zst", Some(&b""[..]), "the file is empty; the power may have gone before anything was written")]
#[case::gzip("a.gz", Some(&b"\x1F\x8B\x08\0\0"[..]), "this is no recording but a gzip file: unpack it first with `gunzip`. What can be read: a recording of kickpanel (.kpr, .kpr.zst), a folder of them, or a text file with the controller's lines as they came")]
#[case::photograph("a.jpg", Some(&b"\xFF\xD8\xFF\xE0\0"[..]), "this is no recording but a picture. What can be read: a recording of kickpanel (.kpr, .kpr.zst), a folder of them, or a text file with the controller's lines as they came")]
#[case::config("a.toml", Some(&b"# My lorry\n\nformat = 1\n"[..]), "this is no recording but a config: it goes behind -c, with a recording beside it. What can be read: a recording of kickpanel (.kpr, .kpr.zst), a folder of them, or a text file with the controller's lines as they came")]
#[case::wide("a.txt", Some(&b"\xFF\xFE{\0\n\0"[..]), "this is no recording but UTF-16 text: save it as UTF-8. What can be read: a recording of kickpanel (.kpr, .kpr.zst), a folder of them, or a text file with the controller's lines as they came")]
#[case::newer("a.kpr", Some(&b"0\t-\t!\t{\"note\":\"recording\",\"format\":2}\n"[..]),
    "it is of recording format 2, and this program reads format 1; use the newer kickpanel that wrote it")]
#[case::no_zstd("a.kpr.zst", Some(&b"0\t-\t!\t{}\n"[..]),
    "the packed file is damaged (no packed data begins where it should); what comes before the damage is used; look for another copy of it")]
fn what_cannot_be_read_is_said_with_what_to_do(#[case] name: &str, #[case] bytes: Option<&[u8]>, #[case] says: &str) {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join(name);
    if let Some(bytes) = bytes {
        fs::write(&path, bytes).unwrap();
    }
    let error = match open(&[&path]) {
        Err(error) => error.to_string(),
        Ok(mut recording) => read(&mut recording).1.remove(0),
    };
    assert_eq!(error, format!("{}: {says}", path.display()));
}

/// A capture may begin with a comment, and its names may be those of a config's keys.
#[test]
fn a_capture_is_not_taken_for_a_config() {
    for text in ["# caught on Monday\nformats=3 name=7\n", "[12,13]\n", "name=4 unit=5\n"] {
        assert!(!read_bytes(text.as_bytes()).0.is_empty(), "{text}");
    }
}

#[test]
fn a_folder_without_recordings_says_so() {
    let folder = TempDir::new().unwrap();
    write(&folder, "picture.png", b"\x89PNG");
    let error = open(&[folder.path()]).unwrap_err().to_string();
    let says =
        "no recording in this folder; recordings end in .kpr or .kpr.zst, and a bare capture can be named itself";
    assert_eq!(error, format!("{}: {says}", folder.path().display()));
}

#[test]
fn a_packed_part_that_ends_too_soon_gives_what_is_there_and_the_next_part() {
    let folder = TempDir::new().unwrap();
    let whole = packed(part(1, 1, 0, 2000).as_bytes());
    write(&folder, "000001-01.kpr.zst", &whole[..whole.len() - 200]);
    write(&folder, "000001-02.kpr", part(1, 2, 2_000_000, 1));
    let (seen, errors) = read(&mut open(&[folder.path()]).unwrap());
    assert!(errors.len() == 1 && errors[0].contains("the packed file ends too soon"), "{errors:?}");
    assert!(seen.len() > 1000 && seen.len() < 20_000, "{}", seen.len());
    assert_eq!(seen.iter().filter(|line| line.starts_with("head")).count(), 2);
}

/// A stream of zeroes that would unpack to far more than a part may have.
pub fn bomb() -> Vec<u8> {
    let mut encoder = zstd::Encoder::new(Vec::new(), 19).unwrap();
    let block = vec![b'x'; 1 << 20];
    for _ in 0..100 {
        encoder.write_all(&block).unwrap();
    }
    encoder.finish().unwrap()
}

pub fn wide_window() -> Vec<u8> {
    let mut encoder = zstd::Encoder::new(Vec::new(), 3).unwrap();
    encoder.window_log(27).unwrap();
    encoder.write_all(&vec![b'\n'; 1 << 20]).unwrap();
    encoder.finish().unwrap()
}

/// 100,000 frames without content, then one with.
pub fn empty_frames() -> Vec<u8> {
    let mut out = packed(b"").repeat(100_000);
    out.extend(packed(b"{\"t\":1}\n"));
    out
}

/// A skippable frame (RFC 8878, section 3.1.2) behind a frame with content, and another behind it.
pub fn skippable() -> Vec<u8> {
    let mut out = packed(b"{\"t\":1}\n");
    out.extend(b"\x50\x2A\x4D\x18\x04\0\0\0abcd");
    out.extend(packed(b"{\"t\":2}\n"));
    out
}

#[rstest]
#[case::bomb(bomb(), 0, Some("it unpacks to more than 80 MB, the most for one part of a recording"))]
#[case::window(wide_window(), 0, Some("unpacking it would take more than 8 MiB of memory at once"))]
#[case::empty_frames(empty_frames(), 1, None)]
#[case::skippable(skippable(), 2, None)]
#[case::trailing(b"\x28\xB5\x2F\xFDgarbage".to_vec(), 0, Some("the packed file"))]
fn a_hostile_packed_file_ends_within_limits(#[case] bytes: Vec<u8>, #[case] lines: usize, #[case] says: Option<&str>) {
    let folder = TempDir::new().unwrap();
    let path = write(&folder, "a.kpr.zst", bytes);
    let (seen, errors) = match open(&[&path]) {
        Ok(mut recording) => read(&mut recording),
        Err(error) => (Vec::new(), vec![error.to_string()]),
    };
    assert_eq!(seen.iter().filter(|line| line.contains('<')).count(), lines);
    assert_eq!(errors.len(), usize::from(says.is_some()), "{errors:?}");
    assert!(errors.iter().all(|error| error.contains(says.unwrap())), "{errors:?}");
}

#[test]
fn times_keep_their_microseconds() {
    let mut out = Vec::new();
    write_line(Stamp(1_234_567), "engine", Mark::Received, b"x", &mut out);
    write_line(Stamp(3_600_000_000_001), "engine", Mark::Received, b"y", &mut out);
    assert_eq!(read_bytes(&out).0, ["1234.567 engine < x", "3600000000.001 engine < y"]);
}
