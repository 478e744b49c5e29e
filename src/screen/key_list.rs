//! All keys that work, in place of the page: what the last line has no room for.
//!
//! Owns where each key stands in the list, so that each can be tapped.

use ratatui::layout::{Position, Rect};

use super::keys::{Act, ShownKey};
use super::look::Tone;
use super::pen::{Pen, columns};

/// Columns of the longest name of a key, and the air behind it.
const NAMES: u16 = 7;

/// Columns and rows of a list of `count` keys in `area`, and the columns that each takes.
fn raster(count: usize, area: Rect) -> (u16, u16) {
    let count = u16::try_from(count).unwrap_or(u16::MAX);
    let across = count.div_ceil(area.height.max(1)).max(1);
    (count.div_ceil(across), area.width / across)
}

/// Draws `keys` over the whole of the pen.
pub fn draw(pen: &mut Pen<'_>, keys: &[ShownKey]) {
    let (rows, each) = raster(keys.len(), Rect::new(0, 0, pen.width(), pen.height()));
    for (at, ShownKey { key, word, about, .. }) in (0_u16..).zip(keys) {
        let (x, y) = (at / rows * each, at % rows);
        let room = each.saturating_sub(NAMES + 1);
        pen.text(x, y, NAMES.min(each), key, Tone::Strong);
        pen.text(x + NAMES, y, room, if columns(about) <= room { about } else { word }, Tone::Plain);
    }
}

/// What a tap `at` a place of the screen does, where the list of `keys` stands in `area`.
pub fn tapped(keys: &[ShownKey], area: Rect, at: Position) -> Option<Act> {
    let (rows, each) = raster(keys.len(), area);
    let (x, y) = (at.x.checked_sub(area.x)?, at.y.checked_sub(area.y)?);
    if y >= rows {
        return None;
    }
    keys.get(usize::from(x / each.max(1) * rows + y)).map(|key| key.act)
}

#[cfg(test)]
mod tests {
    use ratatui::buffer::Buffer;
    use ratatui::widgets::Widget as _;
    use rstest::rstest;

    use super::*;
    use crate::screen::glyphs::GlyphSet;
    use crate::screen::keys::{Now, working};
    use crate::screen::look::{Depth, Look};

    #[rstest]
    #[case::phone(Rect::new(1, 0, 38, 16))]
    #[case::small_panel(Rect::new(1, 0, 51, 12))]
    #[case::list(Rect::new(0, 0, 30, 3))]
    fn a_tap_on_the_name_of_a_key_is_that_key(#[case] area: Rect) {
        let player = crate::state::PlayerShown { speed: 1.0, earlier: true, later: true, ..Default::default() };
        let keys = working(&Now { player: Some(&player), several_pages: true, ..Now::default() });
        let mut buffer = Buffer::empty(Rect::new(0, 0, area.right() + 1, area.bottom() + 1));
        ratatui::widgets::Clear.render(buffer.area, &mut buffer);
        let look = Look::new(GlyphSet::Ascii, Depth::None, false);
        draw(&mut Pen::new(&mut buffer, area, &look), &keys);
        let mut found = 0;
        for y in area.top()..area.bottom() {
            let row: String = (0..buffer.area.width).map(|x| buffer[(x, y)].symbol()).collect();
            for key in &keys {
                let words = [key.about, key.word].map(|word| format!("{:7}{}", key.key, &word[..word.len().min(6)]));
                let Some(x) = words.iter().find_map(|text| row.find(text)) else { continue };
                let at = Position { x: u16::try_from(x).unwrap(), y };
                assert_eq!(tapped(&keys, area, at), Some(key.act), "{row:?}");
                found += 1;
            }
        }
        assert!(area.height < 12 || found == keys.len(), "{found} of {}", keys.len());
    }
}
