//! The terminal: taken once, given back once, on every way out.
//!
//! Owns raw mode, the second screen, the cursor and the mouse reports while a [`Terminal`] lives. It is opened anew
//! under its own name and without blocking, so that a session that stalls holds up nothing here, and so that standard
//! input and output, which share one set of flags with other programs, stay as they were.

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::sync::{Mutex, Once, PoisonError};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::termios::{OptionalActions, Termios, isatty, tcgetattr, tcgetwinsize, tcsetattr, ttyname};

/// Second screen, empty; cursor hidden; presses of mouse buttons reported, in the form without limits (xterm's control
/// sequences 1049, 25, 1000, 1006); pasted text marked (2004).
const ENTER: &[u8] = b"\x1b[?1049h\x1b[2J\x1b[?25l\x1b[?1000h\x1b[?1006h\x1b[?2004h";
/// All of that undone, colours reset.
const LEAVE: &[u8] = b"\x1b[?2004l\x1b[?1006l\x1b[?1000l\x1b[0m\x1b[?25h\x1b[?1049l";

/// How long a terminal that takes no more bytes is waited for when it is given back, and how often: one that is only slow
/// (a session over a phone) must not be left on the second screen, and one that is dead must not hold up an ending.
const MOMENT: Duration = Duration::from_millis(50);
const MOMENTS: u32 = 5;

/// What a panic needs to give the terminal back. `None` while no terminal is held.
static HELD: Mutex<Option<Held>> = Mutex::new(None);
static HOOK: Once = Once::new();

struct Held {
    tty: File,
    modes: Termios,
}

/// The terminal while it is ours. Dropping it gives it back.
#[derive(Debug)]
pub struct Terminal {
    tty: File,
}

/// What came of reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Got {
    /// So many bytes.
    Bytes(usize),
    /// Nothing now.
    Nothing,
    /// The terminal is gone.
    Gone,
}

impl Terminal {
    /// Takes the terminal that `near` is. Fails where it is none, or where one is already held.
    pub fn take(near: impl AsFd) -> io::Result<Self> {
        if !isatty(&near) {
            return Err(io::Error::new(io::ErrorKind::Unsupported, "the output is no terminal"));
        }
        let tty = File::from(open_again(near.as_fd())?);
        let modes = tcgetattr(&tty)?;
        HOOK.call_once(give_back_on_panic);
        {
            let mut held = HELD.lock().unwrap_or_else(PoisonError::into_inner);
            if held.is_some() {
                return Err(io::Error::new(io::ErrorKind::ResourceBusy, "the terminal is already in use"));
            }
            *held = Some(Held { tty: tty.try_clone()?, modes: modes.clone() });
        }
        let terminal = Self { tty };
        let mut raw = modes;
        raw.make_raw();
        tcsetattr(&terminal.tty, OptionalActions::Now, &raw)?;
        let mut waiting = ENTER.to_vec();
        terminal.write(&mut waiting)?;
        Ok(terminal)
    }

    /// Its size in columns and rows; `None` while it has none (it just went away, or does not know).
    pub fn size(&self) -> Option<(u16, u16)> {
        let size = tcgetwinsize(&self.tty).ok()?;
        (size.ws_col > 0 && size.ws_row > 0).then_some((size.ws_col, size.ws_row))
    }

    /// Reads what there is, without waiting.
    pub fn read(&self, buffer: &mut [u8]) -> Got {
        match (&self.tty).read(buffer) {
            Ok(0) => Got::Gone,
            Ok(count) => Got::Bytes(count),
            Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => {
                Got::Nothing
            }
            Err(_) => Got::Gone,
        }
    }

