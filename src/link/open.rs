//! Opens a serial port: raw, for this program alone, and so that closing it does not reset the board.
//!
//! Owns the order of the system calls and what their errors mean. In: a path and a speed. Out: a port or a [`Trouble`].
//! Never hangs on what is no port, and never touches the settings of a port that another program holds.

use std::fs;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::fs::FileTypeExt;
use std::path::Path;

use rustix::fs::{FlockOperation, Mode, OFlags, flock};
use rustix::io::Errno;
use rustix::termios::{ControlModes, OptionalActions, tcgetattr, tcsetattr};

use super::serial::Serial;
use crate::state::Trouble;

/// Opens the serial port at `path` with `baud` bits for each second, 8 data bits, no parity, one stop bit, no flow
/// control. Must be called inside a tokio runtime.
///
/// The kernel raises DTR at opening whatever one does, which resets most boards; HUPCL is cleared, so that DTR stays
/// raised when the port is closed and the next opening does not reset the board again.
pub fn open(path: &Path, baud: u32) -> Result<Serial, Trouble> {
    let kind = fs::metadata(path).map_err(|error| while_opening(&error))?.file_type();
    if !kind.is_char_device() {
        return Err(Trouble::NotAPort);
    }
    let name = path.to_str().ok_or(Trouble::Failed(Errno::INVAL.raw_os_error()))?;
    let first = open_first(path)?;
    settle(&first, baud)?;
    // `first` stays open while the port becomes ours, so that the settings and DTR are not lost in between.
    let held = tokio_serial::new(name, baud).open().map_err(|error| from_serial(&error))?;
    Serial::new(first, held).map_err(|error| while_opening(&error))
}

/// A plain descriptor of a terminal that nobody else has locked.
///
/// Root may open a port in spite of another's TIOCEXCL, and the serial library, finding the lock taken, would then end
/// the other's exclusive use as it closes. So the lock is tried here first.
fn open_first(path: &Path) -> Result<OwnedFd, Trouble> {
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let first = rustix::fs::open(path, flags, Mode::empty()).map_err(errno_while_opening)?;
    tcgetattr(&first).map_err(errno_while_opening)?;
    flock(&first, FlockOperation::NonBlockingLockExclusive).map_err(errno_while_opening)?;
    Ok(first)
}

/// Makes the settings while the lock is held, then lets go of it for the serial library's own.
fn settle(first: &OwnedFd, baud: u32) -> Result<(), Trouble> {
    if baud == 0 {
        // Speed 0 means "hang up".
        return Err(Trouble::Failed(Errno::INVAL.raw_os_error()));
    }
    let mut settings = tcgetattr(first).map_err(errno_while_opening)?;
    settings.make_raw();
    settings.control_modes.remove(ControlModes::HUPCL | ControlModes::CRTSCTS | ControlModes::CSTOPB);
    settings.control_modes.insert(ControlModes::CLOCAL | ControlModes::CREAD);
    settings.set_speed(baud).map_err(errno_while_opening)?;
    tcsetattr(first, OptionalActions::Now, &settings).map_err(errno_while_opening)?;
    flock(first, FlockOperation::Unlock).map_err(errno_while_opening)
}

/// What an error of the serial library means; it hides the number behind a kind.
fn from_serial(error: &tokio_serial::Error) -> Trouble {
    match error.kind {
        // It uses this kind for a lock that is taken, and for EBUSY.
        tokio_serial::ErrorKind::NoDevice => Trouble::Busy,
        tokio_serial::ErrorKind::Io(kind) => while_opening(&io::Error::from(kind)),
        // All other numbers; the same calls went well on the first descriptor, so the device went in between.
        _ => Trouble::Failed(Errno::IO.raw_os_error()),
    }
}

fn while_opening(error: &io::Error) -> Trouble {
    match Errno::from_io_error(error) {
        Some(errno) => errno_while_opening(errno),
        None => match error.kind() {
            io::ErrorKind::NotFound => Trouble::NoDevice,
            io::ErrorKind::PermissionDenied => Trouble::NoRights,
            _ => Trouble::Failed(Errno::IO.raw_os_error()),
        },
    }
}

fn errno_while_opening(errno: Errno) -> Trouble {
    match errno {
        // EIO: a name that is still there while its device is already gone, or a built-in port without hardware.
        Errno::NOENT | Errno::NOTDIR | Errno::NXIO | Errno::NODEV | Errno::IO => Trouble::NoDevice,
        Errno::ACCESS | Errno::PERM => Trouble::NoRights,
        Errno::BUSY | Errno::AGAIN => Trouble::Busy,
        Errno::NOTTY => Trouble::NotAPort,
        other => Trouble::Failed(other.raw_os_error()),
    }
}
