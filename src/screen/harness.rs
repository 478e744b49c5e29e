//! The page of `wiggle`: which input dropped last, in large, and all inputs below it, the worst first.
//!
//! Owns the places of the page, what gives way on a small terminal, its two keys, and its bytes. In: rows of words that
//! stand in the order in which they are to be read. Out: bytes that change the picture. Knows no inputs.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::encode;
use super::keys::{Key, Parser};
use super::look::{Look, Tone};
use super::pen::{Pen, columns};

/// From so many columns on each input has one row with columns of its own.
const WIDE: u16 = 120;
/// From so many rows on there is room for large letters.
const TALL: u16 = 12;
/// Where the columns of a wide row begin, after that of the name.
const PLACES: [u16; 6] = [32, 48, 58, 72, 90, 112];
/// What is below a row's first line is set in by so many columns.
const INDENT: u16 = 2;

/// One input in words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HarnessRow {
    /// What it is called, with its pin.
    pub name: String,
    /// It is gone now, and since when; empty while it is there.
    pub out: String,
    /// How many dropouts; empty for none.
    pub count: String,
    /// The shortest; empty for none.
    pub shortest: String,
    /// How long ago the last was; empty for none.
    pub ago: String,
    /// The lowest and the highest: as counts, at the pin, in the unit of the channel. What does not apply is empty.
    pub extremes: [String; 3],
    /// What else moved; empty for nothing.
    pub with: String,
}

/// The whole page in words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HarnessPage {
    /// What is heard.
    pub head: String,
    /// What is wrong with the links.
    pub troubles: Vec<String>,
    /// What dropped last: its label, then a sentence about it. `None`: nothing since the beginning.
    pub last: Option<(String, String)>,
    /// That it is gone now.
    pub gone: bool,
    /// What is said while nothing dropped.
    pub hints: [String; 2],
    /// All inputs, the worst first.
    pub rows: Vec<HarnessRow>,
}

/// What a key does here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HarnessKey {
    /// Begin anew.
    Clear,
    /// End.
    Quit,
}

/// The page on one terminal.
#[derive(Debug)]
pub struct HarnessScreen {
    look: Look,
    parser: Parser,
    before: Option<Buffer>,
}

impl HarnessScreen {
    /// A terminal of which nothing is known.
    pub fn new(look: Look) -> Self {
        Self { look, parser: Parser::default(), before: None }
    }

    /// What the `bytes` of the terminal ask for.
    pub fn keys(&mut self, bytes: &[u8]) -> Vec<HarnessKey> {
        let mut keys = Vec::new();
        self.parser.push(bytes, &mut |key| match key {
            Key::Char(b'c') => keys.push(HarnessKey::Clear),
            // 3 is what Ctrl-C sends on a raw terminal.
            Key::Char(b'q' | 3) => keys.push(HarnessKey::Quit),
            _ => {}
        });
        keys
    }

    /// Appends what turns the picture into that of `page` on a terminal of `size`.
    pub fn frame(&mut self, page: &HarnessPage, size: (u16, u16), out: &mut Vec<u8>) {
        let area = Rect::new(0, 0, size.0, size.1);
        let mut after = Buffer::empty(area);
        draw(page, &mut Pen::new(&mut after, area, &self.look));
        match &self.before {
            Some(before) if before.area == area => {
                encode::changes(before, &after, &vec![true; usize::from(size.1)], out);
            }
            _ => encode::whole(&after, out),
        }
        self.before = Some(after);
    }
}

fn draw(page: &HarnessPage, pen: &mut Pen<'_>) {
    pen.clear(Tone::Ground);
    let (width, height) = (pen.width(), pen.height());
    pen.text(0, 0, width, &page.head, Tone::Quiet);
    let mut y = 1;
    for trouble in &page.troubles {
        pen.text(0, y, width, trouble, Tone::Caution);
        y += 1;
    }
    y = banner(page, pen, y);
    let end = height.saturating_sub(1);
    rows(&page.rows, pen, y, end);
    if end > 0 {
        pen.text(0, end, width, "c clear   q quit", Tone::Quiet);
    }
}

