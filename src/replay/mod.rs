//! Replay: a recording through the very same core, at any speed, forth and back.
//!
//! Owns how items of a recording reach a [`crate::pipeline::Pipeline`] ([`Feed`], which exports use too), whose lines
//! they are ([`Links`]), by which config ([`Configs`]), and a player's place in time ([`Player`]). No clock: how much time passed is handed in. Reads
//! recordings and nothing else; draws nothing.

mod configs;
mod extent;
mod feed;
mod links;
mod player;
mod tape;

pub use configs::{Configs, Mistakes};
pub use extent::{Extent, Moment};
pub use feed::{Fed, Feed, Refused};
pub use links::Links;
pub use player::{Player, SPEEDS, Seen, publish_to};
pub use tape::{INPUT_MAX, Tape};
