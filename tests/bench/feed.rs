//! What the benches of the built program share: pseudo-terminals, and the lines that a controller sends over one.

use std::fs::File;
use std::os::fd::OwnedFd;
use std::path::PathBuf;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, Winsize, tcgetattr, tcsetattr, tcsetwinsize};

pub const LINES_PER_S: u64 = 50;

/// A pseudo-terminal with both its ends.
pub struct Pty {
    master: OwnedFd,
    pub slave: PathBuf,
}

impl Pty {
    fn open() -> Self {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let slave = PathBuf::from(ptsname(&master, Vec::new()).unwrap().into_string().unwrap());
        Self { master, slave }
    }

    /// One that a person sits at, 80 columns and 24 rows.
    pub fn terminal() -> Self {
        let terminal = Self::open();
        tcsetwinsize(&terminal.master, Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
        terminal
    }

    pub fn master(&self) -> File {
        File::from(self.master.try_clone().unwrap())
    }

    pub fn slave(&self) -> File {
        File::options().read(true).write(true).open(&self.slave).unwrap()
    }
}

/// A signed reading with six analog and two pulse inputs and a level.
pub fn line(index: u64) -> Vec<u8> {
    let t = index * 1_000_000 / LINES_PER_S;
    let wave = |phase: u64, span: u64| 300 + (index * 7 + phase * 31) % span;
    let edges = index * 2;
    let mut text = format!(
        "{{\"s\":{},\"t\":{t},\"ref\":226,\"a0\":{}.5,\"a1\":{},\"a2\":{}.25,\"a3\":{},\"a4\":{}.75,\"a5\":{},\
         \"p2\":[{edges},{},9820,10240],\"p3\":[{},{},19820,20240],\"d4\":{}",
        index % 65_536,
        wave(0, 40),
        wave(1, 60),
        wave(2, 80),
        wave(3, 90),
        wave(4, 70),
        wave(5, 50),
        t.saturating_sub(1500),
        index,
        t.saturating_sub(2500),
        index / 100 % 2,
    );
    let crc = crc::Crc::<u16, crc::Table<16>>::new(&crc::CRC_16_IBM_3740).checksum(text.as_bytes());
    text.push_str(&format!(",\"crc\":\"{crc:04X}\"}}\n"));
    text.into_bytes()
}

/// One that stands for a controller's serial port.
pub fn serial_port() -> Pty {
    let serial = Pty::open();
    // Raw from the beginning, so that nothing is echoed before the program opens it.
    let slave = serial.slave();
    let mut raw = tcgetattr(&slave).unwrap();
    raw.make_raw();
    tcsetattr(&slave, OptionalActions::Now, &raw).unwrap();
    serial
}
