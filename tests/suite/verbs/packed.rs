//! C10 of the catalogue of faults: hostile packed files are read within 32 MiB, of which everything that is resident is a part.

use std::process::Command;

use rstest::rstest;

use super::bench::Bench;
use super::board::config;
use crate::record::reading::{bomb, empty_frames, skippable, wide_window};

#[rstest]
#[case::bomb(bomb(), 3, "it unpacks to more than 80 MB")]
#[case::window(wide_window(), 3, "more than 8 MiB of memory at once")]
#[case::empty_frames(empty_frames(), 0, "1 line: 1 reading")]
#[case::skippable(skippable(), 0, "2 lines: 2 readings")]
fn a_hostile_packed_file_is_read_within_32_mib(#[case] bytes: Vec<u8>, #[case] status: i32, #[case] says: &str) {
    let bench = Bench::new();
    bench.write("kickpanel.toml", config("/dev/null").replace("checksum = \"required\"\n", ""));
    bench.write("hostile.kpr.zst", bytes);
    let mut command = Command::new("sh");
    bench.dress(&mut command);
    // In KiB, of all that the process may have mapped; what it cannot get ends it by a signal.
    command.args(["-c", "ulimit -v 32768 && exec \"$0\" export hostile.kpr.zst", env!("CARGO_BIN_EXE_kickpanel")]);
    let ran = Bench::finish(command);
    assert_eq!(ran.status, Some(status), "{}", ran.err);
    assert!(ran.err.contains(says), "{}", ran.err);
}
