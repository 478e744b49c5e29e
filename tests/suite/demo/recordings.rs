//! A recording of a story is one that the recording's reader takes without a complaint.

use std::sync::Arc;

use kickpanel::controller::{Story, write_recording};
use kickpanel::record::{Item, Recording};
use kickpanel::time::SECOND;

use super::{HILL_LORRY, bytes};

#[test]
fn a_written_story_reads_back_line_for_line() {
    let mut written = Vec::new();
    write_recording(Story::Lines, 7, 90 * SECOND, HILL_LORRY, &mut written).unwrap();
    let sums = String::from_utf8_lossy(&written).lines().filter(|line| line.contains("{\"note\":\"sum\"")).count();
    let again = {
        let mut again = Vec::new();
        write_recording(Story::Lines, 7, 90 * SECOND, HILL_LORRY, &mut again).unwrap();
        again
    };
    assert!(written == again);
    let mut recording = Recording::from_memory("000001-01.kpr".into(), Arc::from(written)).unwrap();
    assert_eq!(recording.config(), Some(HILL_LORRY));
    let (mut lines, mut notes, mut last) = (Vec::new(), Vec::new(), 0);
    while let Some(item) = recording.next().unwrap() {
        match item {
            Item::Line(line) => {
                assert_eq!(line.link, "engine");
                let at = line.at.unwrap().0;
                assert!(at >= last && at < 91 * SECOND);
                last = at;
                lines.extend_from_slice(line.bytes);
                lines.push(b'\n');
            }
            Item::Note(note) => notes.push(note.kind().to_owned()),
            _ => {}
        }
    }
    assert_eq!(recording.damage().bytes, 0);
    let sent = bytes(Story::Lines, 7, 90);
    let whole = sent.iter().rposition(|&byte| byte == b'\n').unwrap();
    assert!(lines == sent[..=whole]);
    assert_eq!(notes, ["link", "closed"]);
    assert!((90..=91).contains(&sums), "{sums}");
}
