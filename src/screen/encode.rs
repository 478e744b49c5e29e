//! From two buffers to the bytes that turn one picture into the other.
//!
//! Owns the escape sequences of a frame: places, colours, text. A frame in which nothing changed is no bytes at all.
//! Source of the sequences: ECMA-48 (CUP, SGR), and the 256-colour and 24-bit forms of ISO 8613-6 in their usual spelling.

use std::io::Write;

use ratatui::buffer::{Buffer, Cell};
use ratatui::style::{Color, Modifier};
use unicode_width::UnicodeWidthStr;

/// The modifiers that the palette uses, with their SGR numbers.
const MODIFIERS: [(Modifier, u8); 3] = [(Modifier::BOLD, 1), (Modifier::DIM, 2), (Modifier::REVERSED, 7)];

/// Appends to `out` what turns `before` into `after`, which has the same area. Of the rows from the top only those are
/// looked at for which `rows` is true.
pub fn changes(before: &Buffer, after: &Buffer, rows: &[bool], out: &mut Vec<u8>) {
    let mut frame = Frame::new(out);
    let width = usize::from(after.area.width).max(1);
    let lines = before.content.chunks(width).zip(after.content.chunks(width));
    for ((y, (before, after)), _) in (after.area.y..).zip(lines).zip(rows).filter(|(_, looked_at)| **looked_at) {
        frame.line(y, before, after);
    }
    frame.end();
}

/// Appends all of `after` to `out`, for a terminal of which nothing is known.
pub fn whole(after: &Buffer, out: &mut Vec<u8>) {
    let mut frame = Frame::new(out);
    let width = usize::from(after.area.width).max(1);
    for (y, line) in (after.area.y..).zip(after.content.chunks(width)) {
        frame.line(y, &[], line);
    }
    frame.end();
}

/// What was written of a frame so far.
struct Frame<'a> {
    out: &'a mut Vec<u8>,
    /// The style that the terminal is in; `None` before the first.
    style: Option<(Color, Color, Modifier)>,
    /// Where the terminal writes next, where that is known.
    next: Option<(usize, u16)>,
}

impl<'a> Frame<'a> {
    const fn new(out: &'a mut Vec<u8>) -> Self {
        Self { out, style: None, next: None }
    }

    /// Turns the row `y` from `before` into `after`; cells that `before` lacks are not known.
    fn line(&mut self, y: u16, before: &[Cell], after: &[Cell]) {
        let mut x = 0;
        // Up to here the terminal shows something else than `before` says.
        let mut disturbed = 0;
        while let Some(cell) = after.get(x) {
            if x >= disturbed && before.get(x) == Some(cell) {
                x += 1;
                continue;
            }
            self.cell(x, y, cell);
            let end = x + cell.symbol().width().max(1);
            // Half of a wide character that is overwritten does not stay.
            let reach = |x: usize| before.get(x).map_or(0, |old| x + old.symbol().width());
            disturbed = (x..end).map(reach).fold(disturbed, usize::max);
            x = end;
        }
    }

    fn cell(&mut self, x: usize, y: u16, cell: &Cell) {
        if self.next != Some((x, y)) {
            // Writing to a Vec cannot fail.
            let _ = write!(self.out, "\x1b[{};{}H", u32::from(y) + 1, x + 1);
        }
        let wanted = (cell.fg, cell.bg, cell.modifier);
        if self.style != Some(wanted) {
            set_style(cell, self.out);
            self.style = Some(wanted);
        }
        let symbol = cell.symbol();
        self.out.extend_from_slice(symbol.as_bytes());
        // Terminals differ in how wide they think some characters are; after those the place is said again.
        self.next = (symbol.width() == 1).then_some((x + 1, y));
    }

    fn end(self) {
        if self.style.is_some() {
            self.out.extend_from_slice(b"\x1b[0m");
        }
    }
}

fn set_style(cell: &Cell, out: &mut Vec<u8>) {
    out.extend_from_slice(b"\x1b[0");
    for (modifier, number) in MODIFIERS {
        if cell.modifier.contains(modifier) {
            let _ = write!(out, ";{number}");
        }
    }
    colour(cell.fg, 30, out);
    colour(cell.bg, 40, out);
    out.push(b'm');
}

