//! A straight scale with the value laid along it and the limits of its alarms marked.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use crate::config::{Level, Limit};
use crate::screen::glyphs::{EIGHTHS, GlyphSet};
use crate::screen::item::{Item, below, header, limit_at, list_row, value_before};
use crate::screen::look::{Look, Tone};
use crate::screen::pen::{Pen, columns};
use crate::screen::widget::digits::Size;
use crate::screen::words::{self, Said};

/// One channel on a straight scale.
#[derive(Clone, Copy, Debug)]
pub struct Bar<'a> {
    /// What is shown.
    pub item: &'a Item<'a>,
    /// The terminal's look.
    pub look: &'a Look,
}

/// Fewer columns make no scale.
const NARROWEST: u16 = 8;
/// From so many rows on there is room for large digits above the scale.
const ROWS_WITH_DIGITS: u16 = 6;

impl Widget for &Bar<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let mut pen = Pen::new(buffer, area, self.look);
        let (width, height) = (pen.width(), pen.height());
        if height < 2 || width < NARROWEST {
            return list_row(&mut pen, self.item);
        }
        let figures = u16::from(height >= 3);
        if height >= ROWS_WITH_DIGITS
            && self.large(&mut pen, height - 2 - figures - u16::from(height > ROWS_WITH_DIGITS))
        {
            // The digits stand above the scale, which takes the last rows.
        } else if self.item.fits_one_row(width) {
            self.title(&mut pen);
        } else {
            return self.in_two_rows(&mut pen, figures);
        }
        let top = if height >= ROWS_WITH_DIGITS { height - 1 - figures } else { 1 };
        let thick = if (4..ROWS_WITH_DIGITS).contains(&height) { height - 2 } else { 1 };
        for y in top..top + thick {
            track(&mut pen, self.item, y);
        }
        if figures == 1 {
            scale_figures(&mut pen, self.item, top + thick);
        }
    }
}

impl Bar<'_> {
    /// Label left, value right.
    fn title(&self, pen: &mut Pen<'_>) {
        let mut row = pen.part(Rect { x: 0, y: 0, width: pen.width(), height: 1 });
        let end = row.width();
        let begin = value_before(&mut row, self.item, (0, end), 0, Tone::Strong);
        let mut left = row.part(Rect { x: 0, y: 0, width: begin.saturating_sub(1), height: 1 });
        header(&mut left, self.item, false);
    }

    /// Where label and value have no room side by side: the label alone, and the value below it, beside the scale where
    /// there are few rows. The name is not cut, and the value never is.
    fn in_two_rows(&self, pen: &mut Pen<'_>, figures: u16) {
        let (width, height) = (pen.width(), pen.height());
        header(pen, self.item, false);
        let begin = value_before(pen, self.item, (0, width), 1, Tone::Strong);
        let (top, width) = if height >= 4 { (2, width) } else { (1, begin.saturating_sub(1)) };
        let rows = height - top;
        let mut scale = pen.part(Rect { x: 0, y: top, width, height: rows });
        let fits = width >= NARROWEST;
        for y in 0..if fits { rows - figures } else { 0 } {
            track(&mut scale, self.item, y);
        }
        if figures == 1 && fits {
            scale_figures(&mut scale, self.item, rows - 1);
        }
    }

    /// Header and large digits in `rows` rows below it; false where they do not fit.
    fn large(&self, pen: &mut Pen<'_>, rows: u16) -> bool {
        let Said::Value(text) = &self.item.said else { return false };
        let area = Rect { height: rows, ..below(pen, 1) };
        if self.item.channel.words.is_some() {
            return false;
        }
        let Some(size) = Size::fit(self.item.slot, text, area, self.look) else { return false };
        header(pen, self.item, true);
        size.draw(&mut pen.part(area), text, self.item.tone(Tone::Strong));
        true
    }
}

