//! What is wrong with a port and what to do about it, in words for a person.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;

use super::find::first_match;
use crate::state::Trouble;
use crate::text::safe;

/// A few words, for a status line and for notes in a recording.
pub fn words(trouble: Trouble) -> &'static str {
    match trouble {
        Trouble::NoDevice => "no such port",
        Trouble::NoRights => "no rights to open it",
        Trouble::Busy => "held by another program",
        Trouble::NotAPort => "not a serial port",
        Trouble::Unplugged => "unplugged",
        Trouble::Failed(_) => "cannot be opened",
    }
}

/// A sentence or two: what failed, on which port, and what to do. Looks at the system, so not for a task that reads.
pub fn advice(trouble: Trouble, device: &str) -> String {
    let path = first_match(device);
    let shown = path.as_deref().map_or_else(|| device.to_owned(), |path| path.display().to_string());
    let shown = safe(&shown).into_owned();
    match trouble {
        Trouble::NoDevice => format!("no serial port {shown}; {}", what_is_there()),
        Trouble::NoRights => format!("you may not open {shown}; {}", how_to_get_rights(path.as_deref())),
        Trouble::Busy => format!("{shown} is held by another program{}; end it first. {BUSY_HINT}", holder(path.as_deref())),
        Trouble::NotAPort => format!("{shown} is not a serial port; {}", what_is_there()),
        Trouble::Unplugged => format!("{shown} is gone; check the plug at both ends of the cable"),
        Trouble::Failed(number) => {
            format!("cannot open {shown}: {}", std::io::Error::from_raw_os_error(number))
        }
    }
}

const BUSY_HINT: &str = "If a modem service probes every port, tell it to leave this one alone with the udev line \
    ENV{ID_MM_DEVICE_IGNORE}=\"1\"";

/// What ports there are, for somebody whose config names another one.
fn what_is_there() -> String {
    let mut found: Vec<String> = Vec::new();
    for (folder, prefixes) in [("/dev/serial/by-id", &[""][..]), ("/dev", &["ttyUSB", "ttyACM"])] {
        let Ok(entries) = fs::read_dir(folder) else { continue };
        let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
        found.extend(
            names.filter(|name| prefixes.iter().any(|prefix| name.starts_with(prefix))).map(|name| format!("{folder}/{name}")),
        );
    }
    found.sort();
    if found.is_empty() {
        return "no USB serial port is there at all: check the cable, and that the controller has power".to_owned();
    }
    let found: Vec<_> = found.iter().map(|name| safe(name)).collect();
    format!("there is {}; put the right one into `device` of the link", found.join(", "))
}

/// Which group opens it, and how to join that group.
fn how_to_get_rights(path: Option<&Path>) -> String {
    let group = path.and_then(|path| fs::metadata(path).ok()).and_then(|about| group_name(about.gid()));
    match group.as_deref() {
        Some("root") | None => "ask whoever looks after this computer for the right to".to_owned(),
        Some(group) => format!("its group is {0}: run `sudo usermod -aG {0} $USER`, then log out and in again", safe(group)),
    }
}

fn group_name(id: u32) -> Option<String> {
    let table = fs::read_to_string("/etc/group").ok()?;
    table.lines().find_map(|line| {
        let mut parts = line.split(':');
        let name = parts.next()?;
        (parts.nth(1)?.parse() == Ok(id)).then(|| name.to_owned())
    })
}

/// The program that has the port open, as far as this user may look.
fn holder(path: Option<&Path>) -> String {
    let Some(target) = path.and_then(|path| fs::canonicalize(path).ok()) else { return String::new() };
    let Ok(processes) = fs::read_dir("/proc") else { return String::new() };
    let own = std::process::id().to_string();
    for process in processes.filter_map(Result::ok) {
        let Ok(id) = process.file_name().into_string() else { continue };
        if id == own || !id.bytes().all(|byte| byte.is_ascii_digit()) {
            continue;
        }
        let Ok(open) = fs::read_dir(process.path().join("fd")) else { continue };
        if open.filter_map(Result::ok).any(|fd| fs::read_link(fd.path()).is_ok_and(|path| path == target)) {
            let name = fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            return format!(" ({}, process {id})", safe(name.trim()));
        }
    }
    String::new()
}
