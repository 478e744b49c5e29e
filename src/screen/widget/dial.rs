//! A pointer on a bent scale, with the number in its hollow.
//!
//! The scale is half an ellipse as wide as the cell allows. Up to the value it is a thick band; the rest is a thin
//! line; the stretches beyond limits have a second line outside. The pointer is short and crosses the band, so that
//! the hollow stays free for the number.

use std::f64::consts::PI;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::widgets::Widget;

use super::bar::Bar;
use crate::screen::canvas::{Canvas, Dots};
use crate::screen::item::{Item, below, header, value_before};
use crate::screen::look::{Look, Tone};
use crate::screen::pen::{Pen, columns};
use crate::screen::widget::digits::Size;
use crate::screen::words::{self, Said};

/// One channel on a bent scale.
#[derive(Clone, Copy, Debug)]
pub struct Dial<'a> {
    /// What is shown.
    pub item: &'a Item<'a>,
    /// The terminal's look.
    pub look: &'a Look,
}

/// The least place that a bent scale is readable in; below it a straight one is drawn.
const LEAST: (u16, u16) = (16, 5);
/// From so many rows on the ends of the scale are written under it.
const ROWS_WITH_FIGURES: u16 = 6;

impl Widget for &Dial<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let visible = area.intersection(buffer.area);
        if visible.width < LEAST.0 || visible.height < LEAST.1 {
            return Bar { item: self.item, look: self.look }.render(area, buffer);
        }
        let mut pen = Pen::new(buffer, area, self.look);
        header(&mut pen, self.item, true);
        let form = self.form(pen.width(), pen.height() - 1);
        let bow = Bow::new(form.bow, Dots::for_dials(self.look.glyphs));
        let mut canvas = Canvas::new(bow.dots, form.bow.width, form.bow.height);
        bow.scale(&mut canvas, self.item);
        canvas.draw(&mut pen.part(below(&pen, 1)), 0, 0);
        self.value(&mut pen, &form);
        if form.figures {
            self.figures(&mut pen, &bow, 1 + form.bow.height);
        }
    }
}

/// How a dial fills its cell. Places are relative to the row under the header.
struct Form {
    /// The bent scale.
    bow: Rect,
    /// The value; one row high where it is written small.
    value: Rect,
    /// The ends of the scale are written under its feet.
    figures: bool,
}

impl Dial<'_> {
    /// The first that fits: large digits in the hollow, beside the scale, under it; else the value small in the hollow.
    fn form(&self, width: u16, rows: u16) -> Form {
        let figures = rows >= ROWS_WITH_FIGURES;
        let bow = Rect { x: 0, y: 0, width, height: rows - u16::from(figures) };
        let tall = (bow.height * 3 / 5).max(3);
        if let Some(value) = (3..=tall.min(bow.height - 1)).rev().find_map(|height| self.in_hollow(bow, height)) {
            return Form { bow, value, figures };
        }
        let half = width / 2;
        if rows >= 3 && half >= LEAST.0 {
            let value = Rect { x: half + 1, y: 0, width: width - half - 1, height: rows };
            if let Some(value) = self.sized(value) {
                let bow = Rect { width: half, height: rows, ..bow };
                return Form { bow, value: Rect { y: rows - value.height, ..value }, figures: false };
            }
        }
        if rows >= 5
            && let Some(value) = self.sized(Rect { x: 0, y: rows - 3, width, height: 3 })
        {
            let value = Rect { x: (width - value.width) / 2, ..value };
            return Form { bow: Rect { height: rows - 3, ..bow }, value, figures: false };
        }
        let room = Bow::new(bow, Dots::Fine).hollow(1);
        Form { bow, value: Rect { x: (width - room) / 2, y: bow.height - 1, width: room, height: 1 }, figures }
    }

    /// The place of digits `height` rows tall at the foot of the hollow; `None` where they would touch the band.
    fn in_hollow(&self, bow: Rect, height: u16) -> Option<Rect> {
        let room = Bow::new(bow, Dots::Fine).hollow(height);
        let size = self.sized(Rect { x: 0, y: 0, width: room, height }).filter(|size| size.height == height)?;
        Some(Rect { x: (bow.width - size.width) / 2, y: bow.height - height, ..size })
    }

    /// The part of `area` that large digits take; `None` where they do not fit, or there is no number.
    fn sized(&self, area: Rect) -> Option<Rect> {
        let Said::Value(text) = &self.item.said else { return None };
        if self.item.channel.words.is_some() {
            return None;
        }
        let size = Size::fit(self.item.slot, text, area, self.look)?;
        Some(Rect { width: size.width(text), height: size.rows(), ..area })
    }

    fn value(&self, pen: &mut Pen<'_>, form: &Form) {
        let under = below(pen, 1);
        let mut pen = pen.part(under);
        let mut place = pen.part(form.value);
        if place.height() >= 3
            && let Said::Value(text) = &self.item.said
            && let Some(size) = Size::fit(self.item.slot, text, form.value, self.look)
        {
            return size.draw(&mut place, text, self.item.tone(Tone::Strong));
        }
        let room = place.width();
        let width = match &self.item.said {
            Said::Value(text) => columns(text),
            Said::Doubt(long, _) if columns(long) <= room => columns(long),
            Said::Doubt(_, short) => columns(short),
        };
        let start = (room - width.min(room)) / 2;
        let bare = Item { unit: "", ..self.item.clone() };
        value_before(&mut place, &bare, (start, (start + width).min(room)), 0, Tone::Strong);
    }

    /// The ends of the scale under its feet.
    fn figures(&self, pen: &mut Pen<'_>, bow: &Bow, y: u16) {
        let (low, high) = self.item.scale();
        let digits = self.item.channel.digits;
        let (low, high) = (words::number(low, digits), words::number(high, digits));
        let (left, right) = bow.feet();
        if left + columns(&low) + 1 + columns(&high) <= right {
            pen.text(left, y, columns(&low), &low, Tone::Faint);
            pen.text_before(left, right, y, &high, Tone::Faint);
        }
    }
}

