//! The sentences, word for word, in surroundings made for each test.

use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};

use kickpanel::link::pty::Pty;
use kickpanel::link::{Surroundings, explain};
use kickpanel::state::Trouble;
use rustix::fs::{Gid, chown};

use super::on_one_thread;

/// A system in a folder: devices, users and groups, a program or two.
struct System {
    folder: tempfile::TempDir,
}

impl System {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        for path in ["dev/serial/by-id", "etc", "proc", "sys/class/tty"] {
            fs::create_dir_all(folder.path().join(path)).unwrap();
        }
        fs::write(
            folder.path().join("etc/passwd"),
            "root:x:0:0::/root:/bin/sh\nanna:x:1000:1000::/home/anna:/bin/sh\n",
        )
        .unwrap();
        fs::write(folder.path().join("etc/group"), groups("berta")).unwrap();
        Self { folder }
    }

    fn at(&self, path: &str) -> PathBuf {
        self.folder.path().join(path)
    }

    /// What is said about `device` below this root, with the root taken out of the text.
    fn says(&self, trouble: Trouble, device: &str) -> String {
        let surroundings = Surroundings { root: self.folder.path().to_path_buf(), user: 1000 };
        let device = self.at(device);
        let text = explain(trouble, device.to_str().unwrap(), &surroundings);
        text.replace(self.folder.path().to_str().unwrap(), "")
    }
}

/// The number that stands for dialout: root may give a file to any group, anybody else only to the own.
fn dialout() -> u32 {
    if rustix::process::getuid().is_root() { 20 } else { rustix::process::getgid().as_raw() }
}

fn groups(members: &str) -> String {
    format!("root:x:0:\ndialout:x:{}:{members}\n", dialout())
}

