//! A real pseudo-terminal, seen from the side of the controller.
//!
//! Owns the master end and, if wanted, a link to the slave at a chosen path, so that a board can be plugged in and pulled
//! out in software. In: bytes to show to the reader. Out: what the reader wrote. Knows no format.
//!
//! Unlike a real port, the master reads an error (EIO) while nobody has the slave open; here that means "no reader yet".

use std::ffi::OsStr;
use std::fs;
use std::io;
use std::os::fd::{AsFd, AsRawFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, poll};
use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{ControlModes, OptionalActions, Termios, tcgetattr, tcsetattr};
use tokio::io::unix::AsyncFd;

/// How often a master without reader looks for one.
const LOOK: Duration = Duration::from_millis(20);

/// What a try to move bytes gave.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tried {
    /// So many bytes were moved.
    Bytes(usize),
    /// Nothing is there to read, or there is no room to write.
    NotNow,
    /// Nobody has the slave open. What is written now is lost, as on a wire that ends in the air.
    NoReader,
}

/// A pseudo-terminal. Dropping it pulls the plug: the reader gets 0 bytes, and the link to the slave is gone.
#[derive(Debug)]
pub struct Pty {
    master: AsyncFd<OwnedFd>,
    slave: PathBuf,
    link: Option<PathBuf>,
}

impl Pty {
    /// A new pseudo-terminal, raw. Must be called inside a tokio runtime.
    pub fn new() -> io::Result<Self> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let name = ptsname(&master, Vec::new())?;
        let slave = PathBuf::from(OsStr::from_bytes(name.as_bytes()));
        let mut settings = tcgetattr(&master)?;
        settings.make_raw();
        // A real port has this set unless somebody clears it.
        settings.control_modes.insert(ControlModes::HUPCL);
        tcsetattr(&master, OptionalActions::Now, &settings)?;
        fcntl_setfl(&master, fcntl_getfl(&master)? | OFlags::NONBLOCK)?;
        // Before its first opening the slave does not count as closed. Opened and closed once, it does.
        drop(rustix::fs::open(&slave, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?);
        Ok(Self { master: watching(master)?, slave, link: None })
    }

    /// Where the slave is, `/dev/pts/N`.
    pub fn slave(&self) -> &Path {
        &self.slave
    }

    /// Puts a symbolic link to the slave at `path`, in place of a link that is there already, and removes it when this
    /// is dropped. Whatever else stands at `path` is left alone, and is an error.
    pub fn link_at(&mut self, path: &Path) -> io::Result<()> {
        self.unlink();
        if fs::symlink_metadata(path).is_ok_and(|found| found.file_type().is_symlink()) {
            fs::remove_file(path)?;
        }
        std::os::unix::fs::symlink(&self.slave, path)?;
        self.link = Some(path.to_path_buf());
        Ok(())
    }

    /// Whether somebody has the slave open.
    pub fn has_reader(&self) -> io::Result<bool> {
        let mut ask = [PollFd::new(self.master.get_ref(), PollFlags::OUT)];
        poll(&mut ask, Some(&rustix::time::Timespec::default()))?;
        Ok(!ask[0].revents().contains(PollFlags::HUP))
    }

    /// Reads what the reader of the slave wrote, without waiting.
    pub fn try_read(&self, buffer: &mut [u8]) -> io::Result<Tried> {
        tried(rustix::io::read(self.master.get_ref(), buffer))
    }

    /// Shows `bytes` to the reader of the slave, without waiting. Less than all may fit.
    pub fn try_write(&self, bytes: &[u8]) -> io::Result<Tried> {
        if !self.has_reader()? {
            // The kernel would keep the bytes for a reader to come, who would take them for new ones.
            return Ok(Tried::NoReader);
        }
        tried(rustix::io::write(self.master.get_ref(), bytes))
    }

    /// Waits for bytes from the reader of the slave, and for that reader where there is none.
    pub async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            let mut guard = self.master.readable().await?;
            let hung_up = guard.ready().is_read_closed();
            match guard.try_io(|master| Ok(rustix::io::read(master.get_ref(), &mut *buffer)?)) {
                Ok(Ok(bytes)) => return Ok(bytes),
                Ok(Err(error)) if error.raw_os_error() == Some(Errno::IO.raw_os_error()) => self.reader().await?,
                Ok(Err(error)) if error.kind() == io::ErrorKind::Interrupted => {}
                Ok(Err(error)) => return Err(error),
                Err(_not_now) if hung_up => self.reader().await?,
                Err(_not_now) => {}
            }
        }
    }

    /// Writes all of `bytes`, waiting for room; drops the rest where nobody reads. Gives how many went.
    pub async fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut gone = 0;
        while gone < bytes.len() {
            match self.try_write(&bytes[gone..])? {
                Tried::Bytes(count) => gone += count,
                Tried::NoReader => break,
                Tried::NotNow => {
                    // A full buffer is rare and tells nothing when its reader goes, so this only looks again.
                    tokio::time::sleep(Duration::from_millis(2)).await;
                }
            }
        }
        Ok(gone)
    }

    /// Waits until somebody has the slave open.
    pub async fn reader(&mut self) -> io::Result<()> {
        while !self.has_reader()? {
            tokio::time::sleep(LOOK).await;
        }
        // A descriptor that once hung up counts as readable for ever; a new registration forgets that.
        let again = self.master.get_ref().try_clone()?;
        self.master = watching(again)?;
        Ok(())
    }

    /// The settings that the reader made, speed included.
    pub fn settings(&self) -> io::Result<Termios> {
        Ok(tcgetattr(self.master.get_ref())?)
    }

    /// Whether closing the slave would drop DTR, were it a real port.
    pub fn hangs_up_on_close(&self) -> io::Result<bool> {
        Ok(self.settings()?.control_modes.contains(ControlModes::HUPCL))
    }

    fn unlink(&mut self) {
        if let Some(link) = self.link.take()
            && fs::read_link(&link).is_ok_and(|target| target == self.slave)
        {
            // It may be gone already, which is what is wanted.
            let _ = fs::remove_file(link);
        }
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        self.unlink();
    }
}

/// Has tokio watch `descriptor`.
#[allow(
    deprecated,
    reason = "its successor is unsafe, which is forbidden here; an owned descriptor keeps what that asks for"
)]
pub(super) fn watching<T: AsRawFd + AsFd>(descriptor: T) -> io::Result<AsyncFd<T>> {
    AsyncFd::new(descriptor)
}

fn tried(result: rustix::io::Result<usize>) -> io::Result<Tried> {
    match result {
        Ok(bytes) => Ok(Tried::Bytes(bytes)),
        Err(Errno::AGAIN | Errno::INTR) => Ok(Tried::NotNow),
        Err(Errno::IO) => Ok(Tried::NoReader),
        Err(error) => Err(error.into()),
    }
}
