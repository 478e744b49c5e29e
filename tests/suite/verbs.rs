//! The built program from outside: its verbs in an empty folder, and drives and replays on real pseudo-terminals.
//!
//! Every wait here polls until something holds and fails only after [`bench::PATIENCE`], far longer than anything takes:
//! what a contract promises within a second is shown to happen, not measured, since the machine may be busy. The one exception is
//! [`killed`], which is about how much is lost.

pub mod bench;
pub mod board;
mod changing;
mod checking;
mod demos;
mod driving;
mod ending;
mod exporting;
mod firmware;
mod full;
mod hostile;
mod killed;
mod listing;
mod packed;
mod paths;
mod rates;
mod recording;
mod replaying;
mod same;
pub mod seat;
mod stalls;
mod starting;
mod stopped;
mod switching;
mod switching_late;
mod trouble;
mod usage;
