//! What keeps a link from being open, in sentences for the person in front of it.
//!
//! Owns the wording: what failed, on which port, what to do. In: a [`Trouble`], the name in the config, and what the
//! system shows of devices, groups and programs. Out: text that is safe for a terminal. Opens no port.

use std::fmt::Write as _;
use std::fs;
use std::io;
use std::os::unix::fs::FileTypeExt;
use std::path::{Path, PathBuf};

use super::holders::{Holder, holders, is_listed, is_ours, name_in, owner, runs, usb_numbers};
use super::pattern::first_match;
use crate::state::Trouble;
use crate::text::safe;

/// Where the system shows its devices, programs and users. Another root than `/` is for tests.
#[derive(Clone, Debug)]
pub struct Surroundings {
    /// Stands before `dev`, `proc`, `etc` and `sys`.
    pub root: PathBuf,
    /// The number of the user who wants to open the port.
    pub user: u32,
}

impl Surroundings {
    /// This system, this user.
    pub fn here() -> Self {
        Self { root: PathBuf::from("/"), user: rustix::process::getuid().as_raw() }
    }

    fn at(&self, path: &str) -> PathBuf {
        self.root.join(path)
    }
}

/// What failed, on which port, and what to do. `device` is the name or pattern of the config. May be several lines long;
/// without a line feed at the end.
pub fn explain(trouble: Trouble, device: &str, system: &Surroundings) -> String {
    let path = first_match(device);
    // The device that a pattern leads to says more than the pattern.
    let shown = path.as_deref().map_or_else(|| safe(device).into_owned(), shown);
    match trouble {
        Trouble::NoDevice => no_device(device, system),
        Trouble::NoRights => no_rights(&shown, path.as_deref(), system),
        Trouble::Busy => busy(&shown, path.as_deref(), system),
        Trouble::NotAPort => not_a_port(&shown, path.as_deref()),
        Trouble::Unplugged => format!(
            "{shown} went away while it was open. It is opened again by itself as soon as it is back. \
             If this happens while driving, look at the plug and its strain relief first; then keep the cable short \
             and away from ignition and starter leads, with a ferrite at the board's end."
        ),
        Trouble::Failed(number) => {
            let reason = io::Error::from_raw_os_error(number);
            format!(
                "{shown} cannot be used: {}. Pull it out and plug it in again; if that does not help, check `baud` in \
                 the config and look at the last lines of `sudo dmesg`.",
                safe(&reason.to_string())
            )
        }
    }
}

fn shown(path: &Path) -> String {
    safe(&path.to_string_lossy()).into_owned()
}

fn no_device(device: &str, system: &Surroundings) -> String {
    let mut text = if device.is_empty() {
        "No device is named for this link. ".to_owned()
    } else {
        format!("There is no {}. ", safe(device))
    };
    let there = serial_devices(system);
    if there.is_empty() {
        text.push_str(
            "No serial device is plugged in at all: check that the board has power, and try another cable \
             (many only charge and have no data wires).",
        );
        return text;
    }
    text.push_str("These serial devices are plugged in; put the right one as `device` into the config:");
    for path in there {
        // Writing to a String cannot fail.
        let _ = write!(text, "\n  {}", shown(&path));
    }
    text
}

/// What is plugged in: names that stay the same first, then the short ones that no such name leads to.
fn serial_devices(system: &Surroundings) -> Vec<PathBuf> {
    let lasting = sorted_names(&system.at("dev/serial/by-id"), |_| true);
    let targets: Vec<_> = lasting.iter().filter_map(|path| fs::canonicalize(path).ok()).collect();
    let short = sorted_names(&system.at("dev"), |name| name.starts_with("ttyUSB") || name.starts_with("ttyACM"));
    let others = short.into_iter().filter(|path| fs::canonicalize(path).is_ok_and(|path| !targets.contains(&path)));
    lasting.iter().cloned().chain(others).collect()
}

fn sorted_names(folder: &Path, wanted: impl Fn(&str) -> bool) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<_> =
        entries.filter(|entry| wanted(&entry.file_name().to_string_lossy())).map(|entry| entry.path()).collect();
    crate::order::by(&mut paths, Ord::cmp);
    paths
}

