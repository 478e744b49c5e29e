//! The screen: pages, widgets, looks, glyph sets, keys.
//!
//! Owns the terminal while it runs and everything that is drawn on it. In: snapshots out of [`crate::state::Shared`],
//! keys and taps. Out: bytes to the terminal, [`Command`]s to the session's owner. Never anything but drawing from a
//! snapshot: no link, no decoding, no file. A widget is a function of a snapshot; nothing in drawing waits, locks or
//! reads a clock.

mod attend;
mod banner;
mod canvas;
mod control;
mod encode;
mod foot;
mod glyphs;
mod harness;
mod item;
mod journal;
mod key_list;
mod keys;
mod look;
mod outputs;
mod painter;
mod pen;
mod piece;
mod plan;
mod run;
mod terminal;
mod view;
mod widget;
pub(crate) mod words;

pub use control::Control;
pub use glyphs::GlyphSet;
pub use harness::{HarnessKey, HarnessPage, HarnessRow, HarnessScreen};
pub use item::Labels;
pub use journal::PAGE as JOURNAL_PAGE;
pub use keys::Command;
pub use look::{Depth, Look, LookSettings, NoPicture};
pub use plan::Wish;
pub use run::{Ending, ScreenError, Session, run, run_on};
pub use terminal::{Got, Terminal};
pub use view::View;
pub use widget::Strip;
pub use words::{Port, age, link_trouble, number};
