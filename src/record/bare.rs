//! A bare capture: the lines themselves, as somebody caught them from the port with any tool.
//!
//! Owns nothing but the line at hand: a [`Splitter`] cuts, as it does for a live link. Out: lines without a time, since
//! none was written down.

use super::format::line_end;
use super::source::ReadError;
use super::window::Window;
use crate::wire::{Piece, Splitter};

pub(super) struct Bare {
    window: Window,
    splitter: Splitter,
    line: Vec<u8>,
    /// Bytes of the line that has begun.
    begun: u64,
}

/// What comes next of a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cut {
    Line,
    TooLong,
    End,
}

impl Bare {
    pub(super) fn new(window: Window) -> Self {
        Self { window, splitter: Splitter::new(), line: Vec::new(), begun: 0 }
    }

    /// Goes on to the next line. A last one without LF is dropped and counted in `torn`.
    pub(super) fn next(&mut self, torn: &mut u64) -> Result<Cut, ReadError> {
        loop {
            let pending = self.window.pending();
            let end = line_end(pending);
            let length = end.map_or(pending.len(), |end| end + 1);
            // Up to the first LF there is at most one piece.
            let (line, mut cut) = (&mut self.line, None);
            self.splitter.push(&pending[..length], &mut |piece| match piece {
                Piece::Line(bytes) => {
                    line.clear();
                    line.extend_from_slice(bytes);
                    cut = Some(Cut::Line);
                }
                Piece::TooLong(_) => cut = Some(Cut::TooLong),
            });
            self.window.consume(length);
            self.begun = if end.is_some() { 0 } else { self.begun + length as u64 };
            if let Some(cut) = cut {
                return Ok(cut);
            }
            if end.is_some() {
                continue;
            }
            let filled = self.window.fill();
            if !matches!(filled, Ok(true)) {
                *torn += std::mem::take(&mut self.begun);
            }
            if !filled? {
                return Ok(Cut::End);
            }
        }
    }

    #[cfg(test)]
    pub(super) fn window(&self) -> &Window {
        &self.window
    }

    /// The newest line, without its LF and a CR before it.
    pub(super) fn line(&self) -> &[u8] {
        &self.line
    }
}
