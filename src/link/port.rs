//! Opening one serial port: exclusive, raw, at any speed, and so that closing it does not reset the board.

use std::fs;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::fs::FileTypeExt as _;
use std::path::Path;

use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::termios::{ControlModes, OptionalActions};
use tokio_serial::{ErrorKind, SerialPortBuilderExt as _, SerialStream};

use crate::state::Trouble;

/// Opens the node at `path`. Never waits, whatever the node is. Must be called inside a tokio runtime.
pub fn open(path: &Path, baud: u32) -> Result<SerialStream, Trouble> {
    let about = fs::metadata(path).map_err(|error| from_io(&error))?;
    if !about.file_type().is_char_device() {
        return Err(Trouble::NotAPort);
    }
    // Held until the port is open, so that the setting survives.
    let _first = keep_dtr_on_close(path)?;
    let name = path.to_str().ok_or(Trouble::NotAPort)?;
    tokio_serial::new(name, baud).open_native_async().map_err(|error| from_serial(&error))
}

/// Clears HUPCL, so that the last close does not drop DTR: many boards take that for a reset.
///
/// Done through a descriptor of its own, before the real opening, because the serial library keeps what it finds.
fn keep_dtr_on_close(path: &Path) -> Result<OwnedFd, Trouble> {
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let port = rustix::fs::open(path, flags, Mode::empty()).map_err(from_errno)?;
    // What is no terminal answers with an error here: /dev/null, a disk.
    let mut settings = rustix::termios::tcgetattr(&port).map_err(|_| Trouble::NotAPort)?;
    settings.control_modes.remove(ControlModes::HUPCL);
    rustix::termios::tcsetattr(&port, OptionalActions::Now, &settings).map_err(from_errno)?;
    Ok(port)
}

fn from_serial(error: &tokio_serial::Error) -> Trouble {
    match error.kind() {
        // The library's word for a port that another program holds, by TIOCEXCL or by its lock.
        ErrorKind::NoDevice | ErrorKind::Io(io::ErrorKind::WouldBlock) => Trouble::Busy,
        ErrorKind::Io(io::ErrorKind::NotFound) => Trouble::NoDevice,
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => Trouble::NoRights,
        _ => from_io(&io::Error::last_os_error()),
    }
}

fn from_errno(errno: Errno) -> Trouble {
    from_io(&io::Error::from(errno))
}

/// What an error of the system means for a port.
pub(super) fn from_io(error: &io::Error) -> Trouble {
    let Some(number) = error.raw_os_error() else { return Trouble::Unplugged };
    match Errno::from_raw_os_error(number) {
        Errno::NOENT | Errno::NOTDIR | Errno::LOOP => Trouble::NoDevice,
        Errno::ACCESS | Errno::PERM => Trouble::NoRights,
        Errno::BUSY => Trouble::Busy,
        Errno::ISDIR | Errno::NOTTY => Trouble::NotAPort,
        Errno::IO | Errno::NODEV | Errno::NXIO => Trouble::Unplugged,
        _ => Trouble::Failed(number),
    }
}
