//! The recording: what came over the links, written as it came, and read again.
//!
//! Owns the recording format, version 1: its lines, its notes, the recorder that never keeps the reader of a port
//! waiting, and the reader that goes on past damage. Decodes nothing. Only [`disk`] and [`source`] touch files.

mod bare;
mod dating;
pub mod disk;
pub mod format;
mod kept;
pub mod note;
pub mod reader;
pub mod recorder;
mod ring;
pub mod source;
mod window;
mod writer;

pub use dating::Dating;
pub use disk::{Disk, default_folder};
pub use format::{Entry, Fault, Mark};
pub use note::{Again, Head, Note, Told, UNREADABLE};
pub use reader::{Damage, Item, Line, Recording};
pub use recorder::Recorder;
pub use source::ReadError;
pub use writer::Setup;