/// What dropped last, or what to do. Gives the row below.
fn banner(page: &HarnessPage, pen: &mut Pen<'_>, y: u16) -> u16 {
    let width = pen.width();
    let Some((label, about)) = &page.last else {
        for (row, hint) in (y..).zip(&page.hints) {
            pen.text(0, row, width, hint, Tone::Plain);
        }
        return y + 2;
    };
    let tone = if page.gone { Tone::DangerFill } else { Tone::CautionFill };
    let rows = if pen.height() >= TALL { 3 } else { 1 };
    let mut block = pen.part(Rect { x: 0, y, width, height: rows });
    block.clear(tone);
    if rows == 1 {
        block.text(0, 0, width, &format!("{label}: {about}"), tone);
        return y + 1;
    }
    let text = spaced(label, width);
    block.text(width.saturating_sub(columns(&text)) / 2, 0, width, &text, tone);
    let (first, rest) = broken(about, width.saturating_sub(2));
    block.text(1, 1, width.saturating_sub(1), first, tone);
    block.text(1, 2, width.saturating_sub(1), rest, tone);
    y + rows
}

/// `label` as large as one row lets it be: capitals, set apart where they fit.
fn spaced(label: &str, width: u16) -> String {
    let capitals = label.to_uppercase();
    let apart = capitals.chars().flat_map(|c| [c, ' ']).collect::<String>();
    if columns(&apart) <= width { apart.trim_end().to_owned() } else { capitals }
}

/// `text` in two at a blank, the first no wider than `width` where that can be.
fn broken(text: &str, width: u16) -> (&str, &str) {
    if columns(text) <= width {
        return (text, "");
    }
    let fits = |place: &usize| columns(&text[..*place]) <= width;
    let place = text.char_indices().filter(|(_, c)| *c == ' ').map(|(place, _)| place).take_while(fits).last();
    place.map_or((text, ""), |place| (&text[..place], &text[place + 1..]))
}

fn rows(all: &[HarnessRow], pen: &mut Pen<'_>, mut y: u16, end: u16) {
    let wide = pen.width() >= WIDE;
    if wide && y < end {
        heads(pen, y);
        y += 1;
    }
    for (place, row) in all.iter().enumerate() {
        let left = all.len() - place;
        // The last row says how many have no room, unless this one is the last and fits.
        if y + 1 >= end && left > 1 || y >= end {
            let more = if left == 1 { "1 more".to_owned() } else { format!("{left} more") };
            pen.text(0, y.min(end.saturating_sub(1)), pen.width(), &format!("and {more}"), Tone::Quiet);
            return;
        }
        let room = end - y - u16::from(left > 1);
        y += if wide { wide_row(row, pen, y) } else { narrow_row(row, pen, y, room) };
    }
}

fn heads(pen: &mut Pen<'_>, y: u16) {
    pen.text(0, y, PLACES[0], "input", Tone::Faint);
    let words = ["dropouts", "shortest", "last", "counts", "at the pin", "value; moved with it"];
    for (x, word) in PLACES.into_iter().zip(words) {
        pen.text(x, y, pen.width(), word, Tone::Faint);
    }
}

/// The tones of an input's name and of what is behind it.
fn tones(row: &HarnessRow) -> (Tone, Tone) {
    if !row.out.is_empty() {
        (Tone::Danger, Tone::Danger)
    } else if row.count.is_empty() {
        (Tone::Quiet, Tone::Quiet)
    } else {
        (Tone::Strong, Tone::Caution)
    }
}

