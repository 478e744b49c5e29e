//! Checks of the record room against the outside.

mod jumps;
mod playing;
pub mod reading;
mod reloading;
mod switching;
mod writing;
