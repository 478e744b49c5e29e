//! A recording of a story is one that the recording's reader takes without a complaint.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use kickpanel::config::LinkId;
use kickpanel::controller::{Story, write_recording};
use kickpanel::pipeline::{Outcome, Pipeline};
use kickpanel::record::{Item, Recording};
use kickpanel::time::SECOND;

use rstest::rstest;

use super::{HILL_LORRY, bytes, model};

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

/// Made by `kickpanel demo filter --seed 7 --minutes 2 --write recordings/000001-01.kpr.zst`, and `ground` likewise.
fn kept_path(story: Story) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings").join(format!("{:06}-01.kpr.zst", story.drive()))
}

#[rstest]
#[case::filter(Story::Filter, 1)]
#[case::ground(Story::Ground, 1)]
fn a_kept_recording_reads_and_holds_a_falter(#[case] story: Story, #[case] least: u32) {
    assert!(std::fs::metadata(kept_path(story)).unwrap().len() < 200_000);
    let mut recording = Recording::open(&[kept_path(story)]).unwrap();
    let model = Arc::new(model("recorded config", recording.config().unwrap()));
    let place = |name: &str| model.channels.iter().position(|channel| channel.name == name).unwrap();
    let (rpm, speed) = (place("rpm"), place("speed"));
    let mut pipeline = Pipeline::new(model.clone());
    let (mut falters, mut low, mut readings) = (0, false, 0);
    while let Some(item) = recording.next().unwrap() {
        let Item::Line(line) = item else { continue };
        let outcome = pipeline.line(LinkId(0), line.at.unwrap(), line.bytes, &mut |_| {});
        assert!(!matches!(outcome, Outcome::Refused(_)), "{outcome:?}");
        readings += u32::from(outcome == Outcome::Reading);
        let good = |place: usize| pipeline.snapshot().channels[place].value.good();
        let is_low = good(rpm).is_some_and(|rpm| rpm < 500.0) && good(speed).is_some_and(|speed| speed > 5.0);
        falters += u32::from(is_low && !low);
        low = is_low;
    }
    assert_eq!(recording.damage().bytes, 0);
    assert!(falters >= least && readings > 5_900, "{falters} {readings}");
}
