//! Small dots inside cells: a raster that becomes characters of the terminal's glyph set.
//!
//! Owns how many dots a cell has and which character stands for which of them. Curves, bent scales and large digits
//! are drawn here and know nothing of characters.

use super::glyphs::GlyphSet;
use super::look::Tone;
use super::pen::Pen;

/// How the dots of a cell lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dots {
    /// 2 × 4 (braille).
    Fine,
    /// 2 × 2 (quarter blocks).
    Quarters,
    /// 1 × 2 (half blocks).
    Halves,
    /// 1 × 3 (ASCII: high, middle, low).
    Thirds,
    /// 1 × 1 (ASCII; the character tells the tone).
    Whole,
}

impl Dots {
    /// For curves.
    pub const fn for_curves(glyphs: GlyphSet) -> Self {
        match glyphs {
            GlyphSet::Full => Self::Fine,
            GlyphSet::Console => Self::Halves,
            GlyphSet::Ascii => Self::Thirds,
        }
    }

    /// For bent scales.
    pub const fn for_dials(glyphs: GlyphSet) -> Self {
        match glyphs {
            GlyphSet::Full => Self::Fine,
            GlyphSet::Console => Self::Halves,
            GlyphSet::Ascii => Self::Whole,
        }
    }

    /// For digits.
    pub const fn for_digits(glyphs: GlyphSet) -> Self {
        match glyphs {
            GlyphSet::Full => Self::Quarters,
            GlyphSet::Console => Self::Halves,
            GlyphSet::Ascii => Self::Whole,
        }
    }

    /// Dots across a cell.
    pub const fn across(self) -> u16 {
        match self {
            Self::Fine | Self::Quarters => 2,
            Self::Halves | Self::Thirds | Self::Whole => 1,
        }
    }

    /// Dots down a cell.
    pub const fn down(self) -> u16 {
        match self {
            Self::Fine => 4,
            Self::Thirds => 3,
            Self::Quarters | Self::Halves => 2,
            Self::Whole => 1,
        }
    }
}

/// A raster over `cols` × `rows` cells.
#[derive(Clone, Debug)]
pub struct Canvas {
    dots: Dots,
    cols: u16,
    rows: u16,
    cells: Vec<(u8, Tone)>,
}

impl Canvas {
    /// All dark.
    pub fn new(dots: Dots, cols: u16, rows: u16) -> Self {
        let cells = vec![(0, Tone::Ground); usize::from(cols) * usize::from(rows)];
        Self { dots, cols, rows, cells }
    }

    /// Dots across.
    pub fn width(&self) -> i32 {
        i32::from(self.cols) * i32::from(self.dots.across())
    }

    /// Dots down.
    pub fn height(&self) -> i32 {
        i32::from(self.rows) * i32::from(self.dots.down())
    }

    /// Lights the dot at `x`, `y`; outside nothing happens. A cell takes the highest tone of its dots.
    pub fn set(&mut self, x: i32, y: i32, tone: Tone) {
        if let Some((index, bit)) = self.place(x, y) {
            let cell = &mut self.cells[index];
            *cell = (cell.0 | bit, cell.1.max(tone));
        }
    }

    /// Darkens the dot at `x`, `y`.
    pub fn unset(&mut self, x: i32, y: i32) {
        if let Some((index, bit)) = self.place(x, y) {
            self.cells[index].0 &= !bit;
        }
    }

    /// Lights a rectangle of dots, far edges excluded.
    pub fn fill(&mut self, across: std::ops::Range<i32>, down: std::ops::Range<i32>, tone: Tone) {
        for y in down {
            for x in across.clone() {
                self.set(x, y, tone);
            }
        }
    }

    fn place(&self, x: i32, y: i32) -> Option<(usize, u8)> {
        let (x, y) = (u16::try_from(x).ok()?, u16::try_from(y).ok()?);
        let (across, down) = (self.dots.across(), self.dots.down());
        let (col, row) = (x / across, y / down);
        if col >= self.cols || row >= self.rows {
            return None;
        }
        let index = usize::from(row) * usize::from(self.cols) + usize::from(col);
        Some((index, 1 << ((y % down) * across + x % across)))
    }

    /// Writes the raster; cells without a lit dot are left as they are.
    pub fn draw(&self, pen: &mut Pen<'_>, x: u16, y: u16) {
        for row in 0..self.rows {
            for col in 0..self.cols {
                let (bits, tone) = self.cells[usize::from(row) * usize::from(self.cols) + usize::from(col)];
                if bits != 0 {
                    pen.mark(x.saturating_add(col), y.saturating_add(row), self.glyph(bits, tone), tone);
                }
            }
        }
    }

    fn glyph(&self, bits: u8, tone: Tone) -> char {
        match self.dots {
            Dots::Fine => braille(bits),
            Dots::Quarters => QUARTERS[usize::from(bits & 15)],
            Dots::Halves => match tone {
                // Without colours the shape alone must tell a scale from what lies on it.
                Tone::Faint => '·',
                Tone::CautionFaint => '░',
                Tone::DangerFaint => '▒',
                _ => [' ', '▀', '▄', '█'][usize::from(bits & 3)],
            },
            Dots::Thirds => match tone {
                Tone::Faint | Tone::CautionFaint | Tone::DangerFaint => '.',
                _ => [' ', '\'', '-', ':', '_', '|', '|', '|'][usize::from(bits & 7)],
            },
            Dots::Whole => match tone {
                Tone::Ground | Tone::Faint => '.',
                Tone::CautionFaint => ':',
                Tone::DangerFaint => '!',
                Tone::Lit => 'o',
                _ => '#',
            },
        }
    }
}

/// By bits: upper left 1, upper right 2, lower left 4, lower right 8.
const QUARTERS: [char; 16] = [' ', '▘', '▝', '▀', '▖', '▌', '▞', '▛', '▗', '▚', '▐', '▜', '▄', '▙', '▟', '█'];

/// The braille pattern for dots numbered row by row. Its own numbering runs down the columns, the fourth row last, so
/// that only the dots of the middle rows change their places.
fn braille(bits: u8) -> char {
    let stays = bits & 0b1110_0001;
    let moved =
        (bits & 0b0000_0100) >> 1 | (bits & 0b0001_0000) >> 2 | (bits & 0b0000_0010) << 2 | (bits & 0b0000_1000) << 1;
    // U+2800 to U+28FF are all assigned.
    char::from_u32(0x2800 + u32::from(stays | moved)).unwrap_or(' ')
}
