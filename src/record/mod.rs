//! The recording: what came over the links, written as it came, and read again.
//!
//! Owns the recording format, version 1: its lines, its notes, the recorder that never keeps the reader of a port
//! waiting, and the reader that goes on past damage. Decodes nothing. Only [`recorder`] and [`source`] touch files.

mod bare;
pub mod format;
mod kept;
pub mod note;
pub mod reader;
pub mod source;
mod window;

pub use format::{Entry, Fault, Mark};
pub use note::{Again, Head, Note, Told};
pub use reader::{Damage, Item, Line, Recording};
pub use source::ReadError;