/// The geometry of the scale. Lengths are in columns; a row counts as two.
struct Bow {
    dots: Dots,
    centre: (f64, f64),
    radius: (f64, f64),
    /// Thickness of the filled band.
    band: f64,
    width: u16,
}

impl Bow {
    fn new(area: Rect, dots: Dots) -> Self {
        let (across, tall) = (f64::from(area.width), f64::from(area.height) * 2.0);
        let upright = tall - 0.6;
        // Much wider than this a bow looks like a straight line; a flat one may be, since it has no hollow.
        let widest = if area.height < 4 { 3.2 } else { 1.9 };
        let level = (across / 2.0 - 0.5).min(upright * widest);
        let band = if area.height < 7 { 1.1 } else { 1.7 };
        Self { dots, centre: (across / 2.0, tall), radius: (level, upright), band, width: area.width }
    }

    /// Columns that are free of the band in each of the lowest `rows` rows, on both sides of the middle alike.
    fn hollow(&self, rows: u16) -> u16 {
        let inner = (self.radius.0 - self.band - 0.5, self.radius.1 - self.band - 0.5);
        let height = f64::from(rows) * 2.0 / inner.1;
        if inner.0 <= 0.0 || inner.1 <= 0.0 || height >= 1.0 {
            return if rows <= 1 { column(inner.0 * 2.0).min(self.width) } else { 0 };
        }
        column(inner.0 * 2.0 * (1.0 - height * height).sqrt()).min(self.width)
    }

    /// First and last (not included) column of the bow.
    fn feet(&self) -> (u16, u16) {
        let left = column(self.centre.0 - self.radius.0);
        (left, self.width - left)
    }

    /// The way in from the scale's outer edge at `share` of it.
    fn spoke(&self, share: f64) -> Spoke<'_> {
        let (sin, cos) = (PI * (1.0 - share)).sin_cos();
        Spoke { bow: self, sin, cos }
    }

    fn scale(&self, canvas: &mut Canvas, item: &Item<'_>) {
        let steps = (canvas.width() + canvas.height() * 2) * 2;
        let value = item.value.map(|value| item.share(value));
        let pointer = item.alarm.map_or(Tone::Strong, Tone::of);
        let lit = item.alarm.map_or(Tone::Lit, Tone::of);
        let step = 1.0 / f64::from(self.dots.down().max(2)) * 1.5;
        for index in 0..=steps {
            let share = f64::from(index) / f64::from(steps);
            let spoke = self.spoke(share);
            if let Some(level) = item.zone(share) {
                spoke.stroke(canvas, (0.0, 0.7, step), Tone::faint(level));
            }
            if value.is_some_and(|value| share <= value) {
                spoke.stroke(canvas, (0.0, self.band, step), lit);
            } else {
                let (x, y) = spoke.dot(self.band / 2.0);
                canvas.set(x, y, Tone::Faint);
            }
        }
        if let Some(value) = value {
            self.spoke(value).stroke(canvas, (0.0, self.band + 1.0, step / 2.0), pointer);
        }
    }
}

/// A straight line across the band, towards the middle.
struct Spoke<'a> {
    bow: &'a Bow,
    sin: f64,
    cos: f64,
}

impl Spoke<'_> {
    /// The dot `inward` columns inside the outer edge.
    #[expect(clippy::cast_possible_truncation, reason = "inside the canvas")]
    fn dot(&self, inward: f64) -> (i32, i32) {
        let Bow { dots, centre, radius, .. } = self.bow;
        let x = centre.0 + (radius.0 - inward) * self.cos;
        let y = centre.1 - (radius.1 - inward) * self.sin;
        let (across, down) = (f64::from(dots.across()), f64::from(dots.down()));
        ((x * across).floor() as i32, (y * down / 2.0).floor() as i32)
    }

    fn stroke(&self, canvas: &mut Canvas, (from, to, step): (f64, f64, f64), tone: Tone) {
        let mut inward = from;
        while inward <= to {
            let (x, y) = self.dot(inward);
            canvas.set(x, y, tone);
            inward += step;
        }
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float cast saturates")]
fn column(at: f64) -> u16 {
    at.floor().max(0.0) as u16
}
