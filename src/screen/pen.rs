//! The one hand that writes into a buffer.
//!
//! Owns the two rules that every mark on the screen obeys: it stays inside its area, and it is safe text inside the
//! terminal's glyph set. Widgets draw through a [`Pen`] and never touch the buffer themselves.

use ratatui::buffer::{Buffer, Cell};
use ratatui::layout::Rect;
use unicode_width::UnicodeWidthStr;

use super::look::{Look, Tone};

/// Writes into one area of a buffer. Places are relative to the area's upper left corner.
#[derive(Debug)]
pub struct Pen<'a> {
    buffer: &'a mut Buffer,
    area: Rect,
    /// The terminal's look.
    pub look: &'a Look,
}

impl<'a> Pen<'a> {
    /// A pen for `area`, or for what of it lies inside the buffer.
    pub fn new(buffer: &'a mut Buffer, area: Rect, look: &'a Look) -> Self {
        let area = area.intersection(buffer.area);
        Self { buffer, area, look }
    }

    /// A pen for a part of this one's area; places of `part` are relative to it.
    pub fn part(&mut self, part: Rect) -> Pen<'_> {
        let moved = Rect { x: self.area.x.saturating_add(part.x), y: self.area.y.saturating_add(part.y), ..part };
        Pen { area: moved.intersection(self.area), look: self.look, buffer: self.buffer }
    }

    /// Columns of the area.
    pub const fn width(&self) -> u16 {
        self.area.width
    }

    /// Rows of the area.
    pub const fn height(&self) -> u16 {
        self.area.height
    }

    /// Whether there is nothing to write into.
    pub const fn is_empty(&self) -> bool {
        self.area.width == 0 || self.area.height == 0
    }

    /// Empties the whole area.
    pub fn clear(&mut self, tone: Tone) {
        if self.is_empty() {
            return;
        }
        let mut blank = Cell::new(" ");
        blank.set_style(self.look.style(tone));
        for y in self.area.top()..self.area.bottom() {
            let start = self.buffer.index_of(self.area.x, y);
            self.buffer.content[start..start + usize::from(self.area.width)].fill(blank.clone());
        }
    }

    /// Writes `text` from `x` on, at most `room` columns; what is too long ends in the sign for more. Gives the
    /// columns written.
    pub fn text(&mut self, x: u16, y: u16, room: u16, text: &str, tone: Tone) -> u16 {
        let room = room.min(self.area.width.saturating_sub(x));
        if room == 0 || y >= self.area.height {
            return 0;
        }
        let text = self.look.text(text);
        let style = self.look.style(tone);
        let (left, top) = (self.area.x + x, self.area.y + y);
        if text.width() <= usize::from(room) {
            return self.buffer.set_stringn(left, top, text, usize::from(room), style).0 - left;
        }
        let end = self.buffer.set_stringn(left, top, text, usize::from(room - 1), style).0;
        self.mark(end - self.area.x, y, self.look.signs().more, tone);
        end + 1 - left
    }

    /// Writes `text` so that it ends at column `end` (not included), if all of it fits right of `x`; else nothing.
    /// Gives the column where it begins, or `end`.
    pub fn text_before(&mut self, x: u16, end: u16, y: u16, text: &str, tone: Tone) -> u16 {
        let width = columns(&self.look.text(text));
        if width == 0 || x.saturating_add(width) > end || end > self.area.width {
            return end;
        }
        self.text(end - width, y, width, text, tone);
        end - width
    }

    /// Puts one character of a glyph table. The only place that writes one raw, so nothing from outside comes here.
    pub fn mark(&mut self, x: u16, y: u16, glyph: char, tone: Tone) {
        if x >= self.area.width || y >= self.area.height {
            return;
        }
        if let Some(cell) = self.buffer.cell_mut((self.area.x + x, self.area.y + y)) {
            cell.set_char(glyph).set_style(self.look.style(tone));
        }
    }

    /// Puts `glyph` into `count` columns from `x` on.
    pub fn run(&mut self, x: u16, y: u16, count: u16, glyph: char, tone: Tone) {
        for place in x..x.saturating_add(count).min(self.area.width) {
            self.mark(place, y, glyph, tone);
        }
    }
}

/// Columns that `text` takes.
pub fn columns(text: &str) -> u16 {
    u16::try_from(text.width()).unwrap_or(u16::MAX)
}
