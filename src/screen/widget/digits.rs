//! A number in digits three rows tall and more, of our own drawing.
//!
//! Owns the shapes of the digits. They are strokes on a raster, so that one drawing serves every height: stems and
//! bars of equal weight, rounded where a stroke turns, the 4 open at the top, the 7 bent in the middle.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use crate::screen::canvas::{Canvas, Dots};
use crate::screen::glyphs::GlyphSet;
use crate::screen::item::{Item, below, header, list_row, value_before};
use crate::screen::look::{Look, Tone};
use crate::screen::pen::{Pen, columns};
use crate::screen::words::Said;

/// The number of one channel, as large as it fits.
#[derive(Clone, Copy, Debug)]
pub struct Digits<'a> {
    /// What is shown.
    pub item: &'a Item<'a>,
    /// The terminal's look.
    pub look: &'a Look,
}

impl Widget for &Digits<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area, self.look);
        if pen.height() < 2 {
            return list_row(&mut pen, self.item);
        }
        let lines = if self.item.label_in_two(pen.width()).is_some() { 2 } else { 1 };
        let rest = below(&pen, lines);
        match &self.item.said {
            Said::Value(text) if self.item.channel.words.is_none() => {
                match Size::fit(self.item.slot, text, rest, self.look) {
                    Some(size) => {
                        title(&mut pen, self.item);
                        size.draw(&mut pen.part(rest), text, self.item.tone(Tone::Strong));
                    }
                    None => small(&mut pen, self.item),
                }
            }
            _ => small(&mut pen, self.item),
        }
    }
}

/// The label with its unit, in two rows where it has no room in one.
fn title(pen: &mut Pen<'_>, item: &Item<'_>) {
    let Some((first, second)) = item.label_in_two(pen.width()) else { return header(pen, item, true) };
    header(pen, &Item { label: first, ..item.clone() }, false);
    header(&mut pen.part(below(pen, 1)), &Item { label: second, alarm: None, ..item.clone() }, true);
}

/// Label above, value or words below it. At the left, where the eye looks for the large form; at the right where the
/// rest of a long label stands before it.
fn small(pen: &mut Pen<'_>, item: &Item<'_>) {
    let width = match &item.said {
        Said::Value(text) => columns(text).max(item.slot) + 1 + columns(item.unit),
        Said::Doubt(long, _) => columns(long),
    };
    let end = width.min(pen.width());
    let Some((first, second)) = item.label_in_two(pen.width()) else {
        header(pen, item, false);
        value_before(pen, item, (0, end), 1.max(pen.height() / 2).min(2), Tone::Strong);
        return;
    };
    header(pen, &Item { label: first, ..item.clone() }, false);
    if pen.height() >= 3 {
        pen.text(0, 1, pen.width(), second, Tone::Quiet);
        value_before(pen, item, (0, end), 2, Tone::Strong);
    } else {
        let begin = value_before(pen, item, (0, pen.width()), 1, Tone::Strong);
        pen.text(0, 1, begin.saturating_sub(1), second, Tone::Quiet);
    }
}

/// How large the digits of a number are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    /// Rows.
    rows: u16,
    /// Columns of a digit.
    cols: u16,
    /// Columns between two.
    gap: u16,
    /// Digits that room is kept for, so that the number stands still at its right end.
    slot: u16,
}

/// More rows than this say nothing more.
const TALLEST: u16 = 11;

impl Size {
    /// The tallest size at which `slot` characters, or `text`, fit into `area`; `None` below three rows.
    pub fn fit(slot: u16, text: &str, area: Rect, look: &Look) -> Option<Self> {
        let sizes = (3..=area.height.min(TALLEST)).rev().flat_map(|rows| forms(rows, look.glyphs));
        sizes.map(|size| Self { slot, ..size }).find(|size| size.width(text) <= area.width)
    }

    /// Rows that the digits take.
    pub const fn rows(self) -> u16 {
        self.rows
    }

    /// Columns that `text` takes, or its slot if that is wider.
    pub fn width(self, text: &str) -> u16 {
        let widths = text.bytes().map(|byte| self.advance(byte)).fold(0_u16, u16::saturating_add);
        let points = text.bytes().filter(|byte| *byte == b'.').count();
        let digits = self.slot.saturating_sub(u16::try_from(points).unwrap_or(0));
        let slot = digits.saturating_mul(self.cols + self.gap).saturating_add(widths_of_points(self, points));
        widths.max(slot).saturating_sub(self.gap)
    }

    fn advance(self, byte: u8) -> u16 {
        let stem = self.stem();
        self.gap + if byte == b'.' { stem } else { self.cols }
    }

    /// Columns of an upright stroke. A narrow digit keeps thin ones, so that its inside stays open.
    const fn stem(self) -> u16 {
        if self.rows >= 6 && self.cols >= 6 { 2 } else { 1 }
    }

    /// Draws `text`, which must be a number as [`crate::screen::words::number`] writes it, right in its slot.
    pub fn draw(self, pen: &mut Pen<'_>, text: &str, tone: Tone) {
        let width = self.width(text);
        let used = text.bytes().map(|byte| self.advance(byte)).sum::<u16>().saturating_sub(self.gap);
        let mut x = width.saturating_sub(used);
        let dots = Dots::for_digits(pen.look.glyphs);
        for byte in text.bytes() {
            let cols = self.advance(byte) - self.gap;
            if dots == Dots::Whole && self.rows < 5 {
                thin(pen, x, self.rows, byte, tone);
            } else {
                let mut canvas = Canvas::new(dots, cols, self.rows);
                Strokes::new(&canvas, self.stem(), dots).draw(&mut canvas, byte, tone);
                canvas.draw(pen, x, 0);
            }
            x = x.saturating_add(cols + self.gap);
        }
    }
}

