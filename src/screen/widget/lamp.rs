//! On or off: a sign and a word, never the sign alone.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use crate::screen::item::{Item, header};
use crate::screen::look::{Look, Tone};
use crate::screen::pen::{Pen, columns};
use crate::screen::words::Said;

/// One channel that is on or off.
#[derive(Clone, Copy, Debug)]
pub struct Lamp<'a> {
    /// What is shown.
    pub item: &'a Item<'a>,
    /// The terminal's look.
    pub look: &'a Look,
}

impl Widget for &Lamp<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area, self.look);
        if pen.is_empty() {
            return;
        }
        let lit = self.item.value.is_some_and(|value| value != 0.0);
        let tone = self.item.tone(if lit { Tone::Strong } else { Tone::Quiet });
        let word = match &self.item.said {
            Said::Value(text) => text.as_str(),
            Said::Doubt(long, _) if columns(long) <= pen.width() => long.as_str(),
            Said::Doubt(_, short) => short,
        };
        if pen.height() >= 2 {
            header(&mut pen, self.item, false);
            let row = if pen.height() >= 5 { 2 } else { 1 };
            let signs = 2 * pen.height().saturating_sub(row).min(2);
            for y in row..row + signs / 2 {
                self.sign(&mut pen, (0, y), signs, lit, tone);
            }
            let start = if self.item.value.is_some() { signs + 1 } else { 0 };
            pen.text(start, row, pen.width(), word, tone);
            return;
        }
        let end = pen.width();
        let begin = pen.text_before(0, end, 0, word, tone);
        if self.item.value.is_some() && begin >= 2 {
            self.sign(&mut pen, (begin - 2, 0), 1, lit, tone);
        }
        pen.text(0, 0, begin.saturating_sub(3), self.item.label, Tone::Quiet);
    }
}

impl Lamp<'_> {
    fn sign(&self, pen: &mut Pen<'_>, (x, y): (u16, u16), count: u16, lit: bool, tone: Tone) {
        if self.item.value.is_none() {
            return;
        }
        let signs = self.look.signs();
        let (glyph, tone) = if lit { (signs.lit, tone) } else { (signs.dark, Tone::Faint) };
        pen.run(x, y, count, glyph, tone);
    }
}
