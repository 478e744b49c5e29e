//! The transfer function of one channel as text: a drawing, its regions, and what one count makes along it.
//!
//! Owns which places are looked at, the plot in letters or dots, and the words. In: a channel's
//! [`Transfer`](crate::channel::Transfer), which is the way that its readings go. Out: lines of text for a terminal of
//! given width. Computes no value itself, does no input or output.

mod number;
mod plot;
mod samples;
mod sheet;

pub use number::brief;
pub use plot::{Plot, Series, Signs};
pub use samples::{Region, Samples};
pub use sheet::{Sheet, wrapped};
