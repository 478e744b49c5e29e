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

/// Appends to `out` what turns `before` into `after`; where `before` is none or of another size, the whole of `after`.
pub fn frame(before: Option<&Buffer>, after: &Buffer, out: &mut Vec<u8>) {
    let changes = before
        .filter(|before| before.area == after.area)
        // Where nothing is known of what stands there, every cell is sent.
        .map_or_else(|| whole(after), |before| before.diff(after));
    let mut style = None;
    let mut next = None;
    for (x, y, cell) in changes {
        if next != Some((x, y)) {
            // Writing to a Vec cannot fail.
            let _ = write!(out, "\x1b[{};{}H", u32::from(y) + 1, u32::from(x) + 1);
        }
        let wanted = (cell.fg, cell.bg, cell.modifier);
        if style != Some(wanted) {
            set_style(cell, out);
            style = Some(wanted);
        }
        let symbol = cell.symbol();
        out.extend_from_slice(symbol.as_bytes());
        // Terminals differ in how wide they think some characters are; after those the place is said again.
        next = (symbol.width() == 1).then_some((x + 1, y));
    }
    if style.is_some() {
        out.extend_from_slice(b"\x1b[0m");
    }
}

/// Every cell but those that a wide character before them covers.
fn whole(after: &Buffer) -> Vec<(u16, u16, &Cell)> {
    let mut cells = Vec::with_capacity(after.content.len());
    let area = after.area;
    for y in area.top()..area.bottom() {
        let mut covered = 0;
        for x in area.left()..area.right() {
            let Some(cell) = after.cell((x, y)) else { continue };
            if covered > 0 {
                covered -= 1;
                continue;
            }
            covered = cell.symbol().width().saturating_sub(1);
            cells.push((x, y, cell));
        }
    }
    cells
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
    use ratatui::layout::Rect;
    use ratatui::style::Style;

    use super::*;

    fn written(before: Option<&Buffer>, after: &Buffer) -> String {
        let mut out = Vec::new();
        frame(before, after, &mut out);
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
    fn after_a_change_of_size_everything_is_sent() {
        let before = Buffer::empty(Rect::new(0, 0, 3, 1));
        let after = Buffer::with_lines(["ab"]);
        assert_eq!(written(Some(&before), &after), "\x1b[1;1H\x1b[0mab\x1b[0m");
    }

    #[test]
    fn after_a_wide_character_the_place_is_said_again() {
        let after = Buffer::with_lines(["水x"]);
        assert_eq!(written(None, &after), "\x1b[1;1H\x1b[0m水\x1b[1;3Hx\x1b[0m");
    }
}
