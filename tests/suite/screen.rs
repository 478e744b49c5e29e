//! Checks of the screen room: whole pages at fixed sizes and instants, every size and glyph set, no number ever cut,
//! and the built loop on a real pseudo-terminal.

mod alarms;
mod lorry;
mod pages;
mod terminal;
