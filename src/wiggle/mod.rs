//! Momentary dropouts: every input is held to the band in which it stood, while someone moves the harness.
//!
//! Owns what a dropout is, what is held of each input, and which rate the controller is asked for. In: readings, as the
//! pipeline decoded them, and when they came. Out: for each input its extremes and its dropouts. [`listen`] is the live
//! part: the links, a page on the terminal, the bell. The rest is pure. Sends nothing but the rate; no output is touched.

mod band;
mod edges;
mod harness;
mod rate;
mod rows;
mod session;

pub use band::{BACK, Band, Dropout, Rule, Side, Step};
pub use edges::{Gaps, Turning};
pub use harness::{Harness, Held, Input, Kind};
pub use rate::{HIGHEST, Rate};
pub use session::listen;