/// The scale over the whole width of row `y`: filled up to the value, zones beyond the limits behind it.
fn track(pen: &mut Pen<'_>, item: &Item<'_>, y: u16) {
    let (width, signs) = (pen.width(), pen.look.signs());
    for x in 0..width {
        let (glyph, tone) = match item.zone((f64::from(x) + 0.5) / f64::from(width)) {
            Some(Level::Danger) => (signs.danger, Tone::DangerFaint),
            Some(_) => (signs.caution, Tone::CautionFaint),
            None => (signs.rest, Tone::Faint),
        };
        pen.mark(x, y, glyph, tone);
    }
    let Some(value) = item.value else { return };
    let tone = item.alarm.map_or(Tone::Lit, Tone::of);
    let eighths = eighths(item.share(value), width);
    let full = eighths / 8;
    pen.run(0, y, full, signs.fill, tone);
    match (pen.look.glyphs, eighths % 8) {
        (_, 0) => {}
        (GlyphSet::Full, part) => pen.mark(full, y, EIGHTHS[usize::from(part) - 1], tone),
        (_, 4..) => pen.mark(full, y, signs.half_fill, tone),
        // A value just above the end of the scale is still to be seen.
        _ if full == 0 => pen.mark(0, y, signs.half_fill, tone),
        _ => {}
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 8 × a width")]
fn eighths(share: f64, width: u16) -> u16 {
    ((share * 8.0 * f64::from(width)).round() as u16).max(1)
}

/// The column of `share` on a scale of `width` columns.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to a width")]
pub fn column_of(share: f64, width: u16) -> u16 {
    ((share * f64::from(width)).floor() as u16).min(width.saturating_sub(1))
}

/// Row `y`: a mark with its number under each limit, and the ends of the scale where they do not collide.
fn scale_figures(pen: &mut Pen<'_>, item: &Item<'_>, y: u16) {
    let width = pen.width();
    let mut taken: Vec<(u16, u16)> = Vec::new();
    for (level, limit) in &item.limits {
        limit_figure(pen, item, (*level, *limit), y, &mut taken);
    }
    let (low, high) = item.scale();
    let digits = item.channel.digits;
    let (low, high) = (words::number(low, digits), words::number(high, digits));
    let right = width.saturating_sub(columns(&high));
    for (x, text) in [(0, low), (right, high)] {
        let end = x.saturating_add(columns(&text));
        if end <= width && taken.iter().all(|(from, to)| end < *from || x > *to) {
            pen.text(x, y, width, &text, Tone::Faint);
            taken.push((x, end));
        }
    }
}

fn limit_figure(
    pen: &mut Pen<'_>,
    item: &Item<'_>,
    (level, limit): (Level, Limit),
    y: u16,
    taken: &mut Vec<(u16, u16)>,
) {
    let (width, at) = (pen.width(), limit_at(limit));
    let x = column_of(item.share(at), width);
    let tone = if level == Level::Notice { Tone::Faint } else { Tone::faint(level) };
    let text = words::number(at, item.channel.digits);
    let length = columns(&text);
    let fits = |from: u16, to: u16| to <= width && taken.iter().all(|(a, b)| to < *a || from > *b);
    // The number stands beyond the mark, away from the good side, if it fits there.
    let (after, before) = (x + 1, x.checked_sub(length));
    let place = match (limit, before) {
        (Limit::Below(_), Some(before)) if fits(before, x + 1) => Some(before),
        _ if fits(x, after + length) => Some(after),
        (_, Some(before)) if fits(before, x + 1) => Some(before),
        _ => None,
    };
    if let Some(place) = place {
        pen.mark(x, y, pen.look.signs().mark, tone);
        pen.text(place, y, length, &text, tone);
        taken.push((place.min(x), (place + length).max(x + 1)));
    } else if fits(x, x + 1) {
        pen.mark(x, y, pen.look.signs().mark, tone);
        taken.push((x, x + 1));
    }
}