    /// Writes as much of `waiting` as the terminal takes now and leaves the rest in it. One call of the system for a
    /// frame that fits.
    pub fn write(&self, waiting: &mut Vec<u8>) -> io::Result<()> {
        while !waiting.is_empty() {
            match (&self.tty).write(waiting) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(count) => {
                    waiting.drain(..count);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }
}

impl AsFd for Terminal {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.tty.as_fd()
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        give_back();
    }
}

/// The same terminal with flags of its own, so that not blocking concerns nobody else. Where it has no name here (some
/// containers), the descriptor itself, which then may block.
fn open_again(near: BorrowedFd<'_>) -> io::Result<OwnedFd> {
    let flags = OFlags::RDWR | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::CLOEXEC;
    let named = ttyname(near, Vec::new()).and_then(|name| rustix::fs::open(name.as_c_str(), flags, Mode::empty()));
    match named {
        Ok(tty) => Ok(tty),
        Err(Errno::INTR) => Err(Errno::INTR.into()),
        Err(_) => near.try_clone_to_owned(),
    }
}

/// Whether a terminal is still ours: a panic in any thread gives it back.
pub fn is_held() -> bool {
    HELD.lock().unwrap_or_else(PoisonError::into_inner).is_some()
}

fn give_back_on_panic() {
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        // First the terminal, so that the message is to be seen.
        give_back();
        before(panic);
    }));
}

/// Gives the terminal back if it is held. What a terminal that stalls for [`MOMENTS`] does not take is lost.
fn give_back() {
    let held = HELD.lock().unwrap_or_else(PoisonError::into_inner).take();
    if let Some(held) = held {
        // Nobody is left to tell of a failure.
        let _ = write_patiently(&held.tty, LEAVE);
        let _ = tcsetattr(&held.tty, OptionalActions::Now, &held.modes);
    }
}

/// Writes all of `bytes` to a terminal that does not block, waiting a few moments for one that is full.
fn write_patiently(mut tty: &File, mut bytes: &[u8]) -> io::Result<()> {
    let moment = Timespec::try_from(MOMENT).map_err(|_| Errno::INVAL)?;
    let mut moments = 0;
    while !bytes.is_empty() && moments < MOMENTS {
        match tty.write(bytes) {
            Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
            Ok(count) => bytes = bytes.get(count..).unwrap_or_default(),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                moments += 1;
                // Interrupted or not, the next write tells whether there is room.
                let _ = poll(&mut [PollFd::new(&tty, PollFlags::OUT)], Some(&moment));
            }
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::thread;

    use rustix::fs::fcntl_setfl;

    use super::*;

    /// Both ends of a pipe that takes no more bytes, and how many it took.
    fn full() -> (File, File, usize) {
        let (out, into) = io::pipe().unwrap();
        fcntl_setfl(&into, OFlags::NONBLOCK).unwrap();
        let (out, into) = (File::from(OwnedFd::from(out)), File::from(OwnedFd::from(into)));
        let mut filled = 0;
        while let Ok(count) = (&into).write(&[b'x'; 1024]) {
            filled += count;
        }
        (out, into, filled)
    }

    #[test]
    fn a_terminal_that_is_only_slow_gets_all_that_gives_it_back() {
        let (out, into, filled) = full();
        let reader = thread::spawn(move || {
            let mut seen = Vec::new();
            while seen.len() < filled + LEAVE.len() {
                let mut some = [0; 512];
                let count = (&out).read(&mut some).unwrap();
                assert!(count > 0, "the rest was given up");
                seen.extend_from_slice(&some[..count]);
            }
            seen
        });
        write_patiently(&into, LEAVE).unwrap();
        assert!(reader.join().unwrap().ends_with(LEAVE));
    }

    #[test]
    fn a_terminal_that_nobody_reads_is_given_up() {
        let (_out, into, _) = full();
        write_patiently(&into, LEAVE).unwrap();
    }

    #[test]
    fn a_terminal_that_is_gone_is_an_error_and_no_endless_loop() {
        let (out, into, _) = full();
        drop(out);
        assert_eq!(write_patiently(&into, LEAVE).unwrap_err().kind(), io::ErrorKind::BrokenPipe);
    }
}
