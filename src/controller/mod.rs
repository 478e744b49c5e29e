//! The simulated controller of the demo: a whole vehicle in software that speaks the counts format.
//!
//! Owns the lorry and its faults ([`Story`]), the pins that its sensors hang on, and the lines that a controller makes
//! of them ([`Simulated`]). In: a story, a seed and how far to go. Out: bytes, as they would come over a serial port.
//! Asks no clock, opens no port, reads no file: the same story and seed give the same bytes, for ever.
//!
//! The scenario is our own, and every number of it is invented data of the demo: an old hill-farm lorry into which
//! somebody put the four-cylinder diesel of a generator set.

mod cause;
mod command;
mod damage;
mod driver;
mod edges;
mod electric;
mod engine;
pub mod firmware;
mod heat;
mod lines;
mod pins;
mod random;
mod recording;
mod road;
mod story;
mod vehicle;

pub use lines::Simulated;
pub use recording::write_recording;
pub use story::Story;
pub use vehicle::Truth;
