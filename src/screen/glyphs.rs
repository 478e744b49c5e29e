//! The three glyph sets, and which characters each may send to a terminal.
//!
//! Owns the one table that says what is drawn with which character. Everything that is drawn, text included, stays
//! inside the set that the terminal can show.

use crate::text;

/// Which characters the terminal's font has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum GlyphSet {
    /// Any Unicode font: braille dots for curves, quarter blocks for digits.
    #[default]
    Full,
    /// The 512 glyphs of a Linux console: Latin-1, box drawing, half blocks and shades; no braille, no eighth blocks.
    Console,
    /// Printable ASCII.
    Ascii,
}

/// Single characters with a meaning, as one glyph set has them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Signs {
    /// The part of a bar that the value has filled.
    pub fill: char,
    /// Half a cell of it.
    pub half_fill: char,
    /// The rest of a bar.
    pub rest: char,
    /// Beyond a limit of caution, not reached.
    pub caution: char,
    /// Beyond a limit of danger, not reached.
    pub danger: char,
    /// Points up at a place on a scale.
    pub mark: char,
    /// A lamp that is lit.
    pub lit: char,
    /// A lamp that is dark.
    pub dark: char,
    /// A thin line across the screen.
    pub rule: char,
    /// Text was shortened here.
    pub more: char,
    /// A stretch of a trend in which nothing could be trusted.
    pub gap: char,
    /// A dot of a limit's line on a trend.
    pub dot: char,
}

/// Eighths of a cell from the left, one to seven; only the full set has them.
pub const EIGHTHS: [char; 7] = ['▏', '▎', '▍', '▌', '▋', '▊', '▉'];

const FULL: Signs = Signs {
    fill: '█',
    half_fill: '▌',
    rest: '─',
    caution: '░',
    danger: '▒',
    mark: '▴',
    lit: '◆',
    dark: '◇',
    rule: '─',
    more: '…',
    gap: '╌',
    dot: '·',
};

const CONSOLE: Signs = Signs {
    fill: '█',
    half_fill: '▌',
    rest: '─',
    caution: '░',
    danger: '▒',
    mark: '┴',
    lit: '█',
    dark: '·',
    rule: '─',
    more: '~',
    gap: '?',
    dot: '·',
};

const ASCII: Signs = Signs {
    fill: '=',
    half_fill: '=',
    rest: '-',
    caution: ':',
    danger: '!',
    mark: '^',
    lit: '#',
    dark: '.',
    rule: '-',
    more: '~',
    gap: '?',
    dot: '.',
};

impl GlyphSet {
    /// Every set.
    pub const ALL: [Self; 3] = [Self::Full, Self::Console, Self::Ascii];

    /// Its single characters.
    pub const fn signs(self) -> &'static Signs {
        match self {
            Self::Full => &FULL,
            Self::Console => &CONSOLE,
            Self::Ascii => &ASCII,
        }
    }

    /// Whether `c` may be sent to a terminal with this set.
    pub fn has(self, c: char) -> bool {
        match self {
            Self::Full => text::is_showable(c),
            Self::Console => matches!(c, ' '..='~' | '\u{A0}'..='\u{AC}' | '\u{AE}'..='\u{FF}') || is_console_shape(c),
            Self::Ascii => matches!(c, ' '..='~'),
        }
    }
}

/// The shapes that the usual console fonts share, beside Latin-1.
const fn is_console_shape(c: char) -> bool {
    matches!(
        c,
        '─' | '│'
            | '┌'
            | '┐'
            | '└'
            | '┘'
            | '├'
            | '┤'
            | '┬'
            | '┴'
            | '┼'
            | '▀'
            | '▄'
            | '█'
            | '▌'
            | '▐'
            | '░'
            | '▒'
            | '▓'
    )
}
