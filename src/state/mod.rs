//! What everyone reads: the newest snapshot and the short history behind it.
//!
//! Owns the plain structs of the snapshot, the ring of each channel's last ten minutes, and the one place that hands
//! both, with the config that they are of, from the decoding side to screens and viewers. Computes nothing, draws nothing.

mod alarm;
mod history;
mod output;
mod shared;
mod snapshot;

pub use alarm::{AlarmState, Call, Calls, Entry, JOURNAL, Raised};
pub use history::{BUCKET, Column, History};
pub use output::{FaultShown, OutputShown, Problem, Subject, Why};
pub use shared::{Shared, Waker};
pub use snapshot::{
    AlarmShown, ConfigTrouble, Evidence, LinkShown, LinkState, MomentShown, PlayerShown, Recording, SILENT_AFTER,
    Shown, Snapshot, Trouble, WhyStopped,
};
