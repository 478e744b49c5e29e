//! What the tests are run with: the firmware and the bench, each built once into `target/controller`.
//!
//! A tool that is missing is a failure that names its package, never a test left out.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// Each tool, and the package that has it (Debian's names; `tests/run` knows the others).
const TOOLS: [(&str, &str); 4] =
    [("make", "make"), ("cc", "gcc"), ("avr-gcc", "gcc-avr and avr-libc"), ("avr-size", "binutils-avr")];

/// The bench.
pub fn bench() -> &'static Path {
    static BENCH: OnceLock<PathBuf> = OnceLock::new();
    BENCH.get_or_init(|| {
        let header = Path::new("/usr/include/simavr/sim_avr.h");
        let local = Path::new("/usr/local/include/simavr/sim_avr.h");
        assert!(header.exists() || local.exists(), "no simavr found: install libsimavr-dev, or run tests/run");
        let elf = Path::new("/usr/include/gelf.h");
        assert!(elf.exists(), "no libelf found: install libelf-dev, or run tests/run");
        make("tests/controller", "bench", &[]).join("bench")
    })
}

/// The firmware as it is flashed.
pub fn firmware() -> &'static Path {
    static FIRMWARE: OnceLock<PathBuf> = OnceLock::new();
    FIRMWARE.get_or_init(|| make("src/controller/firmware", "firmware", &[]).join("kickpanel.elf"))
}

/// The firmware for a line of 115,200 baud.
pub fn slow_firmware() -> &'static Path {
    static FIRMWARE: OnceLock<PathBuf> = OnceLock::new();
    FIRMWARE
        .get_or_init(|| make("src/controller/firmware", "firmware-115200", &["BAUD=115200UL"]).join("kickpanel.elf"))
}

/// What `avr-size` says of the firmware: bytes of flash, and of RAM without the stack.
pub fn sizes() -> (usize, usize) {
    need("avr-size");
    let run = Command::new("avr-size").arg(firmware()).output().unwrap();
    let text = String::from_utf8(run.stdout).unwrap();
    let row: Vec<usize> = text.lines().nth(1).unwrap().split_whitespace().map_while(|word| word.parse().ok()).collect();
    // text, data, bss: data lies in both.
    (row[0] + row[1], row[1] + row[2])
}

#[track_caller]
fn need(tool: &str) {
    let there = Command::new("sh").args(["-c", &format!("command -v {tool}")]).output().unwrap().status.success();
    let package = TOOLS.iter().find(|(name, _)| *name == tool).map_or(tool, |(_, package)| package);
    assert!(there, "no {tool} found: install {package}, or run tests/run, which does");
}

/// Builds what `folder` describes, and gives back where it stands.
#[track_caller]
fn make(folder: &str, name: &str, variables: &[&str]) -> PathBuf {
    for (tool, _) in TOOLS {
        need(tool);
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let target = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("controller").join(name);
    let run = Command::new("make")
        .arg("-C")
        .arg(root.join(folder))
        .arg(format!("BUILD={}", target.display()))
        .args(variables)
        .env_remove("MAKEFLAGS")
        .output()
        .unwrap();
    assert!(run.status.success(), "make in {folder} failed:\n{}", String::from_utf8_lossy(&run.stderr));
    target
}