fn wide_row(row: &HarnessRow, pen: &mut Pen<'_>, y: u16) -> u16 {
    let (name, bad) = tones(row);
    pen.text(0, y, PLACES[0] - 1, &row.name, name);
    let count = if row.out.is_empty() { &row.count } else { &row.out };
    let [counts, volts, unit] = &row.extremes;
    let plain = if row.count.is_empty() { Tone::Quiet } else { Tone::Plain };
    let cells = [(count, bad), (&row.shortest, bad), (&row.ago, bad), (counts, plain), (volts, plain)];
    for (place, (text, tone)) in cells.into_iter().enumerate() {
        pen.text(PLACES[place], y, PLACES[place + 1] - PLACES[place] - 1, text, tone);
    }
    let x = PLACES[5] + pen.text(PLACES[5], y, pen.width(), unit, plain);
    if !row.with.is_empty() {
        pen.text(x + 2, y, pen.width(), &row.with, Tone::Quiet);
    }
    1
}

/// One to four rows, at most `room`, which is 1 or more. Gives how many.
fn narrow_row(row: &HarnessRow, pen: &mut Pen<'_>, y: u16, room: u16) -> u16 {
    let (width, (name, bad)) = (pen.width(), tones(row));
    let told = match (row.out.is_empty(), row.count.is_empty()) {
        (true, true) => {
            let start = fitting(&row.extremes, pen, &row.name, y);
            pen.text(0, y, start.saturating_sub(1), &row.name, name);
            return 1;
        }
        (true, false) => format!("{}, {}, {}", row.count, row.shortest, row.ago),
        (false, true) => row.out.clone(),
        (false, false) => format!("{}, {}", row.out, row.count),
    };
    let start = pen.text_before(0, width, y, &told, bad);
    pen.text(0, y, start.saturating_sub(1), &row.name, name);
    let lines = below(row, width.saturating_sub(INDENT));
    for (y, (line, tone)) in (y + 1..).zip(&lines).take(usize::from(room.saturating_sub(1))) {
        pen.text(INDENT, y, width, line, *tone);
    }
    room.min(1 + u16::try_from(lines.len()).unwrap_or(u16::MAX))
}

/// What stands below a row's first line: the extremes, in two lines where `width` asks for it, and what else moved.
fn below(row: &HarnessRow, width: u16) -> Vec<(String, Tone)> {
    let join = |some: &[String]| {
        some.iter().filter(|text| !text.is_empty()).map(String::as_str).collect::<Vec<_>>().join("  ")
    };
    let one = join(&row.extremes);
    let extremes =
        if columns(&one) <= width { vec![one] } else { vec![join(&row.extremes[..2]), join(&row.extremes[2..])] };
    let lines = extremes.into_iter().map(|line| (line, Tone::Plain)).chain([(row.with.clone(), Tone::Quiet)]);
    lines.filter(|(line, _)| !line.is_empty()).collect()
}