fn no_rights(shown: &str, path: Option<&Path>, system: &Surroundings) -> String {
    let user = name_in(&system.at("etc/passwd"), system.user);
    let groups = system.at("etc/group");
    let start = match &user {
        Some(user) => format!("The user {} may not open {shown}.", safe(user)),
        None => format!("User number {} may not open {shown}.", system.user),
    };
    let owner = path.and_then(owner).filter(|owner| owner.group_may && owner.group != 0);
    let Some((owner, group)) = owner.and_then(|owner| Some((owner, name_in(&groups, owner.group)?))) else {
        return format!(
            "{start} Its rights let no group in; look at them with `ls -l {shown}`. A serial port usually belongs to \
             the group dialout with the rights rw-rw----."
        );
    };
    let group = safe(&group);
    match user {
        Some(user) if is_listed(&groups, owner.group, &user) => {
            format!(
                "{start} {} is a member of the group {group}, but not in this session: log out and in again.",
                safe(&user)
            )
        }
        user => {
            let user = user.as_deref().map_or_else(|| "$USER".into(), safe);
            format!(
                "{start} It belongs to the group {group}. Run `sudo usermod -aG {group} {user}`, then log out and in again."
            )
        }
    }
}

/// The name of the system's own program that tries every new serial port for a modem.
const MODEM_MANAGER: &str = "ModemManager";

fn busy(shown: &str, path: Option<&Path>, system: &Surroundings) -> String {
    let processes = system.at("proc");
    if path.is_some_and(|path| is_ours(&processes, path)) {
        return format!(
            "{shown} is open already: another link of this config has the same port under another name. Give each link a \
             port of its own; `ls -l /dev/serial/by-id` shows which name leads where."
        );
    }
    let found = path.map(|path| holders(&processes, path)).unwrap_or_default();
    let mut text = match found.as_slice() {
        [] => format!(
            "Another program holds {shown}. It belongs to another user; `sudo fuser -v {shown}` names it. End it first."
        ),
        found => format!("{shown} is held by {}. End it first.", list(found)),
    };
    text.push_str(" Only one program can read a port.");
    let is_it = found.iter().any(|holder| holder.name == MODEM_MANAGER);
    // Of another user's program, only its name can be seen and not what it holds.
    let may_be_it = found.is_empty() && runs(&processes, MODEM_MANAGER);
    if !is_it && !may_be_it {
        return text;
    }
    let which_it_is =
        if is_it { "That is the system's modem manager." } else { "The system's modem manager runs here." };
    let numbers = path.and_then(|path| usb_numbers(&system.at("sys/class/tty"), path));
    let which = numbers.map_or_else(
        || "KERNEL==\"ttyUSB*|ttyACM*\"".to_owned(),
        |(vendor, product)| {
            format!("ATTRS{{idVendor}}==\"{}\", ATTRS{{idProduct}}==\"{}\"", safe(&vendor), safe(&product))
        },
    );
    // Writing to a String cannot fail.
    let _ = write!(
        text,
        "\n{which_it_is} This line in /etc/udev/rules.d/99-kickpanel.rules keeps it off, from the next \
         plugging in:\n  ACTION==\"add|change\", SUBSYSTEM==\"tty\", {which}, ENV{{ID_MM_DEVICE_IGNORE}}=\"1\""
    );
    text
}

fn list(found: &[Holder]) -> String {
    let names: Vec<_> =
        found.iter().map(|holder| format!("{} (process {})", safe(&holder.name), holder.process)).collect();
    names.join(" and ")
}

fn not_a_port(shown: &str, path: Option<&Path>) -> String {
    let kind = path.and_then(|path| fs::metadata(path).ok()).map(|found| found.file_type());
    let what = match kind {
        Some(kind) if kind.is_dir() => "a folder",
        Some(kind) if kind.is_file() => "an ordinary file",
        Some(kind) if kind.is_fifo() => "a named pipe",
        Some(kind) if kind.is_socket() => "a socket",
        Some(kind) if kind.is_block_device() => "a disk",
        _ => "a device that is not a serial line",
    };
    format!(
        "{shown} is no serial port but {what}. Name the port as `device` in the config, best by a name below \
         /dev/serial/by-id, which stays the same wherever it is plugged in. To look at a recorded drive, use \
         `kickpanel replay`."
    )
}
