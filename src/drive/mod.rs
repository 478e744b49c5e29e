//! Live driving: where links, core, recorder and screen meet.
//!
//! Owns the loop that sees every event: bytes and states of links, keys, signals, a changed config, and time passing.
//! Raw first: a line is handed to the recorder before anything is made of it. The reader waits for nobody: the
//! recorder has its own thread and memory, the screen has its own thread and picks up the newest snapshot.

mod attendant;
mod calls;
mod disarm;
mod engine;
mod leases;
mod listening;
mod locks;
mod reload;
mod run;
mod simulate;
mod teller;

pub use engine::{Engine, Tap};
pub use listening::{Listener, listen};
pub use run::{Ended, Ending, Picture, Plan, run};