/// As many of `extremes` as fit behind `name`, at the right; the value in its unit gives way last. Gives where they begin.
fn fitting(extremes: &[String; 3], pen: &mut Pen<'_>, name: &str, y: u16) -> u16 {
    let [counts, volts, unit] = extremes;
    for some in [vec![counts, volts, unit], vec![counts, unit], vec![unit], vec![counts]] {
        let words = some.into_iter().filter(|text| !text.is_empty()).map(String::as_str).collect::<Vec<_>>();
        let text = words.join("  ");
        let start = pen.text_before(columns(name) + 2, pen.width(), y, &text, Tone::Quiet);
        if start < pen.width() {
            return start;
        }
    }
    pen.width()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::screen::{Depth, GlyphSet};

    const SIZES: [(u16, u16); 6] = [(40, 20), (53, 15), (80, 24), (200, 60), (20, 5), (1, 1)];

    fn page() -> HarnessPage {
        let dropped = |name: &str, out: &str, with: &str| HarnessRow {
            name: name.to_owned(),
            out: out.to_owned(),
            count: "3 dropouts".to_owned(),
            shortest: "5 ms".to_owned(),
            ago: "12 s ago".to_owned(),
            extremes: ["0 to 512".to_owned(), "0.00 to 2.50 V".to_owned(), "open to 4.0 bar".to_owned()],
            with: with.to_owned(),
        };
        let quiet = |number: usize| HarnessRow {
            name: format!("Feed number {number} a{number}"),
            extremes: ["505 to 512".to_owned(), "2.47 to 2.50 V".to_owned(), String::new()],
            ..HarnessRow::default()
        };
        let mut rows =
            vec![dropped("Oil pressure a1", "gone 3 s", "moved with it: Coolant a0"), dropped("Coolant a0", "", "")];
        rows.extend((2..40).map(quiet));
        HarnessPage {
            head: "198 readings/s".to_owned(),
            last: Some(("Oil pressure".to_owned(), "a1: gone since 3 s; moved with it: Coolant a0".to_owned())),
            gone: true,
            rows,
            ..HarnessPage::default()
        }
    }

    fn shown(page: &HarnessPage, (width, height): (u16, u16), glyphs: GlyphSet, depth: Depth) -> Vec<String> {
        let area = Rect::new(0, 0, width, height);
        let mut buffer = Buffer::empty(area);
        let look = Look::new(glyphs, depth, false);
        draw(page, &mut Pen::new(&mut buffer, area, &look));
        let lines = buffer.content.chunks(usize::from(width.max(1)));
        lines.map(|line| line.iter().map(ratatui::buffer::Cell::symbol).collect::<String>()).collect()
    }

    #[test]
    fn the_worst_and_the_keys_are_there_on_every_terminal() {
        for size in SIZES.into_iter().take(4) {
            for glyphs in GlyphSet::ALL {
                let lines = shown(&page(), size, glyphs, Depth::Indexed);
                let text = lines.join("\n");
                assert!(text.contains("O I L   P R E S S U R E"), "{text}");
                let place = |name| lines.iter().position(|line| line.starts_with(name)).unwrap();
                assert!(place("Oil pressure a1") < place("Coolant a0"), "{text}");
                assert!(text.contains("gone 3 s") && text.contains("moved with it: Coolant a0"), "{text}");
                assert!(text.contains("0.00 to 2.50 V"), "{text}");
                // All forty have a row of their own on the tallest.
                assert_eq!(text.contains("and "), size.1 < 60, "{text}");
                assert!(lines.last().unwrap().starts_with("c clear   q quit"), "{text}");
            }
        }
    }

    #[test]
    fn every_size_and_depth_can_be_drawn() {
        let mut quiet = page();
        (quiet.last, quiet.hints) = (None, ["Move a plug".to_owned(), "Engine off".to_owned()]);
        quiet.troubles = vec!["engine: unplugged".to_owned()];
        for size in SIZES {
            for depth in Depth::ALL {
                for page in [&page(), &quiet] {
                    assert_eq!(shown(page, size, GlyphSet::Ascii, depth).len(), usize::from(size.1));
                }
            }
        }
        assert!(shown(&quiet, (40, 20), GlyphSet::Ascii, Depth::None).join("\n").contains("Move a plug"));
    }

    #[test]
    fn how_many_have_no_room_is_said() {
        let lines = shown(&page(), (80, 24), GlyphSet::Full, Depth::None);
        let shown = lines.iter().filter(|line| line.starts_with("Feed")).count();
        assert_eq!(lines[22].trim_end(), format!("and {} more", 38 - shown));
        let mut few = page();
        few.rows.truncate(2 + shown + 1);
        let lines = self::shown(&few, (80, 24), GlyphSet::Full, Depth::None);
        assert!(lines[22].starts_with("Feed"), "{}", lines.join("\n"));
    }

    #[test]
    fn two_keys_work_and_pasted_or_clicked_ones_do_not() {
        let mut screen = HarnessScreen::new(Look::new(GlyphSet::Full, Depth::None, false));
        assert_eq!(screen.keys(b"xc\x1b[<0;3;3Mq"), [HarnessKey::Clear, HarnessKey::Quit]);
        assert_eq!(screen.keys(b"\x1b[200~cq\x1b[201~\x03"), [HarnessKey::Quit]);
    }
}