fn widths_of_points(size: Size, points: usize) -> u16 {
    u16::try_from(points).unwrap_or(0).saturating_mul(size.advance(b'.'))
}

/// The wide and the narrow form of a height.
fn forms(rows: u16, glyphs: GlyphSet) -> [Size; 2] {
    let gap = if rows >= 7 { 2 } else { 1 };
    let size = |cols| Size { rows, cols, gap, slot: 0 };
    if glyphs == GlyphSet::Ascii && rows < 5 {
        return [size(3), size(3)];
    }
    [size(rows + 1), size((rows * 4 / 5).max(3))]
}

/// Which strokes a digit has, clockwise from the top: top, upper right, lower right, bottom, lower left, upper left,
/// and the middle.
const fn strokes(byte: u8) -> u8 {
    match byte {
        b'0' => 0b011_1111,
        b'1' => 0b000_0110,
        b'2' => 0b101_1011,
        b'3' => 0b100_1111,
        b'4' => 0b110_0110,
        b'5' => 0b110_1101,
        b'6' => 0b111_1101,
        b'7' => 0b000_0111,
        b'8' => 0b111_1111,
        b'9' => 0b110_1111,
        b'-' => 0b100_0000,
        b'e' => 0b111_1001,
        _ => 0,
    }
}

/// The raster of one digit with its measures.
struct Strokes {
    width: i32,
    height: i32,
    /// Dots of an upright stroke.
    stem: i32,
    /// Dots of a level stroke.
    beam: i32,
    /// Upper edge of the middle stroke.
    middle: i32,
    /// Corners can be rounded.
    round: bool,
}

impl Strokes {
    fn new(canvas: &Canvas, stem: u16, dots: Dots) -> Self {
        let beam = if dots == Dots::Whole { 1 } else { i32::from(stem) };
        let height = canvas.height();
        Self {
            width: canvas.width(),
            height,
            stem: i32::from(stem) * i32::from(dots.across()),
            beam,
            middle: (height - beam) / 2,
            round: dots != Dots::Whole,
        }
    }

    fn draw(&self, canvas: &mut Canvas, byte: u8, tone: Tone) {
        let (w, h, stem, beam, middle) = (self.width, self.height, self.stem, self.beam, self.middle);
        match byte {
            b'.' => return canvas.fill(0..w, h - beam.max(if self.round { 1 } else { beam })..h, tone),
            b'1' => return self.one(canvas, tone),
            b'7' => return self.seven(canvas, tone),
            _ => {}
        }
        let has = |bit: u8| strokes(byte) & (1 << bit) != 0;
        let areas = [
            (0..w, 0..beam),
            (w - stem..w, 0..middle + beam),
            (w - stem..w, middle..h),
            (0..w, h - beam..h),
            (0..stem, middle..h),
            (0..stem, 0..middle + beam),
            (0..w, middle..middle + beam),
        ];
        for (bit, (across, down)) in (0_u8..).zip(areas) {
            if has(bit) {
                canvas.fill(across, down, tone);
            }
        }
        if self.round {
            self.round_off(canvas, &has);
        }
    }

    /// Takes the outermost dot away wherever a level stroke turns into an upright one.
    fn round_off(&self, canvas: &mut Canvas, has: &impl Fn(u8) -> bool) {
        let (right, bottom) = (self.width - 1, self.height - 1);
        let corners = [(0, 1, right, 0), (0, 5, 0, 0), (3, 2, right, bottom), (3, 4, 0, bottom)];
        for (level, upright, x, y) in corners {
            if has(level) && has(upright) {
                canvas.unset(x, y);
            }
        }
    }

    fn one(&self, canvas: &mut Canvas, tone: Tone) {
        let left = (self.width - self.stem + 1) / 2;
        canvas.fill(left..left + self.stem, 0..self.height, tone);
        canvas.fill(left - self.stem..left, 0..self.beam, tone);
    }

    fn seven(&self, canvas: &mut Canvas, tone: Tone) {
        let (w, h, left) = (self.width, self.height, (self.width - self.stem + 1) / 2);
        canvas.fill(0..w, 0..self.beam, tone);
        canvas.fill(w - self.stem..w, 0..self.middle, tone);
        canvas.fill(left..left + self.stem, self.middle..h, tone);
        if left + self.stem < w - self.stem {
            canvas.fill(left + self.stem..w - self.stem, self.middle - 1..self.middle + self.beam, tone);
        }
        if self.round {
            canvas.unset(w - 1, 0);
        }
    }
}

/// Digits of thin ASCII strokes, three columns wide, for heights at which blocks would blur.
fn thin(pen: &mut Pen<'_>, x: u16, rows: u16, byte: u8, tone: Tone) {
    if byte == b'.' {
        return pen.mark(x, rows - 1, '.', tone);
    }
    let has = |bit: u8| strokes(byte) & (1 << bit) != 0;
    let middle = rows / 2;
    for (bit, row) in [(0, 0), (6, middle), (3, rows - 1)] {
        if has(bit) {
            pen.mark(x + 1, row, '_', tone);
        }
    }
    for row in 1..rows {
        let (left, right) = if row <= middle { (5, 1) } else { (4, 2) };
        if has(left) {
            pen.mark(x, row, '|', tone);
        }
        if has(right) {
            pen.mark(x + 2, row, '|', tone);
        }
    }
}
