//! Pseudo-terminals: a serial port in software, for the demo and for rehearsing what a real one does.

use std::fs;
use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};

use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::OptionalActions;

/// The controller's end of a pseudo-terminal. Dropping it is the unplug: the other end then reads 0 bytes.
///
/// Never waits. What nobody reads is thrown away once the kernel's buffer is full, as on a real line.
#[derive(Debug)]
pub struct Pty {
    master: OwnedFd,
    /// Held, so that the line's settings outlive whoever opens and closes it.
    _slave: OwnedFd,
    path: PathBuf,
}

impl Pty {
    /// A new raw pseudo-terminal.
    pub fn open() -> io::Result<Self> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        rustix::io::ioctl_fionbio(&master, true)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let name = ptsname(&master, Vec::new())?;
        let path = PathBuf::from(name.to_str().map_err(io::Error::other)?);
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let slave = rustix::fs::open(&path, flags, Mode::empty())?;
        let mut settings = rustix::termios::tcgetattr(&slave)?;
        settings.make_raw();
        rustix::termios::tcsetattr(&slave, OptionalActions::Now, &settings)?;
        Ok(Self { master, _slave: slave, path })
    }

    /// The node that a program opens as its serial port.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Makes `name` a link to the node, in place of what it was: so a port comes back under another name.
    pub fn name(&self, name: &Path) -> io::Result<()> {
        match fs::remove_file(name) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        std::os::unix::fs::symlink(&self.path, name)
    }

    /// Writes as much of `bytes` as the line takes now; how many it took.
    pub fn write(&self, bytes: &[u8]) -> io::Result<usize> {
        none_for_now(rustix::io::write(&self.master, bytes))
    }

    /// Reads what was sent to this end; 0 where nothing was.
    pub fn read(&self, buffer: &mut [u8]) -> io::Result<usize> {
        none_for_now(rustix::io::read(&self.master, buffer))
    }
}

/// EIO on this side means that nobody has the port open, which is no error here.
fn none_for_now(result: Result<usize, Errno>) -> io::Result<usize> {
    match result {
        Err(Errno::AGAIN | Errno::INTR | Errno::IO) => Ok(0),
        other => Ok(other?),
    }
}
