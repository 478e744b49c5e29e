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
use crate::screen::item::{Item, header, value_before};
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
const ROWS_WITH_FIGURES: u16 = 7;

impl Widget for &Dial<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let visible = area.intersection(buffer.area);
        if visible.width < LEAST.0 || visible.height < LEAST.1 {
            return Bar { item: self.item, look: self.look }.render(area, buffer);
        }
        let mut pen = Pen::new(buffer, area, self.look);
        header(&mut pen, self.item, true);
        let figures = u16::from(pen.height() >= ROWS_WITH_FIGURES);
        let rows = pen.height() - 1 - figures;
        let bow = Bow::new(pen.width(), rows, Dots::for_dials(self.look.glyphs));
        let mut canvas = Canvas::new(bow.dots, pen.width(), rows);
        bow.scale(&mut canvas, self.item);
        canvas.draw(&mut pen, 0, 1);
        self.hollow(&mut pen, &bow, rows);
        if figures == 1 {
            self.figures(&mut pen, &bow, rows + 1);
        }
    }
}

impl Dial<'_> {
    /// The number in the hollow, large if it fits.
    fn hollow(&self, pen: &mut Pen<'_>, bow: &Bow, rows: u16) {
        let room = bow.hollow();
        let left = (pen.width() - room) / 2;
        let tone = self.item.tone(Tone::Strong);
        let tall = (rows * 3 / 5).max(3).min(rows - 1);
        let area = Rect { x: left, y: 1 + rows - tall, width: room, height: tall };
        if let Said::Value(text) = &self.item.said
            && let Some(size) = Size::fit(self.item.slot, text, area, self.look)
        {
            let width = size.width(text);
            let height = size.rows();
            let place = Rect { x: left + (room - width) / 2, y: 1 + rows - height, width, height };
            return size.draw(&mut pen.part(place), text, tone);
        }
        let width = match &self.item.said {
            Said::Value(text) => columns(text),
            Said::Doubt(long, short) => {
                let long = columns(long);
                if long <= room { long } else { columns(short) }
            }
        };
        let start = (pen.width() - width.min(pen.width())) / 2;
        let bare = Item { unit: "", ..self.item.clone() };
        value_before(pen, &bare, (start, start + width), rows, Tone::Strong);
    }

    /// The ends of the scale under its feet.
    fn figures(&self, pen: &mut Pen<'_>, bow: &Bow, y: u16) {
        let (low, high) = self.item.scale();
        let digits = self.item.channel.digits;
        let (low, high) = (words::number(low, digits), words::number(high, digits));
        let (left, right) = bow.feet();
        let end = pen.text(left, y, pen.width(), &low, Tone::Faint) + left;
        pen.text_before(end + 1, right, y, &high, Tone::Faint);
    }
}

/// The geometry of the scale. Lengths are in columns; a row counts as two.
struct Bow {
    dots: Dots,
    centre: (f64, f64),
    radius: (f64, f64),
    width: u16,
}

/// Thickness of the filled band in columns.
const BAND: f64 = 1.6;

impl Bow {
    fn new(width: u16, rows: u16, dots: Dots) -> Self {
        let (across, tall) = (f64::from(width), f64::from(rows) * 2.0);
        let upright = tall - 0.6;
        // Wider than this a bow looks like a straight line.
        let level = (across / 2.0 - 0.5).min(upright * 1.9);
        Self { dots, centre: (across / 2.0, tall), radius: (level, upright), width }
    }

    /// Whole columns between the feet of the band.
    fn hollow(&self) -> u16 {
        let inner = (self.radius.0 - BAND - 0.8) * 2.0;
        column(inner).min(self.width)
    }

    /// First and last (not included) column of the bow.
    fn feet(&self) -> (u16, u16) {
        let left = column(self.centre.0 - self.radius.0);
        (left, self.width - left)
    }

    /// The dot at `share` of the scale, `inward` columns inside the outer edge.
    #[expect(clippy::cast_possible_truncation, reason = "inside the canvas")]
    fn dot(&self, share: f64, inward: f64) -> (i32, i32) {
        let angle = PI * (1.0 - share);
        let x = self.centre.0 + (self.radius.0 - inward) * angle.cos();
        let y = self.centre.1 - (self.radius.1 - inward) * angle.sin();
        let (across, down) = (f64::from(self.dots.across()), f64::from(self.dots.down()));
        ((x * across).floor() as i32, (y * down / 2.0).floor() as i32)
    }

    fn scale(&self, canvas: &mut Canvas, item: &Item<'_>) {
        let steps = (canvas.width() + canvas.height() * 2) * 2;
        let value = item.value.map(|value| item.share(value));
        let pointer = item.alarm.map_or(Tone::Strong, Tone::of);
        let lit = item.alarm.map_or(Tone::Lit, Tone::of);
        let step = 1.0 / f64::from(self.dots.down().max(2)) * 1.5;
        for index in 0..=steps {
            let share = f64::from(index) / f64::from(steps);
            if let Some(level) = item.zone(share) {
                self.stroke(canvas, share, (0.0, 0.7, step), Tone::faint(level));
            }
            if value.is_some_and(|value| share <= value) {
                self.stroke(canvas, share, (0.0, BAND, step), lit);
            } else {
                let (x, y) = self.dot(share, BAND / 2.0);
                canvas.set(x, y, Tone::Faint);
            }
        }
        if let Some(value) = value {
            self.stroke(canvas, value, (-0.2, BAND + 1.4, step / 2.0), pointer);
        }
    }

    fn stroke(&self, canvas: &mut Canvas, share: f64, (from, to, step): (f64, f64, f64), tone: Tone) {
        let mut inward = from;
        while inward <= to {
            let (x, y) = self.dot(share, inward);
            canvas.set(x, y, tone);
            inward += step;
        }
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float cast saturates")]
fn column(at: f64) -> u16 {
    at.floor().max(0.0) as u16
}
