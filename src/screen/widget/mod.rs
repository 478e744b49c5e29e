//! The faces that a cell can show its channels with.
//!
//! Each is a pure function of an [`Item`](super::item::Item) and the look, drawn by reference, and has a smaller form
//! for every place that is too small for it, down to a single cell.

pub mod bar;
pub mod dial;
pub mod digits;
pub mod lamp;
pub mod trend;

#[cfg(test)]
mod tests;

pub use bar::Bar;
pub use dial::Dial;
pub use digits::Digits;
pub use lamp::Lamp;
pub use trend::{Strip, Trend};