fn give_to_group(path: &Path, group: u32, mode: u32) {
    fs::write(path, "").unwrap();
    chown(path, None, Some(Gid::from_raw(group))).unwrap();
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

#[test]
fn an_absent_device_is_answered_with_what_is_there() {
    let system = System::new();
    assert_eq!(
        system.says(Trouble::NoDevice, "dev/serial/by-id/usb-ours"),
        "There is no /dev/serial/by-id/usb-ours. No serial device is plugged in at all: check that the board has \
         power, and try another cable (many only charge and have no data wires)."
    );
    for name in ["ttyUSB0", "ttyUSB1", "ttyACM0", "tty0"] {
        fs::write(system.at("dev").join(name), "").unwrap();
    }
    symlink("../../ttyUSB1", system.at("dev/serial/by-id/usb-theirs")).unwrap();
    assert_eq!(
        system.says(Trouble::NoDevice, "dev/serial/by-id/usb-ours"),
        "There is no /dev/serial/by-id/usb-ours. These serial devices are plugged in; put the right one as `device` \
         into the config:\n  /dev/serial/by-id/usb-theirs\n  /dev/ttyACM0\n  /dev/ttyUSB0"
    );
}

#[test]
fn missing_rights_are_answered_with_the_very_command() {
    let system = System::new();
    give_to_group(&system.at("dev/ttyUSB0"), dialout(), 0o660);
    assert_eq!(
        system.says(Trouble::NoRights, "dev/ttyUSB0"),
        "The user anna may not open /dev/ttyUSB0. It belongs to the group dialout. Run `sudo usermod -aG dialout anna`, \
         then log out and in again."
    );
    fs::write(system.at("etc/group"), groups("berta,anna")).unwrap();
    assert_eq!(
        system.says(Trouble::NoRights, "dev/ttyUSB0"),
        "The user anna may not open /dev/ttyUSB0. anna is a member of the group dialout, but not in this session: log \
         out and in again."
    );
}

#[test]
fn nobody_is_told_to_join_the_group_of_root_or_one_without_rights() {
    let system = System::new();
    let mut cases = vec![(dialout(), 0o600), (dialout(), 0o640)];
    if rustix::process::getuid().is_root() {
        // Only root can make a file that belongs to the group of root.
        cases.push((0, 0o660));
    }
    for (group, mode) in cases {
        give_to_group(&system.at("dev/ttyUSB0"), group, mode);
        assert_eq!(
            system.says(Trouble::NoRights, "dev/ttyUSB0"),
            "The user anna may not open /dev/ttyUSB0. Its rights let no group in; look at them with \
             `ls -l /dev/ttyUSB0`. A serial port usually belongs to the group dialout with the rights rw-rw----."
        );
    }
}

#[test]
fn a_busy_port_is_answered_with_who_holds_it_and_the_rule_that_keeps_the_modem_manager_off() {
    let system = System::new();
    fs::write(system.at("dev/ttyUSB0"), "").unwrap();
    fs::create_dir_all(system.at("proc/812/fd")).unwrap();
    fs::write(system.at("proc/812/comm"), "grabber\u{1b}[31m\n").unwrap();
    let node = fs::canonicalize(system.at("dev/ttyUSB0")).unwrap();
    symlink(node, system.at("proc/812/fd/7")).unwrap();
    fs::create_dir_all(system.at("sys/devices/usb1/1-1/1-1:1.0/ttyUSB0")).unwrap();
    fs::write(system.at("sys/devices/usb1/1-1/idVendor"), "1234\n").unwrap();
    fs::write(system.at("sys/devices/usb1/1-1/idProduct"), "abcd\n").unwrap();
    fs::create_dir_all(system.at("sys/class/tty/ttyUSB0")).unwrap();
    symlink("../../../devices/usb1/1-1/1-1:1.0/ttyUSB0", system.at("sys/class/tty/ttyUSB0/device")).unwrap();
    let held =
        "/dev/ttyUSB0 is held by grabber\\x1B[31m (process 812). End it first. Only one program can read a port.";
    assert_eq!(system.says(Trouble::Busy, "dev/ttyUSB0"), held, "what keeps the modem manager off keeps no other off");
    fs::write(system.at("proc/812/comm"), "ModemManager\n").unwrap();
    let rule = "This line in /etc/udev/rules.d/99-kickpanel.rules keeps it off, from the next plugging in:\n  \
                ACTION==\"add|change\", SUBSYSTEM==\"tty\", ATTRS{idVendor}==\"1234\", ATTRS{idProduct}==\"abcd\", \
                ENV{ID_MM_DEVICE_IGNORE}=\"1\"";
    assert_eq!(
        system.says(Trouble::Busy, "dev/ttyUSB0"),
        format!(
            "/dev/ttyUSB0 is held by ModemManager (process 812). End it first. Only one program can read a port.\n\
             That is the system's modem manager. {rule}"
        )
    );
    // It is root's, and what it holds cannot be seen.
    fs::remove_file(system.at("proc/812/fd/7")).unwrap();
    let hidden = "Another program holds /dev/ttyUSB0. It belongs to another user; `sudo fuser -v /dev/ttyUSB0` names it. End it \
                  first. Only one program can read a port.";
    let runs = format!("{hidden}\nThe system's modem manager runs here. {rule}");
    assert_eq!(system.says(Trouble::Busy, "dev/ttyUSB0"), runs);
    fs::write(system.at("proc/812/comm"), "grabber\n").unwrap();
    assert_eq!(system.says(Trouble::Busy, "dev/ttyUSB0"), hidden);
}

/// A program of another make really holds a real pseudo-terminal: `sleep` with the slave as its standard input.
#[test]
fn the_holder_of_a_real_port_is_named() {
    on_one_thread(false, async {
        let pty = Pty::new().unwrap();
        let slave = fs::File::open(pty.slave()).unwrap();
        let mut child = std::process::Command::new("sleep").arg("60").stdin(slave).spawn().unwrap();
        let text = explain(Trouble::Busy, pty.slave().to_str().unwrap(), &Surroundings::here());
        let number = child.id();
        child.kill().unwrap();
        child.wait().unwrap();
        assert!(text.starts_with(&format!("{} is held by ", pty.slave().display())), "{text}");
        assert!(text.contains(&format!("(process {number}). End it first.")), "{text}");
    });
}

/// Two names of one port in a config: it is this very program that holds it.
#[test]
fn a_port_that_another_link_has_is_not_blamed_on_a_stranger() {
    on_one_thread(false, async {
        let pty = Pty::new().unwrap();
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("by-another-name");
        std::os::unix::fs::symlink(pty.slave(), &name).unwrap();
        let _held = fs::File::open(pty.slave()).unwrap();
        let shown = name.to_str().unwrap();
        assert_eq!(
            explain(Trouble::Busy, shown, &Surroundings::here()),
            format!(
                "{shown} is open already: another link of this config has the same port under another name. Give each link a \
                 port of its own; `ls -l /dev/serial/by-id` shows which name leads where."
            )
        );
    });
}

#[test]
fn what_is_no_port_is_called_what_it_is() {
    let system = System::new();
    fs::write(system.at("dev/file"), "").unwrap();
    let rest = "Name the port as `device` in the config, best by a name below /dev/serial/by-id, which stays the same \
                wherever it is plugged in. To look at a recorded drive, use `kickpanel replay`.";
    assert_eq!(
        system.says(Trouble::NotAPort, "dev/file"),
        format!("/dev/file is no serial port but an ordinary file. {rest}")
    );
    assert_eq!(
        system.says(Trouble::NotAPort, "dev/serial"),
        format!("/dev/serial is no serial port but a folder. {rest}")
    );
    let null = explain(Trouble::NotAPort, "/dev/null", &Surroundings::here());
    assert_eq!(null, format!("/dev/null is no serial port but a device that is not a serial line. {rest}"));
}

#[test]
fn other_errors_carry_the_systems_words() {
    let system = System::new();
    fs::write(system.at("dev/ttyUSB0"), "").unwrap();
    assert_eq!(
        system.says(Trouble::Failed(22), "dev/ttyUSB0"),
        "/dev/ttyUSB0 cannot be used: Invalid argument (os error 22). Pull it out and plug it in again; if that does not \
         help, check `baud` in the config and look at the last lines of `sudo dmesg`."
    );
}

#[test]
fn escape_bytes_in_names_never_come_out_as_themselves() {
    let system = System::new();
    fs::write(system.at("dev/ttyUSB0\u{1b}[2J"), "").unwrap();
    for trouble in
        [Trouble::NoDevice, Trouble::NoRights, Trouble::Busy, Trouble::NotAPort, Trouble::Unplugged, Trouble::Failed(5)]
    {
        for device in ["dev/ttyUSB0\u{1b}[2J", "dev/none\u{9b}31m\u{202e}"] {
            let text = system.says(trouble, device);
            let bad = text.chars().find(|c| (c.is_control() && *c != '\n') || *c == '\u{202e}');
            assert_eq!(bad, None, "{trouble:?}: {text:?}");
        }
    }
}