/// `base`: 30 for the letters, 40 for the ground.
fn colour(colour: Color, base: u8, out: &mut Vec<u8>) {
    let number = match colour {
        Color::Reset => return,
        Color::Indexed(index) => {
            let _ = write!(out, ";{};5;{index}", base + 8);
            return;
        }
        Color::Rgb(red, green, blue) => {
            let _ = write!(out, ";{};2;{red};{green};{blue}", base + 8);
            return;
        }
        Color::Black => 0,
        Color::Red => 1,
        Color::Green => 2,
        Color::Yellow => 3,
        Color::Blue => 4,
        Color::Magenta => 5,
        Color::Cyan => 6,
        Color::Gray => 7,
        Color::DarkGray => 60,
        Color::LightRed => 61,
        Color::LightGreen => 62,
        Color::LightYellow => 63,
        Color::LightBlue => 64,
        Color::LightMagenta => 65,
        Color::LightCyan => 66,
        Color::White => 67,
    };
    let _ = write!(out, ";{}", base + number);
}

#[cfg(test)]
mod tests {
    use ratatui::style::Style;
    use rstest::rstest;

    use super::*;

    fn written(before: Option<&Buffer>, after: &Buffer) -> String {
        let mut out = Vec::new();
        match before {
            Some(before) => changes(before, after, &vec![true; usize::from(after.area.height)], &mut out),
            None => whole(after, &mut out),
        }
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_frame_in_which_nothing_changed_is_no_bytes() {
        let buffer = Buffer::with_lines(["abc"]);
        assert_eq!(written(Some(&buffer), &buffer), "");
    }

    #[test]
    fn only_what_changed_is_sent_and_neighbours_share_their_place_and_style() {
        let before = Buffer::with_lines(["abcdef", "ghijkl"]);
        let mut after = before.clone();
        after.set_string(2, 1, "XY", Style::new().fg(Color::LightRed).bg(Color::Black));
        assert_eq!(written(Some(&before), &after), "\x1b[2;3H\x1b[0;91;40mXY\x1b[0m");
    }

    #[test]
    fn of_a_picture_that_is_not_known_everything_is_sent() {
        assert_eq!(written(None, &Buffer::with_lines(["ab"])), "\x1b[1;1H\x1b[0mab\x1b[0m");
    }

    #[test]
    fn rows_that_are_not_looked_at_are_not_sent() {
        let (before, after) = (Buffer::with_lines(["a", "b", "c"]), Buffer::with_lines(["x", "y", "z"]));
        let mut out = Vec::new();
        changes(&before, &after, &[false, true, false], &mut out);
        assert_eq!(String::from_utf8(out).unwrap(), "\x1b[2;1H\x1b[0my\x1b[0m");
    }

    #[rstest]
    #[case::narrow_over_its_first_half("水x", "a x", "\x1b[1;1H\x1b[0ma \x1b[0m")]
    #[case::narrow_over_its_second_half("水x", " bx", "\x1b[1;1H\x1b[0m b\x1b[0m")]
    #[case::wide_over_narrow("abx", "水x", "\x1b[1;1H\x1b[0m水\x1b[0m")]
    #[case::wide_over_the_first_half_of_another("a水 ", "水  ", "\x1b[1;1H\x1b[0m水\x1b[1;3H \x1b[0m")]
    #[case::the_same_again("水x", "水y", "\x1b[1;3H\x1b[0my\x1b[0m")]
    fn nothing_of_a_wide_character_is_left_behind(#[case] before: &str, #[case] after: &str, #[case] sent: &str) {
        assert_eq!(written(Some(&Buffer::with_lines([before])), &Buffer::with_lines([after])), sent);
    }

    #[test]
    fn after_a_wide_character_the_place_is_said_again() {
        let after = Buffer::with_lines(["水x"]);
        assert_eq!(written(None, &after), "\x1b[1;1H\x1b[0m水\x1b[1;3Hx\x1b[0m");
    }
}
