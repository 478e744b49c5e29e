//! A bare capture: the lines themselves, as somebody caught them from the port with any tool.
//!
//! Owns cutting them exactly as a live link does. Out: lines without a time, since none was written down.

use super::format::line_end;
use super::source::ReadError;
use super::window::Window;
use crate::wire::LINE_MAX;

pub(super) struct Bare {
    window: Window,
    line: (usize, usize),
    used: usize,
    skipping: bool,
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
        Self { window, line: (0, 0), used: 0, skipping: false }
    }

    /// Goes on to the next line. A last one without LF is dropped and counted in `torn`.
    pub(super) fn next(&mut self, torn: &mut u64) -> Result<Cut, ReadError> {
        loop {
            self.window.consume(self.used);
            self.used = 0;
            let pending = self.window.pending();
            match line_end(pending) {
                Some(end) => {
                    self.used = end + 1;
                    if std::mem::take(&mut self.skipping) {
                        continue;
                    }
                    let cr = usize::from(pending[..end].last() == Some(&b'\r'));
                    self.line = (0, end - cr);
                    return Ok(if end < LINE_MAX { Cut::Line } else { Cut::TooLong });
                }
                None if pending.len() >= LINE_MAX => {
                    self.used = pending.len();
                    if !std::mem::replace(&mut self.skipping, true) {
                        return Ok(Cut::TooLong);
                    }
                }
                None if !self.window.fill()? => {
                    *torn += self.window.pending().len() as u64;
                    self.used = self.window.pending().len();
                    return Ok(Cut::End);
                }
                None => {}
            }
        }
    }

    /// The newest line, without its LF and a CR before it.
    pub(super) fn line(&self) -> &[u8] {
        &self.window.pending()[self.line.0..self.line.1]
    }
}
