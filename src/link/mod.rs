//! Serial ports: opened, read, lost, and opened again, for ever.
//!
//! Owns the only code that reads bytes live, the pauses between tries, and the words for what is wrong with a port. In:
//! a device's name or pattern, lines to send. Out: [`Event`]s to a [`Sink`], called as they happen. Decodes nothing and
//! waits for nobody but the port.
//!
//! Rules that cost days if unknown: after an unplug `read` returns 0 bytes at once and for ever, so that is the end of
//! the port, always, and it is dropped at once (while it is held, the device comes back under the next name). A port is
//! never flushed and never shut down: both wait in the kernel without end.

mod advice;
mod find;
mod pace;
mod port;
pub mod pty;
mod run;

pub use advice::{advice, words};
pub use find::first_match;
pub use port::open;
pub use run::{Event, Outgoing, Settings, Sink, run, serve};
